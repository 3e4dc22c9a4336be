"""Invented visits to simulated systems, as evidence of a visit: faults, severities, weather, instruments that err.

The truth is a simulated plant's steady state. What the instruments make of it is drawn from the accuracy that they
state, with errors that last through the visit (one offset an instrument), contact and mixing errors, and a random kit:
not every visit has a discharge probe, a manometer or a reading of the standing pressures. Everything is invented.
"""

from __future__ import annotations

import hashlib
import json
import math
import random
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from lineset.assess.evidence import Evidence, Known
from lineset.equipment.nameplate import Nameplate
from lineset.equipment.system import SystemRecord
from lineset_simulators.plant import Plant
from lineset_simulators.plant_config import PlantConfig

PSI = 6894.757
# fault -> share of the visits
MIX: Mapping[str, float] = {
    "sound": 0.30,
    "low_charge": 0.10,
    "high_charge": 0.06,
    "low_indoor_airflow": 0.10,
    "outdoor_coil": 0.10,
    "liquid_line_restriction": 0.07,
    "compressor_valve_leak": 0.07,
    "non_condensables": 0.04,
    "herm_capacitor": 0.02,
    "fan_capacitor": 0.02,
    "strips_while_cooling": 0.02,
    "supply_voltage": 0.02,
    "wrong_port": 0.01,
    "swapped_line_probes": 0.01,
    "swapped_air_probes": 0.01,
    "vapor_gauge_off": 0.015,
    "liquid_gauge_off": 0.015,
    "vapor_line_probe_off": 0.01,
    "liquid_line_probe_off": 0.01,
    "clamp": 0.01,
}


@dataclass(frozen=True)
class Scene:
    """What one visit is about: the sound system, what is wrong with it, and how badly."""

    fault: str
    sound: PlantConfig
    faulty: PlantConfig
    strips: int = 0
    earlier_outdoor: float = 30.0
    earlier_return: float = 24.5
    earlier_humidity: float = 50.0


@dataclass(frozen=True)
class Visit:
    """One simulated visit: the truth that it was made from, and the evidence that a technician would hold."""

    number: int
    fault: str
    capacity_loss: float
    severity: str
    evidence: Evidence
    at_rest: Evidence | None
    earlier: tuple[Evidence, ...]


def scene(seed: int, number: int) -> Scene:
    """The scene of a visit, drawn from its seed and number alone."""
    draw = random.Random(f"scene/{seed}/{number}")
    fault = draw.choices(list(MIX), list(MIX.values()))[0]
    sound = PlantConfig(
        refrigerant=draw.choices(["R-410A", "R-454B", "R-22", "R-32", "R-407C"], [60, 15, 15, 5, 5])[0],
        metering=draw.choice(["orifice", "txv"]),
        capacity_w=draw.choice([7034.0, 8792.0, 10550.0, 12309.0, 14067.0, 17584.0]),
        charge_fraction=min(max(draw.gauss(1.0, 0.012), 0.97), 1.03),
        outdoor_coil_size=draw.uniform(0.85, 1.25),
        indoor_coil_size=draw.uniform(0.88, 1.15),
        filter_dirt=draw.uniform(0.0, 0.2),
        duct_restriction=draw.uniform(0.85, 1.15),
        elevation_m=draw.choice([0.0, 50.0, 190.0, 400.0, 900.0, 1500.0]),
        line_voltage=draw.uniform(234.0, 246.0),
        outdoor_air=draw.uniform(22.0, 41.0),
        return_air=draw.uniform(22.5, 27.0),
        return_humidity=draw.uniform(38.0, 62.0),
    )
    return Scene(
        fault,
        sound,
        _faulty(fault, sound, draw),
        strips=1 if fault == "strips_while_cooling" else 0,
        earlier_outdoor=draw.uniform(22.0, 41.0),
        earlier_return=draw.uniform(22.5, 27.0),
        earlier_humidity=draw.uniform(38.0, 62.0),
    )


