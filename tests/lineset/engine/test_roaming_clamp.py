"""A roaming clamp in the engine: every settled value belongs to the wire that the clamp was on, or it was asked."""

from __future__ import annotations

import random

import pytest
from engine_entries import CLAMP, GAUGES, PIPES, POWER, Bench
from msgspec.structs import replace

from lineset.contract import entry as e
from lineset.engine.fold import Engine
from lineset.engine.replay import replay
from lineset.engine.roaming import BY_READINGS
from lineset.equipment.system import system_record

SYSTEM = system_record(
    {
        "id": "main",
        "refrigerant": "R-410A",
        "metering_device": "txv",
        "nameplate": {
            "capacity_tons": 3.0,
            "compressor_rla_a": 14.1,
            "outdoor_fan_fla_a": 1.4,
            "herm_capacitor_uf": 45.0,
            "fan_capacitor_uf": 5.0,
            "blower_fla_a": 4.3,
        },
    }
)
# What the wires of an invented running system carry [A]
WIRES = {
    "compressor_common_current": 10.3,
    "outdoor_fan_current": 1.12,
    "herm_lead_current": 6.05,
    "fan_capacitor_lead_current": 0.66,
    "blower_current": 3.1,
}


class Van:
    """A bench that does what a station does: what the readings place goes on record as a placement."""

    def __init__(self) -> None:
        self.bench = Bench()
        clamp = replace(CLAMP, roams=True)
        self.bench.open(GAUGES, PIPES, POWER, clamp, systems=(SYSTEM,))
        for instrument, channel, point in (
            ("gauges", "low", "vapor_service_pressure"),
            ("gauges", "high", "liquid_service_pressure"),
            ("power", "power", "power"),
            ("power", "voltage", "line_voltage"),
        ):
            self.push(e.Placed(instrument=instrument, channel=channel, system="main", point=point))
        self.out: list[e.OutputBody] = []
        self.wire = ""
        self.settled: list[tuple[str, str]] = []  # (point, wire it was on)
        self.asked: list[e.Questioned] = []

    def push(self, body: e.InputBody) -> None:
        for out in self.bench.push(body):
            if isinstance(out, e.Settled) and out.instrument == "clamp":
                self.settled.append((out.name, self.wire))
            if isinstance(out, e.Questioned) and out.state == "open":
                self.asked.append(out)
            if isinstance(out, e.Questioned) and out.state == "taken":
                system, _, point = out.proposal.partition("/")
                self.push(
                    e.Placed(instrument=out.instrument, channel=out.channel, system=system, point=point, by=BY_READINGS)
                )

    def place(self, point: str) -> None:
        self.push(e.Placed(instrument="clamp", channel="current", system="main", point=point, by="technician"))

    def frame(self, **values: float) -> None:
        from lineset_drivers.frame import Sample

        samples = tuple(Sample(name, value, "") for name, value in values.items())
        self.push(e.Framed(instrument="clamp", raw=b"", samples=samples))

    def run(self, seconds: float, chance: random.Random) -> None:
        """The system runs, the clamp is where it is."""
        step = 0.4
        for _ in range(round(seconds / step)):
            self.bench.t_s += step
            for body in self._others(chance):
                self.push(body)
            amps = WIRES.get(self.wire, 0.0)
            noise = chance.gauss(0.0, 0.004 * amps) if amps else abs(chance.gauss(0.0, 0.01))
            self.frame(current=round(amps + noise, 2))

    def _others(self, chance: random.Random) -> list[e.InputBody]:
        from lineset_drivers.frame import Sample

        def framed(instrument: str, **values: float) -> e.Framed:
            return e.Framed(
                instrument=instrument, raw=b"", samples=tuple(Sample(name, v, "") for name, v in values.items())
            )

        return [
            framed("gauges", low=round(120 + chance.gauss(0, 0.1), 1), high=round(360 + chance.gauss(0, 0.2), 1)),
            framed("power", power=round(2500 + chance.gauss(0, 3)), voltage=round(240 + chance.gauss(0, 0.1), 1)),
        ]


@pytest.fixture
def van() -> Van:
    van = Van()
    van.run(60, random.Random(1))  # until it is known that it runs
    return van


def test_a_clear_wire_is_taken_and_settles_without_a_hand(van: Van) -> None:
    van.wire = "compressor_common_current"
    van.run(25, random.Random(2))
    assert ("compressor_common_current", "compressor_common_current") in van.settled
    van.wire = ""
    van.run(12, random.Random(3))
    channel = van.bench.engine.state.instruments["clamp"].channels["current"]
    assert channel.point == ""  # let go, and said so
    assert van.bench.engine.state.systems["main"].points["compressor_common_current"].held == pytest.approx(
        10.3, abs=0.1
    )


def test_a_small_current_is_asked_and_an_answer_places_it(van: Van) -> None:
    van.wire = "outdoor_fan_current"
    van.run(8, random.Random(4))
    van.wire = "fan_capacitor_lead_current"
    before = len(van.asked)
    van.wire = ""
    van.run(5, random.Random(5))
    van.wire = "fan_capacitor_lead_current"
    van.run(6, random.Random(6))
    if len(van.asked) > before:
        question = van.asked[-1]
        assert {"released", "both", "other"} <= {choice.id for choice in question.choices}
        van.push(e.Answered(question=question.id, answer="main/fan_capacitor_lead_current"))
        van.push(
            e.Placed(instrument="clamp", channel="current", system="main", point="fan_capacitor_lead_current", by="t")
        )
        assert van.bench.engine.state.questions == {}
    van.run(15, random.Random(7))
    assert all(point == wire for point, wire in van.settled)


@pytest.mark.parametrize("seed", range(12))
def test_every_settled_value_is_of_the_wire_it_was_on_or_was_asked(seed: int) -> None:
    chance = random.Random(seed)
    van = Van()
    van.run(60, chance)
    for _ in range(14):
        van.wire = chance.choice(list(WIRES))
        van.run(chance.uniform(5, 25), chance)
        for question in list(van.bench.engine.state.questions.values()):
            if chance.random() < 0.5:  # some questions are answered, as it is
                van.push(e.Answered(question=question.id, answer=f"main/{van.wire}"))
                van.push(
                    e.Placed(instrument="clamp", channel="current", system="main", point=van.wire, by="technician")
                )
        van.wire = ""
        if chance.random() < 0.3:  # the link drops while the clamp is moved
            van.bench.t_s += chance.uniform(1, 8)
        van.run(chance.uniform(1.5, 8), chance)
    assert [pair for pair in van.settled if pair[0] != pair[1]] == []
    assert van.settled
    assert list(replay(Engine("test"), van.bench.rows)) == []


def test_who_says_first_where_it_will_be_is_taken_at_his_word_until_it_lets_go(van: Van) -> None:
    van.place("blower_current")
    van.run(3, random.Random(0))
    van.wire = "blower_current"
    van.run(15, random.Random(1))
    assert van.settled == [("blower_current", "blower_current")]
    assert van.asked == []
    van.wire = ""
    van.run(4, random.Random(2))
    assert van.bench.engine.state.instruments["clamp"].channels["current"].point == ""
