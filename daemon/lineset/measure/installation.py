"""What a probe's place does to its reading: one table of effects, by point, each with its reason.

None of them moves the reading: the direction is seldom known well enough to correct for. They widen its uncertainty.
Half widths are limits of error, equally probable in between (JCGM 100:2008, 4.3.7). A share grows with what drives
the effect: the difference between pipe and surrounding air, or the reading itself.

All figures are our judgement (common practice, no source) for a careful technician: clamp closed on clean bare
tube, hoses purged, probe in the middle of the duct. A station's configuration may replace each of them, and they go on
record with the visit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from functools import lru_cache

from lineset.contract.entry import InstallationTerm
from lineset.measure.source import source

JUDGED = "our judgement; common practice, no source"
READING = "reading"
OUTDOOR = "outdoor_air_temperature"
_SQRT3 = math.sqrt(3.0)


def _term(name: str, half_width: float, reason: str, *, share: float = 0.0, of: str = "", usual: float = 0.0,
          source: str = JUDGED) -> InstallationTerm:  # fmt: skip
    return InstallationTerm(
        name=name, half_width=half_width, share=share, of=of, usual=usual, reason=reason, source=source
    )


def _contact(share: float, usual: float, half_width: float = 0.2) -> InstallationTerm:
    return _term(
        "contact", half_width, "a clamp on bare tube reads between pipe and air; the more the less it is insulated",
        share=share, of=OUTDOOR, usual=usual,
    )  # fmt: skip


_SUN = _term("sun", 0.3, "sun on the tube or on the clamp's back")
_HOSE = _term("hose", 5e3, "half a metre of liquid standing in the hose above or below the port")
_TIP = "the tip does not face the stream squarely, or stands near a turn"
_MIXED = "unequal speed over the duct's cross-section"
_WICK = _term("wick", 0.5, "a wick that is dry, dirty or in too slow a stream reads high")
_JAW = _term("jaw", 0.02, "conductor off the middle of the jaw, and the next conductor's field", share=0.01, of=READING)

# point -> its terms, SI. `usual` is the pipe-to-air difference taken while outdoor air is not measured.
INSTALLATION: Mapping[str, tuple[InstallationTerm, ...]] = {
    "vapor_line_temperature": (_contact(0.04, 20.0), _SUN),
    "liquid_line_temperature": (_contact(0.04, 8.0), _SUN),
    "discharge_line_temperature": (_contact(0.04, 45.0), _SUN),
    "outdoor_air_temperature": (
        _term("air", 0.8, "sun on the probe, and air from the outdoor fan drawn in again"),
    ),
    "condenser_leaving_temperature": (_term("air", 1.0, "unequal air over the outdoor fan's opening"),),
    "return_air_temperature": (_term("air", 0.4, "unequal air in the return, leaks from the attic or crawl space"),),
    "supply_air_temperature": (
        _term("air", 1.0, "air behind the coil is not mixed yet: layers differ by a kelvin or more"),
    ),
    "return_air_wet_bulb": (_WICK,),
    "supply_air_wet_bulb": (_WICK,),
    "supply_air_velocity": (_term("traverse", 0.05, _MIXED, share=0.10, of=READING),),
    "airflow": (_term("traverse", 0.0, _MIXED, share=0.05, of=READING),),
    "return_air_humidity": (_term("air", 1.5, "unequal air in the return"),),
    "supply_air_humidity": (_term("air", 3.0, "unequal air behind the coil; its humidity hangs on temperature"),),
    "liquid_service_pressure": (_HOSE,),
    "discharge_pressure": (_term("pulses", 5e3, "the compressor's pulses, read through a core depressor"),),
    "vapor_service_pressure": (_term("hose", 1e3, "oil or a little liquid in the hose"),),
    "common_suction_pressure": (_term("hose", 1e3, "oil or a little liquid in the hose"),),
    "return_static": (_term("tip", 4.0, _TIP, share=0.03, of=READING),),
    "supply_static": (_term("tip", 4.0, _TIP, share=0.03, of=READING),),
    "filter_drop": (_term("tip", 4.0, _TIP, share=0.03, of=READING),),
    "coil_drop": (_term("tip", 4.0, _TIP, share=0.03, of=READING),),
    "compressor_common_current": (_JAW,),
    "compressor_run_current": (_JAW,),
    "compressor_start_current": (_JAW,),
    "compressor_inrush_current": (_JAW,),
    "outdoor_fan_current": (_JAW,),
    "outdoor_unit_current": (_JAW,),
    "heat_strip_feed_current": (_JAW,),
    "compressor_power": (_term("jaw", 0.0, "conductor off the middle of the jaw", share=0.01, of=READING),),
    "power": (_term("jaw", 0.0, "conductor off the middle of the jaw", share=0.01, of=READING),),
    "blower_power": (_term("jaw", 0.0, "conductor off the middle of the jaw", share=0.01, of=READING),),
    "herm_lead_current": (_JAW,),
    "fan_capacitor_lead_current": (_JAW,),
    "blower_current": (_JAW,),
    "heat_strip_current": (_JAW,),
}  # fmt: skip

# Values that stand in for something else than was measured: derived value -> what for -> (half width in SI, share of
# the value, reason). "itself" is the value as a whole, "itself:..." one cause of several; the others are its inputs.
ITSELF = "itself"
_PORTS = {
    "liquid_service_pressure": (70e3, 0.0, "pressure drop from the compressor's discharge to the liquid port"),
    "vapor_service_pressure": (14e3, 0.0, "pressure drop from the vapor port to the compressor's suction"),
}
_MAP = {ITSELF: (0.0, 0.05, "a compressor differs from its map, which holds for a rated superheat (from memory)")}
_OIL = {"itself:oil": (0.0, 0.02, "oil in circulation carries heat and takes the refrigerant's place (from memory)")}
_LOSS = {"itself:heat_loss": (0.0, 0.053, "a compressor's shell loses 0 to 10 % of its power, 5 % taken (from memory)")}
_FAN = {"itself:fan": (0.0, 0.033, "the outdoor fan takes 5 to 11 % of the outdoor unit's power, 8 % taken")}
_CORRECTED = _MAP | {"itself:superheat": (0.0, 0.01, "correction of the map's flow for the suction's superheat")}
STAND_IN: Mapping[str, Mapping[str, tuple[float, float, str]]] = {
    "compression_ratio_estimate": _PORTS,
    "evaporator_temperature_difference": {
        "vapor_service_pressure": (14e3, 0.0, "pressure drop from the coil to the vapor port"),
    },
    **{f"compressor_map_{what}": _MAP for what in ("power", "mass_flow", "current")},
    **{f"compressor_map_{what}_estimate": _MAP | _PORTS for what in ("power", "mass_flow", "current")},
    "discharge_superheat_estimate": {"liquid_service_pressure": _PORTS["liquid_service_pressure"]},
    "discharge_enthalpy_estimate": {"liquid_service_pressure": _PORTS["liquid_service_pressure"]},
    **{
        f"refrigerant_{what}_from_{way}": terms
        for what in ("mass_flow", "capacity")
        for way, terms in (
            ("power", _LOSS | _OIL),
            ("power_estimate", _LOSS | _FAN | _OIL | _PORTS),
            ("map", _CORRECTED | _OIL),
            ("map_estimate", _CORRECTED | _OIL | _PORTS),
        )
    },
    "heat_strip_apparent_power_estimate": {
        "line_voltage": (7.2, 0.0, "3 % of 240 V: drop of the air handler's own wires, strips on"),
    },
    "airflow_from_rated_heat_rise": {ITSELF: (0.0, 0.08, "strips give more or less than their rated watts")},
    "cooling_efficiency_estimate": {ITSELF: (0.0, 0.10, "the blower's power is missing or taken from its rating")},
}


class Installed:
    """The installation effects at one point, ready to be asked for at each sample.

    `u(value, air)` is their combined standard uncertainty and `parts(value, air)` each by itself, SI; `air` is the
    outdoor air temperature [Cel], or None where it is not measured.
    """

    __slots__ = ("_fixed_var", "_moving", "_terms", "point")

    def __init__(self, point: str, terms: Iterable[InstallationTerm]) -> None:
        self.point = point
        self._terms = tuple(terms)
        self._moving = tuple(term for term in self._terms if term.share)
        self._fixed_var = sum((term.half_width / _SQRT3) ** 2 for term in self._terms if not term.share)

    def __bool__(self) -> bool:
        return bool(self._terms)

    @property
    def fixed(self) -> bool:
        """Whether `u` is the same for every reading."""
        return not self._moving

    @property
    def needs_air(self) -> bool:
        """Whether the outdoor air temperature bears on the effects here."""
        return any(term.of == OUTDOOR for term in self._moving)

    def u(self, value: float, air: float | None) -> float:
        """Combined standard uncertainty of the effects at this reading."""
        variance = self._fixed_var
        for term in self._moving:
            variance += _half_width(term, value, air) ** 2 / 3.0
        return math.sqrt(variance)

    def parts(self, value: float, air: float | None) -> dict[str, float]:
        """Standard uncertainty by source."""
        return {
            source("installation", f"{self.point}/{term.name}"): _half_width(term, value, air) / _SQRT3
            for term in self._terms
        }


def _half_width(term: InstallationTerm, value: float, air: float | None) -> float:
    if not term.share:
        return term.half_width
    apart = term.usual if air is None else value - air
    return term.half_width + term.share * abs(value if term.of == READING else apart)


def installed(point: str, edited: Mapping[str, tuple[InstallationTerm, ...]] | None = None) -> Installed:
    """The effects at a point (its instance does not matter): the table's, or those that the station edited."""
    base = point.partition(".")[0]
    terms = (edited or {}).get(base)
    return Installed(point, INSTALLATION.get(base, ()) if terms is None else terms)


