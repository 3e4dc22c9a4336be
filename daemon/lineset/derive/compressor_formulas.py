"""What the maker's compressor map says at measured pressures, with exact partial derivatives."""

from __future__ import annotations

from lineset.derive.air_formulas import written
from lineset.derive.declared import Context, Formula, NotDerivable
from lineset.physics.compressor import map_value
from lineset.physics.gradient import Gradient, chained
from lineset.physics.saturation import Line


def at_line(line: Line, gauge: Gradient, p: Gradient) -> Gradient:
    """Saturation temperature [Cel] at a gauge pressure and the barometer. Raises OutOfRange."""
    value, slope = line.with_slope(gauge.value + p.value)
    return chained(value, (slope, gauge), (slope, p))


def _of_map(field: str, context: Context, discharge: Gradient, suction: Gradient, p: Gradient) -> Gradient:
    sheet = context.nameplate.compressor_map
    coefficients: tuple[float, ...] = () if sheet is None else getattr(sheet, field)
    if sheet is None or not coefficients:
        raise NotDerivable(f"compressor map: no coefficients for {field} are given on the nameplate")
    dew = context.saturation.dew
    return map_value(coefficients, at_line(dew, suction, p), at_line(dew, discharge, p), fahrenheit=sheet.fahrenheit)


def map_flow(context: Context, discharge: Gradient, suction: Gradient, p: Gradient) -> Gradient:
    """The map's mass flow [kg/s] at discharge and suction gauge pressure, at its own rated superheat."""
    return _of_map("mass_flow_kg_s", context, discharge, suction, p)


def of_map(field: str) -> Formula:
    """The map's `field` (of CompressorMap) from discharge and suction gauge pressure, at their dew temperatures."""
    return written(lambda context, x, p: _of_map(field, context, x[0], x[1], p))
