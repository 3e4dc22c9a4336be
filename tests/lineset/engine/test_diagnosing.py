"""Findings out of the engine: when they come, when they are withdrawn, and that a replay finds alike."""

from __future__ import annotations

import time

import msgspec
from engine_entries import GAUGES, PIPES, POWER, SYSTEM, WALL_NS, Bench, channel, kinds

from lineset.contract import entry as e
from lineset.engine import diagnosing
from lineset.engine.assessing import evidence_of
from lineset.engine.fold import Engine
from lineset.engine.replay import replay
from lineset.equipment.nameplate import Nameplate

AIR = e.Introduced(
    instrument="air",
    profile="p",
    profile_sha256="0",
    stale_after_s=5.0,
    channels=(
        *(channel(name, "temperature", "degF", absolute=0.5, resolution=0.1) for name in ("out", "back", "supply")),
        channel("rh", "relative_humidity", "%RH", absolute=2.0, resolution=0.1),
    ),
)
SOUND = msgspec.structs.replace(SYSTEM, nameplate=Nameplate(subcooling_target_k=5.5))


def bench() -> Bench:
    on = Bench()
    on.push(
        e.Opened(
            station="s", visit="v", wall_ns=WALL_NS, version="0", fingerprint="test", systems=(SOUND,), phase="before"
        )
    )
    for instrument in (GAUGES, PIPES, POWER, AIR):
        on.push(instrument)
    on.place_all()
    for name, where in (
        ("out", "outdoor_air_temperature"),
        ("back", "return_air_temperature"),
        ("supply", "supply_air_temperature"),
        ("rh", "return_air_humidity"),
    ):
        on.place("air", name, where)
    return on


def cool(on: Bench, seconds: float, *, high: float = 360.0, liquid: float = 98.0) -> list[e.OutputBody]:
    out: list[e.OutputBody] = []
    for n in range(round(seconds / 2.0)):
        wobble = (0.0, 0.1, 0.0, -0.1)[n % 4]
        on.t_s += 2.0
        out += on.frame("gauges", low=120.0 + wobble, high=high - wobble)
        out += on.frame("pipes", t1=52.0 + wobble, t2=liquid - wobble)
        out += on.frame("power", power=2800.0 + 10 * wobble, voltage=240.0 + wobble)
        out += on.frame("air", out=85.0 + wobble, back=75.0 - wobble, supply=56.0 + wobble, rh=50.0 + wobble)
    return out


def hot(on: Bench, seconds: float) -> list[e.OutputBody]:
    """The same system with its condensing pressure far up and its liquid warm: the coil rejects badly."""
    return cool(on, seconds, high=520.0, liquid=125.0)


def found(outputs: list[e.OutputBody]) -> list[e.Finding]:
    return [body for body in kinds(outputs, e.Finding) if isinstance(body, e.Finding)]


def test_an_ordinary_system_is_told_once_that_nothing_speaks_for_a_fault() -> None:
    on = bench()
    early = found(cool(on, 600))
    assert early == []  # the circuit is not judged before its fifteen minutes
    told = found(cool(on, 900))
    assert [(each.id, each.state) for each in told] == [("nothing_found", "open")]
    assert told[0].run_s >= 900.0
    assert found(cool(on, 600)) == []


def test_a_fault_that_comes_is_told_and_what_no_longer_holds_is_withdrawn() -> None:
    on = bench()
    cool(on, 1300)
    told = found(hot(on, 1500))
    assert ("nothing_found", "withdrawn") in [(each.id, each.state) for each in told]
    open_ = {each.id: each for each in told if each.state == "open"}
    assert "outdoor_coil" in open_
    last = open_["outdoor_coil"]
    assert last.rank == 1
    assert last.category == "air"
    assert any("condensing over outdoor air" in text for text in last.evidence)
    assert "maker's procedure" in last.caution
    back = found(cool(on, 1500))
    assert ("outdoor_coil", "withdrawn") in [(each.id, each.state) for each in back]


def test_what_was_found_stands_when_the_run_ends_and_goes_with_the_phase() -> None:
    on = bench()
    hot(on, 1500)
    assert found(on.standing(120)) == []
    on.push(e.Phased(phase="after"))
    state = on.engine.state.systems[SOUND.id]
    assert state.found == {}
    assert state.rest == {}


def test_a_replay_finds_alike_and_a_snapshot_keeps_what_was_told() -> None:
    on = bench()
    told = found(hot(on, 1500))
    assert told
    assert list(replay(Engine("test"), on.rows)) == []  # what was computed is what is on record
    restored = Engine.restore(on.engine.snapshot())
    assert restored.state.systems[SOUND.id].found == on.engine.state.systems[SOUND.id].found


def test_diagnosing_is_cheap() -> None:
    on = bench()
    hot(on, 1300)
    state = on.engine.state
    system = state.systems[SOUND.id]
    evidence = evidence_of(state, system)
    started = time.process_time()
    for _ in range(20):
        assert diagnosing.diagnosed(state, system, evidence, 15.0) == []  # nothing new is told again
    assert (time.process_time() - started) / 20 < 0.05


def sound_before(**values: float) -> e.Recalled:
    """The same system, sound, in the same weather, with the probes of an earlier visit."""
    usual = {
        "outdoor_air_temperature": 29.4, "return_air_temperature": 23.9, "return_air_humidity": 50.0,
        "supply_air_temperature": 13.3, "vapor_service_pressure": 827e3, "vapor_line_temperature": 11.1,
        "liquid_service_pressure": 2482e3, "liquid_line_temperature": 36.7, **values,
    }  # fmt: skip
    u = {"liquid_service_pressure": 14e3, "vapor_service_pressure": 7e3, "return_air_humidity": 2.0}
    return e.Recalled(
        system=SOUND.id,
        visit="spring-7",
        date="2026-05-02",
        journal="j",
        head="h",
        sound=True,
        reason="judged sound",
        values={name: (value, u.get(name, 0.3)) for name, value in usual.items()},
    )


def slowly_fouled(on: Bench, seconds: float) -> list[e.OutputBody]:
    """Condensing 3.5 K higher than when it was sound, subcooling much as it was."""
    return cool(on, seconds, high=392.0, liquid=104.9)


def test_a_slowly_fouled_coil_is_found_only_against_the_earlier_visit() -> None:
    on = bench()
    assert [each.id for each in found(slowly_fouled(on, 1500))] == ["nothing_found"]
    on = bench()
    on.push(sound_before())
    told = {each.id: each for each in found(slowly_fouled(on, 1500)) if each.state == "open"}
    assert "outdoor_coil" in told, told
    assert told["outdoor_coil"].rank == 1
    basis = "against this system's own earlier visit of 2026-05-02 (spring-7), judged sound then"
    assert told["outdoor_coil"].basis == basis
    assert list(replay(Engine("test"), on.rows)) == []
    restored = Engine.restore(on.engine.snapshot())
    assert restored.state.systems[SOUND.id].earlier == on.engine.state.systems[SOUND.id].earlier


def test_an_earlier_visit_that_was_not_sound_is_held_against_nothing() -> None:
    on = bench()
    on.push(msgspec.structs.replace(sound_before(), sound=False, reason="it was not judged sound"))
    on.push(msgspec.structs.replace(sound_before(), system="another"))
    told = found(slowly_fouled(on, 1500))
    assert [each.id for each in told] == ["nothing_found"]
    assert "own earlier" not in told[0].basis
