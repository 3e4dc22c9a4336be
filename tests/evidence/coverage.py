"""Do 95 % intervals hold the truth? Simulated trials over every derived value, after JCGM 101:2008 (Monte Carlo).

    python tests/evidence/coverage.py [--trials N] [--seed N]

A trial: true readings, an invented but realistic kit of instruments whose errors are drawn as it states them (one
error a meter wherever channels or points share it), installation effects drawn as the table states them, the display
rounded, the barometer drawn from the weather. What the instruments show then goes through the same code as a visit's
readings: parts, budget, coverage factor. Counted is whether the interval holds the value at the true readings.

This is the model's coverage: it shows that the arithmetic is right and where first order is not enough. It says
nothing of whether field errors are as the model states them.
"""

from __future__ import annotations

import argparse
import math
import random
import sys
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import NamedTuple

from lineset.contract.entry import ChannelRecord
from lineset.derive.catalogue import CATALOGUE
from lineset.derive.declared import Context, Derived, NotDerivable
from lineset.derive.propagate import budget
from lineset.derive.sensitivity import CONTEXT, typical_readings
from lineset.equipment.points import POINTS
from lineset.measure.installation import OUTDOOR, STAND_IN, installed, of_itself
from lineset.measure.source import BY_LIMITS, coverage95, source, split
from lineset.measure.uncertainty import ChannelScale
from lineset_drivers.quantity import Quantity

Q = Quantity
ROOT3 = math.sqrt(3.0)


def _meter(instrument: str, channel: str, quantity: Quantity, unit: str, **more: float) -> ChannelScale:
    record = ChannelRecord(name=channel, quantity=quantity, unit=unit, **more)  # type: ignore[arg-type]
    return ChannelScale(record, instrument)


def _kit() -> dict[str, ChannelScale]:
    """Which channel reads each point. Invented; accuracies as common field instruments state them.

    Every current is read with one clamp and every voltage with one meter, one after the other; temperatures and
    static pressures have a channel each, whose errors go together in part.
    """
    one = {
        Q.CURRENT: _meter("clamp", "current", Q.CURRENT, "A", reading_pct=2.0, counts=5.0, resolution=0.01),
        Q.VOLTAGE: _meter("meter", "voltage", Q.VOLTAGE, "V", reading_pct=1.0, counts=5.0, resolution=0.01),
        Q.CAPACITANCE: _meter(
            "meter", "capacitance", Q.CAPACITANCE, "uF", reading_pct=2.0, counts=3.0, resolution=0.01
        ),
        Q.POWER: _meter("meter", "power", Q.POWER, "W", reading_pct=1.0, absolute=5.0, resolution=1.0),
        Q.AIR_SPEED: _meter("vane", "speed", Q.AIR_SPEED, "m/s", reading_pct=3.0, absolute=0.05, resolution=0.01),
        Q.VOLUME_FLOW: _meter("hood", "flow", Q.VOLUME_FLOW, "m3/h", reading_pct=3.0, absolute=10.0, resolution=1.0),
        Q.PRESSURE_ABSOLUTE: _meter("air", "barometer", Q.PRESSURE_ABSOLUTE, "Pa", absolute=150.0, resolution=10.0),
    }
    partly = {"shared": 0.3}
    each: dict[Quantity, tuple[str, str, dict[str, float]]] = {
        Q.TEMPERATURE: ("thermometer", "degC", {"absolute": 0.5, "resolution": 0.1} | partly),
        Q.PRESSURE_GAUGE: ("gauges", "psig", {"reading_pct": 0.5, "absolute": 1.0, "resolution": 0.1}),
        Q.RELATIVE_HUMIDITY: ("hygrometer", "%RH", {"absolute": 2.0, "resolution": 0.1}),
        Q.PRESSURE_DIFFERENCE: ("manometer", "Pa", {"reading_pct": 1.0, "absolute": 1.0, "resolution": 0.1} | partly),
    }  # fmt: skip
    kit = {}
    for name, point in POINTS.items():
        if point.quantity in one:
            kit[name] = one[point.quantity]
        elif point.quantity in each:
            instrument, unit, more = each[point.quantity]
            kit[name] = _meter(instrument, name, point.quantity, unit, **more)
    return kit