def _faulty(fault: str, sound: PlantConfig, draw: random.Random) -> PlantConfig:
    if fault == "low_charge":
        return replace(sound, charge_fraction=draw.uniform(0.58, 0.93))
    if fault == "high_charge":
        return replace(sound, charge_fraction=draw.uniform(1.08, 1.4))
    if fault == "low_indoor_airflow":
        how = draw.choice(["filter", "coil", "ducts"])
        if how == "filter":
            return replace(sound, filter_dirt=draw.uniform(0.5, 0.86))
        if how == "coil":
            return replace(sound, indoor_coil_dirt=draw.uniform(0.3, 0.65))
        return replace(sound, duct_restriction=draw.uniform(2.0, 12.0))
    if fault == "outdoor_coil":
        if draw.random() < 0.5:
            return replace(sound, outdoor_coil_dirt=draw.uniform(0.3, 0.9))
        return replace(sound, outdoor_fan_loss=draw.uniform(0.2, 0.6))
    if fault == "liquid_line_restriction":
        low, high = (0.1, 0.42) if sound.metering == "orifice" else (0.4, 0.68)
        return replace(sound, liquid_line_restriction=draw.uniform(low, high))
    if fault == "compressor_valve_leak":
        return replace(sound, compressor_wear=draw.uniform(0.05, 0.4))
    if fault == "non_condensables":
        return replace(sound, non_condensables=draw.uniform(0.2, 0.9))
    if fault == "herm_capacitor":
        return replace(sound, herm_uf=45.0 * draw.uniform(0.6, 0.9))
    if fault == "fan_capacitor":
        return replace(sound, fan_uf=5.0 * draw.uniform(0.55, 0.88))
    if fault == "supply_voltage":
        return replace(sound, line_voltage=draw.choice([draw.uniform(172.0, 184.0), draw.uniform(258.0, 272.0)]))
    return sound


def steady(config: PlantConfig, strips: int = 0, cache: Path | None = None) -> dict[str, dict[str, float]]:
    """Truth at rest and after ten minutes of running: {"rest": ..., "run": ..., "capacity": ...}."""
    key = hashlib.sha256(json.dumps([asdict(config), strips, 1], sort_keys=True).encode()).hexdigest()[:24]
    file = None if cache is None else cache / f"{key}.json"
    if file is not None and file.exists():
        return dict(json.loads(file.read_text(encoding="utf-8")))
    plant = Plant(config, seed=7)
    rest = plant.points()
    plant.command("blower", True)
    plant.step(10.0)
    plant.command("outdoor_unit", True)
    plant.command("strips", strips)
    plant.step(600.0)
    told = {"rest": rest, "run": plant.points(), "more": {"capacity": plant.indoor.total_heat}}
    if file is not None:
        partial = file.with_suffix(f".{random.randrange(1 << 30)}")
        partial.write_text(json.dumps(told), encoding="utf-8")
        partial.replace(file)
    return told


# point -> (limit of error stated, standard uncertainty of contact or mixing), SI; typical instruments of the trade
ACCURACY: Mapping[str, tuple[float, float]] = {
    "vapor_service_pressure": (1.5 * PSI, 0.0),
    "liquid_service_pressure": (4.0 * PSI, 0.0),
    "vapor_line_temperature": (0.5, 0.3),
    "liquid_line_temperature": (0.5, 0.3),
    "discharge_line_temperature": (0.8, 1.0),
    "outdoor_air_temperature": (0.4, 0.3),
    "condenser_leaving_temperature": (0.4, 0.5),
    "return_air_temperature": (0.4, 0.2),
    "supply_air_temperature": (0.4, 0.35),
    "return_air_humidity": (3.0, 0.5),
    "return_static": (3.0, 1.0),
    "supply_static": (3.0, 1.0),
    "filter_drop": (3.0, 1.0),
    "coil_drop": (3.0, 1.0),
    "line_voltage": (2.5, 0.0),
    "barometric_pressure": (200.0, 0.0),
}
_ELECTRICAL = ("line_voltage", "compressor_common_current", "outdoor_fan_current", "power")
_CURRENT_PART, _VOLTAGE_PART = 0.02, 0.01  # limits of error as a part of the reading