def of_itself(name: str) -> bool:
    """Whether a row of STAND_IN is of the value as a whole, not of one of its inputs."""
    return name.partition(":")[0] == ITSELF


def stand_in_parts(derived: str, inputs: Iterable[str], partials: Iterable[float], value: float) -> dict[str, float]:
    """What a derived value owes to standing in for another, by source, SI; empty where it does not."""
    effects = _stand_in_effects(derived, inputs, partials, value)
    return {source("stand-in", f"{derived}/{name}"): effect for name, effect in effects}


def stand_in_variance(derived: str, inputs: Iterable[str], partials: Iterable[float], value: float) -> float:
    """The sum of the squares of `stand_in_parts`, without their names: asked for at each sample."""
    return sum([effect * effect for _, effect in _stand_in_effects(derived, inputs, partials, value)])


def _stand_in_effects(
    derived: str, inputs: Iterable[str], partials: Iterable[float], value: float
) -> list[tuple[str, float]]:
    slopes = dict(zip(inputs, partials, strict=True))
    return [
        (name, (share * value if itself else half_width * slopes.get(name, 0.0)) / _SQRT3)
        for name, itself, half_width, share in _stand_ins(derived)
    ]


@lru_cache(maxsize=512)
def _stand_ins(derived: str) -> tuple[tuple[str, bool, float, float], ...]:
    found = STAND_IN.get(derived.partition(".")[0], {})
    return tuple((name, of_itself(name), half_width, share) for name, (half_width, share, _reason) in found.items())
