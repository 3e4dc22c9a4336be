"""What the maker's compressor map says at measured pressures, with exact partial derivatives."""

from __future__ import annotations

from lineset.derive.air_formulas import written
from lineset.derive.declared import Context, Formula, NotDerivable
from lineset.physics.compressor import map_value
from lineset.physics.gradient import Gradient, chained
from lineset.physics.saturation import Line


def _at(line: Line, gauge: Gradient, p: Gradient) -> Gradient:
    value, slope = line.with_slope(gauge.value + p.value)
    return chained(value, (slope, gauge), (slope, p))


def of_map(field: str) -> Formula:
    """The map's `field` (of CompressorMap) from discharge and suction gauge pressure, at their dew temperatures."""

    def formula(context: Context, x: list[Gradient], p: Gradient) -> Gradient:
        sheet = context.nameplate.compressor_map
        coefficients: tuple[float, ...] = () if sheet is None else getattr(sheet, field)
        if sheet is None or not coefficients:
            raise NotDerivable(f"compressor map: no coefficients for {field} are given on the nameplate")
        dew = context.saturation.dew
        return map_value(coefficients, _at(dew, x[1], p), _at(dew, x[0], p), fahrenheit=sheet.fahrenheit)

    return written(formula)
