"""Checks of the refrigerant circuit and of the air: superheat, subcooling, metering device, split."""

from __future__ import annotations

import math
from dataclasses import replace

from lineset.assess import preconditions as pre
from lineset.assess.basis import Basis
from lineset.assess.check import Check, Reading, Wanting, joined_u, want, words_of
from lineset.assess.decision import Finding, find
from lineset.assess.demands import Demand, hygrometer, liquid_gauge, suction_gauge, thermometer
from lineset.assess.errors import AssessError
from lineset.assess.evidence import Evidence
from lineset.assess.limits import limit
from lineset.assess.rules import Rules
from lineset.assess.targets import (
    Target,
    WetBulb,
    return_wet_bulb,
    target_split,
    target_subcooling,
    target_superheat,
)
from lineset.equipment.asking import needs
from lineset_drivers.quantity import Quantity

_DIFFERENCE = Quantity.TEMPERATURE_DIFFERENCE
_VALVES = ("txv", "eev")
_ORIFICES = ("fixed_orifice", "capillary")
# Humidity of lived-in houses, %RH, from dry to damp: the range over which a split without humidity must agree before
# anything is said of it (common practice, no source; the damp end is where the same split changes its meaning).
HOUSE_HUMIDITY = (40.0, 65.0)


def _orifice(evidence: Evidence) -> str:
    device = evidence.system.metering_device
    if device in _ORIFICES:
        return ""
    if device in _VALVES:
        return "an expansion valve holds superheat itself: charge goes by subcooling"
    return needs("metering_device")


def _valve(evidence: Evidence) -> str:
    device = evidence.system.metering_device
    if device in _VALVES:
        return ""
    if device in _ORIFICES:
        return "with a fixed orifice charge goes by superheat, not by subcooling"
    return needs("metering_device")


def _confirmed(target: Target, table: str, rules: Rules) -> Target:
    if table not in rules.confirmed:
        return target
    return replace(target, basis=Basis.SHOP, source=f"{target.source}; compared with the document by {rules.name}")


def superheat_target(evidence: Evidence, rules: Rules) -> tuple[Target, tuple[Demand, ...]]:
    """Target superheat, and what its source asks of the instruments behind target and reading.

    Raises Wanting for what is not settled, AssessError where the table holds no target.
    """
    plate = evidence.system.nameplate.superheat_target_k
    if plate is not None:
        return Target(plate, 0.0, "the unit's nameplate", Basis.NAMEPLATE), _SUCTION
    outdoor = want(evidence, "outdoor_air_temperature")
    wet = return_wet_bulb(evidence)
    if wet is None:
        want(evidence, "return_air_temperature")
        want(evidence, "return_air_humidity", "return air humidity or wet bulb")
        raise Wanting("measure the return wet bulb")
    target = target_superheat(outdoor.value, wet.value, outdoor_u=outdoor.u, wet_bulb_u=wet.u)
    wick = evidence.settled("return_air_wet_bulb") is not None
    demands = (*_SUCTION, thermometer("outdoor_air_temperature"), *(_WICK if wick else _AIR))
    return _confirmed(target, "RA3.2-2", rules), demands


def split_target(evidence: Evidence, rules: Rules, wet: WetBulb) -> tuple[Target, float]:
    """Target split at the return's dry bulb and this wet bulb, and its slope by the return probe [K/K].

    The return probe bears on the split, on the target's dry bulb and on its wet bulb: the target's `u` counts it once.
    Raises Wanting for what is not settled, AssessError where the table holds no target.
    """
    dry = want(evidence, "return_air_temperature")
    target = _confirmed(target_split(dry.value, wet.value), "RA3.2-3", rules)
    by_wet = target.by["return_air_wet_bulb"]
    by_dry = target.by["return_air_temperature"] + by_wet * wet.by_dry_bulb
    own_wet = math.sqrt(max(wet.u**2 - (wet.by_dry_bulb * dry.u) ** 2, 0.0))
    u = math.sqrt(target.own_u**2 + (by_dry * dry.u) ** 2 + (by_wet * own_wet) ** 2)
    return replace(target, u=u), by_dry


def _superheat(evidence: Evidence, rules: Rules) -> Reading:
    value = want(evidence, "total_superheat")
    target, demands = superheat_target(evidence, rules)
    words = f"{words_of(value.value, _DIFFERENCE, value.u)} against {words_of(target.value, _DIFFERENCE, target.u)}"
    return Reading(value.value, value.u, _DIFFERENCE, target, joined_u(value.u, target.u), words=words, demands=demands)


def _lowest_superheat(evidence: Evidence, _rules: Rules) -> Reading:
    value = want(evidence, "total_superheat")
    return Reading(value.value, value.u, _DIFFERENCE, words=words_of(value.value, _DIFFERENCE, value.u))