KIT = _kit()
SCATTER = 0.2  # of the accuracy's standard uncertainty: how well a settled window's mean is known, in these trials


class Scene(NamedTuple):
    """A derived value at true readings, and what to call it."""

    title: str
    derived: Derived
    readings: Mapping[str, float]
    context: Context = CONTEXT


class Coverage(NamedTuple):
    """How often the interval held the truth, how often it lay below or above it, and how often nothing was given."""

    trials: int
    inside: int
    below: int
    above: int
    refused: int
    half_width: float  # median, SI
    truth: float  # SI, at the true readings

    @property
    def share(self) -> float:
        """Share of the trials with a value in which the interval held the truth."""
        return self.inside / max(self.trials - self.refused, 1)


def typical_scenes() -> Iterator[Scene]:
    """Every derived value of the catalogue at its typical readings."""
    for derived in CATALOGUE.values():
        yield Scene(derived.name, derived, typical_readings(derived))


def hard_scenes() -> Iterator[Scene]:
    """Corners where a straight line is a poor picture of the formula, or a denominator is small."""

    def at(title: str, name: str, **readings: float) -> Scene:
        derived = CATALOGUE[name]
        return Scene(title, derived, dict(typical_readings(derived)) | readings)

    yield at("supply dew point in nearly saturated air (97 %)", "supply_dew_point", supply_air_humidity=97.0)
    yield at("supply wet bulb in nearly saturated air (97 %)", "supply_wet_bulb", supply_air_humidity=97.0)
    yield at("supply dew point in very dry air (8 %)", "supply_dew_point", supply_air_humidity=8.0)
    yield at("latent capacity of a coil that is almost dry", "latent_capacity",
             return_air_humidity=40.0, supply_air_humidity=78.0)  # fmt: skip
    yield at("sensible heat ratio at a small split", "sensible_heat_ratio",
             supply_air_temperature=21.0, supply_air_humidity=55.0)  # fmt: skip
    yield at("bypass factor at a small split", "bypass_factor", supply_air_temperature=19.0, supply_air_humidity=65.0)
    yield at("airflow from a small heat rise (6 K)", "airflow_from_heat_rise", supply_air_temperature=26.0)
    yield at("phase unbalance of a balanced supply", "voltage_unbalance",
             line_voltage_ab=208.0, line_voltage_bc=208.0, line_voltage_ca=208.0)  # fmt: skip
    yield at("contactor resistance at 1 A", "contactor_resistance", outdoor_unit_current=1.0, contactor_drop=0.01)
    yield at("FAN capacitance at 0.15 A", "fan_capacitance_under_load", fan_capacitor_lead_current=0.15)
    yield at("power factor near one", "outdoor_unit_power_factor", power=2870.0)
    yield at("superheat at very low suction (20 psig)", "total_superheat",
             vapor_service_pressure=138e3, vapor_line_temperature=5.0)  # fmt: skip
    yield at("bubble temperature near the curve's upper end (4.3 MPa)", "liquid_bubble_temperature",
             liquid_service_pressure=4.30e6)  # fmt: skip
    yield at("compression ratio at low suction (10 psig)", "compression_ratio", common_suction_pressure=69e3)
    yield at("temperature split near zero", "temperature_split", supply_air_temperature=23.8)


