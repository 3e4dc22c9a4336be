"""The refrigerant side: states by pressure and line temperature, mass flow by two ways, capacity; exact partials.

Nothing here knows of oil, of wet vapor or of flash gas: where a temperature does not tell the state there is no value,
and what oil and pressure drop do is a term of the uncertainty (measure/installation.py).
"""

from __future__ import annotations

from lineset.derive.air_formulas import written
from lineset.derive.compressor_formulas import at_line, map_flow
from lineset.derive.declared import Context, Formula, NotDerivable
from lineset.equipment.nameplate import CompressorMap
from lineset.physics.gradient import Gradient, chained
from lineset.physics.refrigerant_state import States

# Part of the compressor's power that its shell gives to the air about it instead of to the refrigerant: 0 to 10 %
# (from memory); one laboratory study of a package unit found 3 % for a scroll and 2 % for a reciprocating compressor
# (Journal of Engineering and Development 18(5), 2014, 165).
HEAT_LOSS, HEAT_LOSS_HALF_WIDTH = 0.05, 0.05
# Part of an outdoor unit's power that its fan takes: 150 to 300 W of 2 to 3.5 kW (common practice, no source).
FAN_SHARE, FAN_SHARE_HALF_WIDTH = 0.08, 0.03
# How much of a change of suction density a compressor's flow follows: Dabiri and Rice 1981, ASHRAE Transactions 87(2),
# 771-782 (from memory, as public simulation codes have it).
FLOW_PER_DENSITY = 0.75
# Superheat of a map's rating where the maker's sheet was not asked: 20 degF (ANSI/AHRI Standard 540, from memory).
USUAL_RATED_SUPERHEAT_K = 20.0 / 1.8
LEAST_WORK_J_KG = 5e3


def _states(context: Context) -> States:
    found = context.saturation.states
    if found is None:
        raise NotDerivable(f"{context.refrigerant}: CoolProp gives its saturation but not its enthalpies")
    return found


class _Vapor:
    """Enthalpy [J/kg] and density [kg/m3] of superheated vapor as Gradients; each is made when it is asked for."""

    def __init__(self, context: Context, gauge: Gradient, cel: Gradient, p: Gradient) -> None:
        self._found = _states(context).vapor(gauge.value + p.value, cel.value)
        self._of = gauge, cel, p

    @property
    def enthalpy(self) -> Gradient:
        found, (gauge, cel, p) = self._found, self._of
        by_p, by_t = found.enthalpy_by_pressure, found.enthalpy_by_temperature
        return chained(found.enthalpy, (by_p, gauge), (by_p, p), (by_t, cel))

    @property
    def density(self) -> Gradient:
        found, (gauge, cel, p) = self._found, self._of
        by_p, by_t = found.density_by_pressure, found.density_by_temperature
        return chained(found.density, (by_p, gauge), (by_p, p), (by_t, cel))


def _liquid(context: Context, gauge: Gradient, cel: Gradient, p: Gradient) -> Gradient:
    found = _states(context).liquid(gauge.value + p.value, cel.value)
    by_p = found.enthalpy_by_pressure
    return chained(found.enthalpy, (by_p, gauge), (by_p, p), (found.enthalpy_by_temperature, cel))


vapor_enthalpy = written(lambda context, x, p: _Vapor(context, x[0], x[1], p).enthalpy)
vapor_density = written(lambda context, x, p: _Vapor(context, x[0], x[1], p).density)
liquid_enthalpy = written(lambda context, x, p: _liquid(context, x[0], x[1], p))


def _flow_from_power(share: float, context: Context, x: list[Gradient], p: Gradient) -> Gradient:
    """`x`: power, discharge pressure and temperature, suction pressure and temperature."""
    power, discharge_pa, discharge_cel, suction_pa, suction_cel = x
    if not power.value >= 100.0:
        raise NotDerivable("mass flow from power: it is below 100 W; the compressor is not running, or not all is read")
    leaving, entering = _Vapor(context, discharge_pa, discharge_cel, p), _Vapor(context, suction_pa, suction_cel, p)
    work = leaving.enthalpy - entering.enthalpy
    if not work.value >= LEAST_WORK_J_KG:
        raise NotDerivable(
            f"mass flow from power: the refrigerant takes up {work.value / 1e3:.1f} kJ/kg in the compressor, which is "
            "no compression; check both clamps and both gauges"
        )
    return power * (share * (1.0 - HEAT_LOSS)) / work


def _rated_density(context: Context, sheet: CompressorMap, suction_pa: Gradient, p: Gradient) -> Gradient:
    if sheet.return_gas_cel is not None:
        cel = chained(sheet.return_gas_cel, (0.0, suction_pa))
    else:
        above = USUAL_RATED_SUPERHEAT_K if sheet.superheat_k is None else sheet.superheat_k
        cel = at_line(context.saturation.dew, suction_pa, p) + above
    return _Vapor(context, suction_pa, cel, p).density


def _flow_from_map(context: Context, x: list[Gradient], p: Gradient) -> Gradient:
    """`x`: discharge pressure, suction pressure and temperature."""
    discharge_pa, suction_pa, suction_cel = x
    rated = map_flow(context, discharge_pa, suction_pa, p)
    sheet = context.nameplate.compressor_map
    assert sheet is not None
    ratio = _Vapor(context, suction_pa, suction_cel, p).density / _rated_density(context, sheet, suction_pa, p)
    return rated * (1.0 + FLOW_PER_DENSITY * (ratio - 1.0))


def flow_from_power(*, whole_unit: bool) -> Formula:
    """Mass flow from the power of the compressor, or of the outdoor unit with its fan's usual share taken off."""
    share = 1.0 - FAN_SHARE if whole_unit else 1.0
    return written(lambda context, x, p: _flow_from_power(share, context, x, p))


flow_from_map = written(_flow_from_map)


def _effect(context: Context, x: list[Gradient], p: Gradient) -> Gradient:
    """`x`: pressure and temperature of the vapor, pressure and temperature of the liquid."""
    return _Vapor(context, x[0], x[1], p).enthalpy - _liquid(context, x[2], x[3], p)


refrigerating_effect = written(_effect)


def capacity_from_power(*, whole_unit: bool, own_liquid_port: bool) -> Formula:
    """Heat taken up between liquid and vapor valve; `own_liquid_port`: the liquid's pressure is an input by itself.

    Inputs as those of the flow, then [liquid service pressure and] liquid line temperature.
    """
    share = 1.0 - FAN_SHARE if whole_unit else 1.0

    def formula(context: Context, x: list[Gradient], p: Gradient) -> Gradient:
        liquid = x[5:] if own_liquid_port else [x[1], x[5]]
        return _flow_from_power(share, context, x[:5], p) * _effect(context, [*x[3:5], *liquid], p)

    return written(formula)


def capacity_from_map(*, own_liquid_port: bool) -> Formula:
    """The same with the map's flow."""

    def formula(context: Context, x: list[Gradient], p: Gradient) -> Gradient:
        liquid = x[3:] if own_liquid_port else [x[0], x[3]]
        return _flow_from_map(context, x[:3], p) * _effect(context, [*x[1:3], *liquid], p)

    return written(formula)
