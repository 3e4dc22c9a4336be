"""What each check and each cause means to somebody who lives in the house: plain sentences, without terms of the trade.

Trade knowledge: common practice, no source. `urgency` is of visit/observations.py: now, soon, next_visit, note.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple


class Plain(NamedTuple):
    """One subject: its sentence when in order, when low, when high; what that means; what to do; how urgent."""

    subject: str
    fine: str
    low: str
    high: str
    means: str
    next: str
    urgency: str


_CAPACITOR_NEXT = "Have this capacitor replaced by a licensed technician with one of the same rating."
_CHARGE_NEXT = (
    "Have a licensed technician look for the cause by the maker's procedure; refrigerant is not used up, so what is "
    "missing has leaked."
)
_MOTOR_NEXT = "Have the motor, its bearings and its wiring looked at by a licensed technician."
_SUPPLY_NEXT = "Have an electrician or the utility look at the supply and its connections."

_HERM = Plain(
    "the capacitor that helps the compressor to start and run",
    "The capacitor that helps the compressor to start and run is as strong as its marking says.",
    "The capacitor that helps the compressor to start and run has grown weaker than its marking allows.",
    "The capacitor that helps the compressor to start and run measures more than its marking allows.",
    "A capacitor that is off its marking makes the compressor start hard and run hot, and may stop it on a hot day.",
    _CAPACITOR_NEXT,
    "soon",
)
_FAN = Plain(
    "the capacitor of the outdoor fan",
    "The capacitor of the outdoor fan is as strong as its marking says.",
    "The capacitor of the outdoor fan has grown weaker than its marking allows.",
    "The capacitor of the outdoor fan measures more than its marking allows.",
    "A capacitor that is off its marking makes the fan turn weakly and its motor run hot.",
    _CAPACITOR_NEXT,
    "soon",
)
_BLOWER = Plain(
    "the capacitor of the indoor blower",
    "The capacitor of the indoor blower is as strong as its marking says.",
    "The capacitor of the indoor blower has grown weaker than its marking allows.",
    "The capacitor of the indoor blower measures more than its marking allows.",
    "A capacitor that is off its marking makes the blower turn weakly, so that less air is cooled.",
    _CAPACITOR_NEXT,
    "soon",
)

# name of a check -> the subject that it belongs to
SUBJECT: Mapping[str, str] = MappingProxyType(
    {
        "herm_capacitor_under_load": "herm_capacitor",
        "herm_capacitor_bench": "herm_capacitor",
        "fan_capacitor_under_load": "fan_capacitor",
        "fan_capacitor_bench": "fan_capacitor",
        "blower_capacitor_bench": "blower_capacitor",
        "superheat": "charge",
        "subcooling": "charge",
    }
)

CHECKS: Mapping[str, Plain] = MappingProxyType(
    {
        "herm_capacitor": _HERM,
        "fan_capacitor": _FAN,
        "blower_capacitor": _BLOWER,
        "charge": Plain(
            "the amount of refrigerant",
            "The amount of refrigerant agrees with what the unit asks for.",
            "The readings do not agree with the amount of refrigerant that the unit asks for.",
            "The readings do not agree with the amount of refrigerant that the unit asks for.",
            "With the wrong amount of refrigerant the unit cools less, costs more to run and wears faster. Air that is "
            "held back can look the same and is ruled out first.",
            _CHARGE_NEXT,
            "soon",
        ),
        "lowest_superheat": Plain(
            "the dryness of the gas that returns to the compressor",
            "The gas that returns to the compressor is dry, as it should be.",
            "The gas that returns to the compressor may carry liquid.",
            "The gas that returns to the compressor is warmer than usual.",
            "Liquid that reaches the compressor can destroy it.",
            "Have a licensed technician find out why before the next hot days.",
            "soon",
        ),
        "metering_device": Plain(
            "the valve that doses the refrigerant",
            "The valve that doses the refrigerant holds its setting.",
            "The valve that doses the refrigerant lets through more than it should.",
            "The valve that doses the refrigerant lets through less than it should.",
            "A valve that does not hold its setting costs cooling, and can harm the compressor.",
            "Have a licensed technician look at the valve and at what feeds it.",
            "soon",
        ),
        "split": Plain(
            "how much the air is cooled on its way through",
            "The air is cooled as much as it should be on its way through.",
            "The air is cooled less than it should be on its way through.",
            "The air is cooled more than it should be on its way through, which usually means that too little air "
            "passes.",
            "The house is cooled more slowly and at a higher cost than it could be.",
            "Have filter, coils and ducts looked at first, then the rest.",
            "soon",
        ),
        "compressor_amps": Plain(
            "the current of the compressor",
            "The compressor draws no more current than its rating.",
            "The compressor draws less current than usual.",
            "The compressor draws more current than its rating.",
            "A compressor that draws too much runs hot and may trip or fail.",
            "Have the compressor, its capacitor and the supply looked at by a licensed technician.",
            "soon",
        ),
        "outdoor_fan_amps": Plain(
            "the current of the outdoor fan",
            "The outdoor fan draws no more current than its rating.",
            "The outdoor fan draws less current than usual.",
            "The outdoor fan draws more current than its rating.",
            "A motor that draws too much runs hot and may fail.",
            _MOTOR_NEXT,
            "soon",
        ),
        "blower_amps": Plain(
            "the current of the indoor blower",
            "The indoor blower draws no more current than its rating.",
            "The indoor blower draws less current than usual.",
            "The indoor blower draws more current than its rating.",
            "A motor that draws too much runs hot and may fail.",
            _MOTOR_NEXT,
            "soon",
        ),
        "strip_amps": Plain(
            "the electric heat",
            "The electric heat draws the current that it should.",
            "The electric heat draws less current than it should: a part of it does not heat.",
            "The electric heat draws more current than it should.",
            "In winter the house may not get as warm as it should, or wiring may run hot.",
            "Have the electric heat looked at before winter.",
            "next_visit",
        ),
        "strips_off": Plain(
            "the electric heat while the unit cools",
            "The electric heat stays off while the unit cools.",
            "The electric heat stays off while the unit cools.",
            "The electric heat is on while the unit cools.",
            "The heat works against the cooling, and you pay for both.",
            "Leave the unit off until a licensed technician has found what switches the heat on.",
            "now",
        ),
        "line_voltage": Plain(
            "the voltage of the supply",
            "The voltage of the supply is within its usual range.",
            "The voltage of the supply is low.",
            "The voltage of the supply is high.",
            "Motors and electronics age faster on a voltage that is off.",
            _SUPPLY_NEXT,
            "soon",
        ),
        "voltage_unbalance": Plain(
            "the balance of the three phases",
            "The three phases of the supply are balanced.",
            "The three phases of the supply are balanced.",
            "The three phases of the supply are not balanced.",
            "Motors on an unbalanced supply run hot.",
            _SUPPLY_NEXT,
            "soon",
        ),
        "control_voltage": Plain(
            "the low voltage that controls the unit",
            "The low voltage that controls the unit is within its usual range.",
            "The low voltage that controls the unit is low.",
            "The low voltage that controls the unit is high.",
            "Switches and relays may drop out, so that the unit starts and stops by itself.",
            "Have the transformer and the control wiring looked at.",
            "soon",
        ),
        "contactor_drop": Plain(
            "the switch that turns the outdoor unit on",
            "The switch that turns the outdoor unit on makes good contact.",
            "The switch that turns the outdoor unit on makes good contact.",
            "The switch that turns the outdoor unit on makes poor contact.",
            "A worn switch runs hot, and may stick or fail.",
            "Have this switch (the contactor) replaced.",
            "soon",
        ),
        "static": Plain(
            "how freely the air moves through the ducts",
            "The air moves through filter, coil and ducts without undue resistance.",
            "The air moves through filter, coil and ducts without undue resistance.",
            "The air has to be pushed harder through filter, coil and ducts than is usual.",
            "Less air is cooled, the blower works harder, and rooms far away may stay warm.",
            "Change the filter, keep registers open, and have the ducts looked at.",
            "next_visit",
        ),
    }
)


class PlainCause(NamedTuple):
    """A cause in plain words: what may be so, what it means, what to do, how urgent."""

    says: str
    means: str
    next: str
    urgency: str


_READINGS = PlainCause(
    "One of the technician's own readings is in doubt.",
    "It says nothing about your unit; what rests on that reading was not judged.",
    "Nothing for you to do; the technician reads it again.",
    "note",
)
CAUSES: Mapping[str, PlainCause] = MappingProxyType(
    {
        "low_indoor_airflow": PlainCause(
            "The readings look like too little air through the indoor coil.",
            "The house is cooled more slowly, and the coil may ice over.",
            "Change the filter and open the registers; have coil, blower and ducts looked at.",
            "soon",
        ),
        "outdoor_coil": PlainCause(
            "The readings look like an outdoor coil that cannot get rid of its heat.",
            "The unit works harder and costs more to run, most of all on hot days.",
            "Keep the outdoor unit free of plants and dirt; have its coil and fan looked at.",
            "soon",
        ),
        "non_condensables": PlainCause(
            "The readings look like air in the refrigerant circuit.",
            "The unit works harder, cools less and wears faster.",
            "Have a licensed technician confirm it and follow the maker's procedure.",
            "soon",
        ),
        "liquid_line_restriction": PlainCause(
            "The readings look like something that holds the refrigerant back on its way to the indoor coil.",
            "The unit cools less than it could, and its compressor runs warm.",
            "Have a licensed technician find the place.",
            "soon",
        ),
        "compressor_valve_leak": PlainCause(
            "The readings look like a compressor that pumps less than it should.",
            "The unit cools less and costs more to run.",
            "Have a licensed technician confirm it against the maker's figures before anything is decided.",
            "soon",
        ),
        "high_charge": PlainCause(
            "The readings look like more refrigerant than the unit asks for.",
            "The unit works harder and costs more to run.",
            "Have a licensed technician follow the maker's charging procedure.",
            "soon",
        ),
        "low_charge": PlainCause(
            "The readings look like less refrigerant than the unit asks for.",
            "The unit cools less; refrigerant is not used up, so what is missing has leaked.",
            "Have a licensed technician look for the leak before refrigerant is added.",
            "soon",
        ),
        "heat_strips_while_cooling": PlainCause(
            CHECKS["strips_off"].high, CHECKS["strips_off"].means, CHECKS["strips_off"].next, "now"
        ),
        "supply_voltage": PlainCause(
            "The voltage of the supply is outside its usual range.",
            CHECKS["line_voltage"].means,
            _SUPPLY_NEXT,
            "soon",
        ),
        "failing_herm_capacitor": PlainCause(_HERM.low, _HERM.means, _HERM.next, "soon"),
        "failing_fan_capacitor": PlainCause(_FAN.low, _FAN.means, _FAN.next, "soon"),
    }
)
# a cause and a check that speak of the same thing: told once
SAME = MappingProxyType(
    {
        "failing_herm_capacitor": "herm_capacitor",
        "failing_fan_capacitor": "fan_capacitor",
        "heat_strips_while_cooling": "strips_off",
        "supply_voltage": "line_voltage",
        "low_charge": "charge",
        "high_charge": "charge",
    }
)


def cause(id_: str, category: str) -> PlainCause | None:
    """The plain words for a cause; None for one that has none."""
    if category == "instrument":
        return _READINGS
    return CAUSES.get(id_)


def sentences() -> tuple[str, ...]:
    """Every sentence of this module, for a catalogue of translations."""
    found: list[str] = []
    for plain in CHECKS.values():
        found += plain[:6]
    for each in (_READINGS, *CAUSES.values()):
        found += each[:3]
    return tuple(dict.fromkeys(found))