class Kit:
    """The instruments of one visit: which points they reach, and by how much each is off."""

    def __init__(self, draw: random.Random) -> None:
        self._draw = draw
        self._off = {point: draw.uniform(-limit, limit) for point, (limit, _) in ACCURACY.items()}
        self._part = {name: draw.uniform(-1.0, 1.0) for name in ("clamp", "volts")}
        self.points = {
            "vapor_service_pressure", "liquid_service_pressure", "vapor_line_temperature", "liquid_line_temperature",
            "outdoor_air_temperature", "return_air_temperature", "return_air_humidity", "supply_air_temperature",
        }  # fmt: skip
        if draw.random() < 0.7:
            self.points.add("discharge_line_temperature")
        if draw.random() < 0.5:
            self.points.add("condenser_leaving_temperature")
        if draw.random() < 0.6:
            self.points |= {"return_static", "supply_static", "filter_drop", "coil_drop"}
        if draw.random() < 0.5:
            self.points.add("barometric_pressure")
        self.electrical = draw.random() < 0.8
        self.stood = draw.random() < 0.7

    def reads(self, truth: Mapping[str, float]) -> dict[str, tuple[float, float]]:
        """Point -> (value as read, standard uncertainty as stated)."""
        out: dict[str, tuple[float, float]] = {}
        for point in sorted(self.points):
            limit, more = ACCURACY[point]
            value = truth[point] + self._off[point] + (self._draw.gauss(0.0, more) if more else 0.0)
            out[point] = (value, math.hypot(limit / math.sqrt(3.0), more))
        if self.electrical:
            for point in ("line_voltage", "capacitor_herm_voltage", "capacitor_fan_voltage"):
                out[point] = self._scaled(truth[point], "volts", _VOLTAGE_PART)
            names = [name for name in truth if name.endswith("_current") or name.startswith("heat_strip_current")]
            for point in (*names, "herm_lead_current", "fan_capacitor_lead_current"):
                value, u = self._scaled(truth[point], "clamp", _CURRENT_PART)
                out[point] = (max(value, 0.0), math.hypot(u, 0.03))
            out["power"] = self._scaled(truth["power"], "clamp", _CURRENT_PART)
        return out

    def _scaled(self, value: float, what: str, part: float) -> tuple[float, float]:
        return value * (1.0 + part * self._part[what]), abs(value) * part / math.sqrt(3.0)


def _spoil(fault: str, run: dict[str, float], rest: dict[str, float], kit: Kit, draw: random.Random) -> None:
    """What an instrument fault does to what the instruments touch."""

    def swap(one: str, other: str) -> None:
        for truth in (run, rest):
            truth[one], truth[other] = truth[other], truth[one]

    if fault == "wrong_port":
        swap("vapor_service_pressure", "liquid_service_pressure")
    elif fault == "swapped_line_probes":
        swap("vapor_line_temperature", "liquid_line_temperature")
    elif fault == "swapped_air_probes":
        swap("return_air_temperature", "supply_air_temperature")
    elif fault in ("vapor_gauge_off", "liquid_gauge_off"):
        point = "vapor_service_pressure" if fault == "vapor_gauge_off" else "liquid_service_pressure"
        size = draw.uniform(5.0, 14.0) if fault == "vapor_gauge_off" else draw.uniform(14.0, 35.0)
        off = draw.choice([-1.0, 1.0]) * size * PSI
        run[point] += off
        rest[point] += off
    elif fault in ("vapor_line_probe_off", "liquid_line_probe_off"):
        point = fault.removesuffix("_probe_off") + "_temperature"
        felt = draw.uniform(0.0, 0.3)
        run[point] = run["outdoor_air_temperature"] + felt * (run[point] - run["outdoor_air_temperature"])
    elif fault == "clamp":
        kit.electrical = True
        run["compressor_common_current"] = 0.02


# a fault counts as moderate when it costs 10 % of capacity; these cost less or none, and have a size of their own
_SIZES: Mapping[str, tuple[str, float]] = {
    "high_charge": ("charge_fraction", 1.2),
    "non_condensables": ("non_condensables", 0.5),
}