def cover(scene: Scene, trials: int, seed: int) -> Coverage:
    """Draw so many trials of one scene. The same seed gives the same trials."""
    draw = random.Random(f"{seed} {scene.title}")
    derived, names = scene.derived, scene.derived.inputs
    air = scene.readings.get(OUTDOOR)
    true = [scene.readings[name.partition(".")[0]] for name in names]
    # what each source does to each reading is a matter of the true readings
    effects = [_parts(name, value, air) for name, value in zip(names, true, strict=True)]
    inside = below = above = refused = 0
    widths, truth_at_rest = [], derived.compute(scene.context, true).value
    for _ in range(trials):
        drawn: dict[str, float] = {}
        shown = []
        for name, value, parts in zip(names, true, effects, strict=True):
            for key, effect in parts.items():
                kind = split(key)[0]
                if kind == "resolution":
                    continue  # the display rounds, below
                if key not in drawn:
                    drawn[key] = draw.uniform(-ROOT3, ROOT3) if kind in BY_LIMITS else draw.gauss(0.0, 1.0)
                value += effect * drawn[key]
            step = KIT[name.partition(".")[0]].resolution
            shown.append(round(value / step) * step if step else value)
        weather = draw.uniform(-ROOT3, ROOT3) * scene.context.barometric_u_pa
        real = replace(scene.context, barometric_pa=scene.context.barometric_pa + weather)
        try:
            truth = _truth(derived, real, true, draw)
            # the air that pipe clamps are compared with is itself as measured; its error is small beside the share
            parts_shown = [_parts(name, value, air) for name, value in zip(names, shown, strict=True)]
            found = budget(derived, scene.context, shown, parts_shown)
        except NotDerivable:
            refused += 1
            continue
        half = coverage95(found.parts) * found.u
        widths.append(half)
        if truth < found.value - half:
            above += 1
        elif truth > found.value + half:
            below += 1
        else:
            inside += 1
    widths.sort()
    return Coverage(
        trials, inside, below, above, refused, widths[len(widths) // 2] if widths else math.nan, truth_at_rest
    )


def _parts(name: str, value: float, air: float | None) -> dict[str, float]:
    scale = KIT[name.partition(".")[0]]
    parts = scale.parts(value, name) | installed(name).parts(value, air)
    accuracy = math.sqrt(sum(effect**2 for key, effect in parts.items() if key.startswith("accuracy ")))
    parts[source("repeatability", name)] = SCATTER * accuracy
    return parts


def _truth(derived: Derived, context: Context, true: list[float], draw: random.Random) -> float:
    """The value that the title names: for an estimate, of what was not measured."""
    elsewhere = STAND_IN.get(derived.name, {})
    values = list(true)
    for at, name in enumerate(derived.inputs):
        if name in elsewhere:
            values[at] += draw.uniform(-1.0, 1.0) * elsewhere[name][0]
    value = derived.compute(context, values).value
    for name in filter(of_itself, elsewhere):
        value *= 1.0 + draw.uniform(-1.0, 1.0) * elsewhere[name][1]
    return value


def _row(scene: Scene, found: Coverage) -> str:
    share = found.share
    given = found.trials - found.refused
    error = 1.96 * math.sqrt(max(share * (1.0 - share), 1e-9) / max(given, 1))
    mark = "" if 0.93 <= share <= 0.97 else "too few" if share < 0.93 else "more than asked"
    refused = f"{found.refused / found.trials:.1%}" if found.refused else ""
    cells = (
        scene.title, f"{found.truth:.4g} {scene.derived.si_unit}", f"{found.half_width:.2g}", f"{share:.1%}",
        f"{error:.1%}", f"{found.below / max(given, 1):.1%}", f"{found.above / max(given, 1):.1%}", refused, mark,
    )  # fmt: skip
    return "| " + " | ".join(cells) + " |"


HEAD = (
    "| value | true value | half width | holds the truth | +/- | interval below | above | refused | |\n"
    "|---|---|---|---|---|---|---|---|---|"
)


def main() -> int:
    """Print the evidence as Markdown."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=4000)
    parser.add_argument("--seed", type=int, default=20261125)
    asked = parser.parse_args()
    print(f"{asked.trials} trials a row, seed {asked.seed}; true value and half width (median) in SI units.\n")
    for title, scenes in (("At typical readings", typical_scenes()), ("In hard corners", hard_scenes())):
        print(f"### {title}\n\n{HEAD}")
        shares = []
        for scene in scenes:
            found = cover(scene, asked.trials, asked.seed)
            shares.append(found.share)
            print(_row(scene, found), flush=True)
        good = sum(0.93 <= share <= 0.97 for share in shares)
        print(f"\n{good} of {len(shares)} lie in 93 to 97 %; mean {sum(shares) / len(shares):.1%}.\n")
    print("This is the model's coverage, not the field's: it holds if errors are as instruments and table state them.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