def _subcooling(evidence: Evidence, _rules: Rules) -> Reading:
    value = want(evidence, "subcooling")
    target = target_subcooling(evidence.system)
    words = f"{words_of(value.value, _DIFFERENCE, value.u)} against {words_of(target.value, _DIFFERENCE)}"
    return Reading(value.value, value.u, _DIFFERENCE, target, joined_u(value.u, target.u), words=words)


def _split(evidence: Evidence, rules: Rules) -> Reading:
    value = want(evidence, "temperature_split")
    wet = return_wet_bulb(evidence)
    if wet is None:
        return _split_without_humidity(evidence, rules)
    dry = want(evidence, "return_air_temperature")
    target, by_dry = split_target(evidence, rules, wet)
    words = (
        f"{words_of(value.value, _DIFFERENCE, value.u)} against {words_of(target.value, _DIFFERENCE, target.u)} at "
        f"{words_of(dry.value, Quantity.TEMPERATURE)} return, wet bulb {words_of(wet.value, Quantity.TEMPERATURE)}"
    )
    return Reading(
        value.value, value.u, _DIFFERENCE, target, joined_u(value.u, target.u, by_dry * dry.u**2), words=words
    )


def _split_without_humidity(evidence: Evidence, rules: Rules) -> Reading:
    """What can be said without humidity: only what holds from a dry house to a damp one, and as advice."""
    value = want(evidence, "temperature_split")
    dry = want(evidence, "return_air_temperature")
    row = limit("split", rules.role, rules.limits)
    said: list[tuple[str, Finding]] = []
    for humidity in sorted({HOUSE_HUMIDITY[0], rules.settings.assumed_humidity, HOUSE_HUMIDITY[1]}):
        wet = return_wet_bulb(evidence, humidity)
        assert wet is not None
        try:
            target = target_split(dry.value, wet.value)
        except AssessError:
            continue
        finding = find(value.value - target.value, row.low, row.high)
        means = {Finding.HIGH: "suggests low airflow", Finding.LOW: "suggests low capacity"}.get(finding, "normal")
        said.append(
            (f"at {humidity:.0f} % humidity the target is {words_of(target.value, _DIFFERENCE)}: {means}", finding)
        )
    wet = return_wet_bulb(evidence, rules.settings.assumed_humidity)
    assert wet is not None
    target = target_split(dry.value, wet.value, return_u=dry.u, wet_bulb_u=wet.u)
    words = "; ".join(text for text, _ in said)
    if len({finding for _, finding in said}) > 1:
        raise Wanting(
            f"measure return air humidity or wet bulb: {words_of(value.value, _DIFFERENCE, value.u)} means different "
            f"things ({words})"
        )
    return Reading(
        value.value, value.u, _DIFFERENCE, target, joined_u(value.u, target.u), words=words, advice=True,
        assumed=(f"return air at {rules.settings.assumed_humidity:.0f} % humidity, which nobody measured",),
    )  # fmt: skip


_SUCTION = (thermometer("vapor_line_temperature"), suction_gauge("vapor_service_pressure"))
_AIR = (thermometer("return_air_temperature"), hygrometer("return_air_humidity"))
_WICK = (thermometer("return_air_wet_bulb"),)
_OPENS = "Gauges open the circuit: connect them only when the readings without them give cause."

SUPERHEAT = Check(
    "superheat", "superheat against target", ("total_superheat",), "superheat", _superheat, pre.CHARGE,
    (), _orifice, caution=_OPENS,
)  # fmt: skip
LOWEST_SUPERHEAT = Check(
    "lowest_superheat", "superheat never below the least", ("total_superheat",), "lowest_superheat", _lowest_superheat,
    (pre.COOLING,), _SUCTION, _orifice,
)  # fmt: skip
SUBCOOLING = Check(
    "subcooling", "subcooling against the nameplate", ("subcooling",), "subcooling", _subcooling, pre.CHARGE,
    (thermometer("liquid_line_temperature"), liquid_gauge("liquid_service_pressure")), _valve, caution=_OPENS,
)  # fmt: skip
METERING_DEVICE = Check(
    "metering_device", "superheat that the expansion valve holds", ("total_superheat",), "metering_device",
    _lowest_superheat, (pre.COOLING, pre.FULL_CAPACITY, pre.RUN_TIME, pre.PANELS, pre.FILTER), _SUCTION, _valve,
)  # fmt: skip
SPLIT = Check(
    "split", "temperature split against target", ("temperature_split",), "split", _split,
    (pre.COOLING, pre.FULL_CAPACITY, pre.RUN_TIME, pre.PANELS, pre.FILTER),
    (thermometer("return_air_temperature"), thermometer("supply_air_temperature")),
)  # fmt: skip