def visit(seed: int, number: int, *, own: bool, cache: Path | None = None) -> Visit:
    """One visit; with `own` there is one earlier visit to the same system, then sound, in other weather."""
    play = scene(seed, number)
    draw = random.Random(f"visit/{seed}/{number}")
    sound = steady(play.sound, 0, cache)
    faulty = sound if play.faulty == play.sound and not play.strips else steady(play.faulty, play.strips, cache)
    rated = steady(
        replace(play.sound, charge_fraction=1.0, outdoor_air=35.0, return_air=26.7, return_humidity=51.0), 0, cache
    )
    run, rest = dict(faulty["run"]), dict(faulty["rest"])
    loss = 1.0 - faulty["more"]["capacity"] / sound["more"]["capacity"]
    kit = Kit(draw)
    if play.fault in ("herm_capacitor", "fan_capacitor", "strips_while_cooling", "supply_voltage"):
        kit.electrical = True  # without these readings nobody can know
    _spoil(play.fault, run, rest, kit, draw)
    record = SystemRecord(
        id="s1",
        refrigerant=play.sound.refrigerant,
        metering_device="txv" if play.sound.metering == "txv" else "fixed_orifice",
        altitude_m=play.sound.elevation_m,
        nameplate=Nameplate(
            subcooling_target_k=_subcooling(rated["run"], play.sound) if play.sound.metering == "txv" else None,
            herm_capacitor_f=45e-6,
            fan_capacitor_f=5e-6,
        ),
    )
    evidence = _evidence(record, kit, run, "running", "before")
    at_rest = _evidence(record, kit, rest, "stopped", "at_rest") if kit.stood else None
    earlier: tuple[Evidence, ...] = ()
    if own:
        other = replace(
            play.sound,
            outdoor_air=play.earlier_outdoor,
            return_air=play.earlier_return,
            return_humidity=play.earlier_humidity,
        )
        earlier = (_evidence(record, Kit(draw), steady(other, 0, cache)["run"], "running", "after"),)
    return Visit(number, play.fault, loss, _severity(play, loss), evidence, at_rest, earlier)


def _severity(play: Scene, loss: float) -> str:
    if play.fault == "sound":
        return "sound"
    if play.fault in _SIZES:
        knob, least = _SIZES[play.fault]
        return "large" if getattr(play.faulty, knob) >= least else "slight"
    if play.sound == play.faulty or play.fault in ("herm_capacitor", "fan_capacitor", "supply_voltage"):
        return "plain"
    return "moderate" if loss >= 0.10 else "slight"


def _subcooling(points: Mapping[str, float], config: PlantConfig) -> float:
    plant = Plant(config)
    bubble = plant.refrigerant.temperature_bubble(points["liquid_service_pressure"] + plant.atmosphere)
    return round((bubble - points["liquid_line_temperature"]) * 1.8) / 1.8  # a nameplate prints whole degF


def _evidence(record: SystemRecord, kit: Kit, truth: Mapping[str, float], run: str, phase: str) -> Evidence:
    reads = kit.reads(truth)
    values = {name: Known(value, u, phase=phase) for name, (value, u) in reads.items()}
    for name, lead, across in (
        ("herm_capacitance_under_load", "herm_lead_current", "capacitor_herm_voltage"),
        ("fan_capacitance_under_load", "fan_capacitor_lead_current", "capacitor_fan_voltage"),
    ):
        if run == "running" and lead in reads and reads[across][0] > 90.0:
            (amperes, u_amperes), (volts, u_volts) = reads[lead], reads[across]
            farads = amperes / (2.0 * math.pi * 60.0 * volts)
            u = farads * math.hypot(u_amperes / max(amperes, 1e-9), u_volts / volts)
            values[name] = Known(farads, u, phase=phase, origin="derived", inputs=(lead, across))
    mode = "cool" if run == "running" else ""
    return Evidence(record, phase=phase, run=run, mode=mode, run_s=1200.0, values=values)
