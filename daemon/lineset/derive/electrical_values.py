"""Derived values of supply, motors, capacitors and heat strips."""

from __future__ import annotations

from lineset.derive import electrical_formulas as electrical
from lineset.derive import formulas
from lineset.derive.declared import Derived
from lineset_drivers.quantity import Quantity

Q = Quantity
_DEFINITION = "definition; common practice of the trade, no source"
_RATING = "a rating is not a target: compare with the maker's performance data at the same conditions"
_MARKING = "marking on the capacitor; definition"

ROWS = (
    Derived(
        "herm_capacitance_under_load", "HERM capacitance under load", ("herm_lead_current", "capacitor_herm_voltage"),
        Q.CAPACITANCE, "HERM lead current / (2 pi line frequency x volts across HERM and C)",
        "compressor running; current of the capacitor's own HERM lead (never the compressor's common conductor) and "
        "voltage across the capacitor's own terminals (never line voltage), both settled in the same run",
        "reactance of an ideal capacitor; common practice of the trade", formulas.capacitance_under_load,
        paired=True, needs_run=True,
    ),
    Derived(
        "fan_capacitance_under_load", "FAN capacitance under load",
        ("fan_capacitor_lead_current", "capacitor_fan_voltage"), Q.CAPACITANCE,
        "FAN lead current / (2 pi line frequency x volts across FAN and C)",
        "outdoor fan running; current of the capacitor's own FAN lead (never the fan's common conductor) and voltage "
        "across the capacitor's own terminals (never line voltage), both settled in the same run",
        "reactance of an ideal capacitor; common practice of the trade", formulas.capacitance_under_load,
        paired=True, needs_run=True,
    ),
    *(
        Derived(
            f"{load}_apparent_power", f"{title} apparent power", (current, "line_voltage"), Q.APPARENT_POWER,
            f"{current.replace('_', ' ')} x line voltage", validity, _DEFINITION, formulas.apparent_power,
            instanced=instanced, paired=True, needs_run=runs,
        )
        for load, title, current, validity, instanced, runs in (
            (
                "compressor", "compressor", "compressor_common_current", "single phase, running; not real power", (),
                True,
            ),
            ("outdoor_fan", "outdoor fan", "outdoor_fan_current", "single phase, running; not real power", (), True),
            ("blower", "blower", "blower_current", "blower fed from the measured line; not real power", (), False),
        )
    ),
    Derived(
        "heat_strip_apparent_power", "heat strip apparent power", ("heat_strip_current", "air_handler_voltage"),
        Q.APPARENT_POWER, "heat strip current x voltage where the air handler is fed",
        "one strip, energised; a resistance, so it is the real power too", _DEFINITION, formulas.apparent_power,
        instanced=("heat_strip_current",), paired=True,
    ),
    Derived(
        "heat_strip_apparent_power_estimate", "heat strip apparent power, from the outdoor unit's line voltage",
        ("heat_strip_current", "line_voltage"), Q.APPARENT_POWER, "heat strip current x line voltage",
        "one strip, energised; a resistance, so it is the real power too; an estimate: the air handler is fed by wires "
        "of its own, whose volts may differ by a few percent from those at the outdoor unit", _DEFINITION,
        formulas.apparent_power, instanced=("heat_strip_current",), paired=True, estimate=True,
    ),
    Derived(
        "outdoor_unit_apparent_power", "outdoor unit apparent power", ("outdoor_unit_current", "line_voltage"),
        Q.APPARENT_POWER, "outdoor unit current x line voltage", "single phase, running; not real power", _DEFINITION,
        formulas.apparent_power, paired=True, needs_run=True,
    ),
    Derived(
        "outdoor_unit_power_factor", "outdoor unit power factor", ("power", "outdoor_unit_current", "line_voltage"),
        Q.RATIO, "power / (outdoor unit current x line voltage)",
        "single phase, running; all three of the same conductors at the same moment", _DEFINITION,
        electrical.power_factor, paired=True, needs_run=True,
    ),
    Derived(
        "contactor_resistance", "contactor pole resistance", ("contactor_drop", "outdoor_unit_current"), Q.RESISTANCE,
        "voltage across one closed pole / outdoor unit current",
        "running; current of the same pole; a drop below the meter's resolution says only that it is small",
        _DEFINITION, electrical.resistance, paired=True, needs_run=True,
    ),
    Derived(
        "start_voltage_drop", "voltage drop at compressor start", ("line_voltage", "compressor_inrush_voltage"),
        Q.VOLTAGE, "line voltage - lowest line voltage at start",
        "lowest voltage caught by a meter's inrush or minimum function within half a second; an ordinary reading "
        "misses it", _DEFINITION, electrical.drop, paired=True,
    ),
    *(
        Derived(
            f"{load}_share_of_{rating}", f"{title} current over {rating.upper()}", (current,), Q.FRACTION,
            f"{current.replace('_', ' ')} / {rating.upper()} of the nameplate", f"{validity}; {_RATING}", _DEFINITION,
            electrical.share_of(f"{load}_{rating}_a", f"{load}_{rating}_a"), needs_run=runs,
            needs_nameplate=(f"{load}_{rating}_a",),
        )
        for load, rating, title, current, validity, runs in (
            (
                "compressor", "rla", "compressor", "compressor_common_current",
                "running; RLA is a rating from which wire and protection are sized", True,
            ),
            ("outdoor_fan", "fla", "outdoor fan", "outdoor_fan_current", "running, its blade and guard in place", True),
            (
                "blower", "fla", "blower", "blower_current",
                "running, panels on; a PSC blower draws less when air is restricted, a constant-airflow ECM more",
                False,
            ),
        )
    ),
    *(
        Derived(
            f"{name}_capacitance_under_load_over_rating", f"{name.upper()} capacitance under load over its rating",
            (f"{lead}_lead_current", f"capacitor_{name}_voltage"), Q.FRACTION,
            f"{name.upper()} capacitance under load / microfarads marked", "as the capacitance under load; no start "
            "assist connected, whose current would count", _MARKING,
            electrical.capacitance_share(f"{name}_capacitor_f", f"{name}_capacitor_uf"), paired=True, needs_run=True,
            needs_nameplate=(f"{name}_capacitor_f",),
        )
        for name, lead in (("herm", "herm"), ("fan", "fan_capacitor"))
    ),
    *(
        Derived(
            f"{name}_capacitance_over_rating", f"{title} capacitance on the bench over its rating",
            (f"{name}_capacitance",), Q.FRACTION, f"{title} capacitance / microfarads marked",
            "de-energised, discharged and isolated; near room temperature", _MARKING,
            electrical.share_of(f"{name}_capacitor_f", f"{name}_capacitor_uf"),
            needs_nameplate=(f"{name}_capacitor_f",),
        )
        for name, title in (("herm", "HERM"), ("fan", "FAN"), ("blower", "blower"))
    ),
    Derived(
        "heat_strip_share_of_expected", "heat strip current over that expected",
        ("heat_strip_current", "air_handler_voltage"), Q.FRACTION,
        "heat strip current / (strip's rated power x voltage / rated voltage squared)",
        "one strip, energised; a cold strip draws a few percent more; near nought a strip is open or not called for",
        "a resistance; definition", electrical.strip_share, instanced=("heat_strip_current",), paired=True,
        needs_nameplate=("heat_strip_w",), for_instance=electrical.strip_share_of,
    ),
    Derived(
        "heat_strips_expected_current", "current expected of all heat strips", ("air_handler_voltage",), Q.CURRENT,
        "sum of the strips' rated power x voltage / rated voltage squared",
        "all strips of the nameplate energised, warm; without the blower", "a resistance; definition",
        electrical.expected_strip_current, needs_nameplate=("heat_strip_w",),
    ),
    Derived(
        "voltage_unbalance", "voltage unbalance", ("line_voltage_ab", "line_voltage_bc", "line_voltage_ca"), Q.FRACTION,
        "largest deviation of a line voltage from the average / average",
        "three-phase unit, running, the three read within moments of each other",
        "NEMA MG 1, as quoted by several public pages", electrical.voltage_unbalance, paired=True,
    ),
)  # fmt: skip
