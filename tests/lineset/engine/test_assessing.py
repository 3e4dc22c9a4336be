"""Verdicts out of the engine: when they come, when they do not, and that a replay judges alike."""

from __future__ import annotations

import time

import msgspec
from engine_entries import CLAMP, GAUGES, PIPES, POWER, SYSTEM, WALL_NS, Bench, kinds

from lineset.contract import entry as e
from lineset.engine import assessing
from lineset.engine.fold import Engine
from lineset.engine.replay import replay
from lineset.equipment.nameplate import Nameplate

AIR = e.Introduced(
    instrument="air",
    profile="p",
    profile_sha256="0",
    stale_after_s=5.0,
    channels=(
        e.ChannelRecord(name="out", quantity="temperature", unit="degF", absolute=0.5, resolution=0.1),
        e.ChannelRecord(name="back", quantity="temperature", unit="degF", absolute=0.5, resolution=0.1),
        e.ChannelRecord(name="supply", quantity="temperature", unit="degF", absolute=0.5, resolution=0.1),
        e.ChannelRecord(name="rh", quantity="relative_humidity", unit="%RH", absolute=2.0, resolution=0.1),
    ),
)
# 360 psig of R-410A is 108 degF (bubble); 98 degF liquid: about 10 degF of subcooling
RATED = msgspec.structs.replace(SYSTEM, nameplate=Nameplate(subcooling_target_k=10 / 1.8))


def bench(system: e.SystemRecord = RATED, rules: str = "") -> Bench:
    found = Bench()
    opened = e.Opened(
        station="s", visit="v", wall_ns=WALL_NS, version="0", fingerprint="test", systems=(system,), phase="before",
        config={"rules": {"text": rules}},
    )  # fmt: skip
    found.push(opened)
    for instrument in (GAUGES, PIPES, POWER, CLAMP, AIR):
        found.push(instrument)
    found.place_all()
    for name, where in (
        ("out", "outdoor_air_temperature"), ("back", "return_air_temperature"), ("supply", "supply_air_temperature"),
        ("rh", "return_air_humidity"),
    ):  # fmt: skip
        found.place("air", name, where)
    return found


def cool(
    on: Bench, seconds: float, *, outdoor: float = 85.0, every: float = 2.0, high: float = 360.0
) -> list[e.OutputBody]:
    out: list[e.OutputBody] = []
    for n in range(round(seconds / every)):
        wobble = (0.0, 0.1, 0.0, -0.1)[n % 4]
        on.t_s += every
        out += on.frame("gauges", low=120.0 + wobble, high=high - wobble)
        out += on.frame("pipes", t1=52.0 + wobble, t2=98.0 - wobble)
        out += on.frame("power", power=2800.0 + 10 * wobble, voltage=240.0 + wobble)
        out += on.frame("air", out=outdoor + wobble, back=75.0 - wobble, supply=56.0 + wobble, rh=50.0 + wobble)
    return out


def verdicts(outputs: list[e.OutputBody]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for body in kinds(outputs, e.Checked):
        assert isinstance(body, e.Checked)
        found.setdefault(body.name, []).append(body.state)
    return found


def last(outputs: list[e.OutputBody], name: str) -> e.Checked:
    return [body for body in kinds(outputs, e.Checked) if isinstance(body, e.Checked) and body.name == name][-1]


def test_a_verdict_waits_for_the_fifteen_minutes_and_then_comes_by_itself() -> None:
    on = bench()
    early = cool(on, 600)
    assert verdicts(early)["subcooling"][-1] == "undecided"
    assert "15 minutes" in last(early, "subcooling").would_decide
    late = cool(on, 600)
    found = last(late, "subcooling")
    assert found.state == "pass"
    assert found.run_s >= 900.0
    assert found.target is not None
    assert (found.rule, found.unit) == ("simple_acceptance", "K")
    assert last(late, "charge").state == "pass"


def test_only_what_changed_is_told_and_judging_is_not_per_sample() -> None:
    on = bench()
    cool(on, 1100)
    again = cool(on, 600)
    assert not verdicts(again)


def test_a_cold_day_says_once_why_charge_cannot_be_judged() -> None:
    on = bench()
    told = verdicts(cool(on, 1500, outdoor=50.0))
    assert told["charge"][-1] == "not_applicable"
    assert "metering_device" in told
    assert not list(kinds(cool(on, 300, outdoor=50.0), e.Checked))


def test_a_fault_found_stands_when_the_run_ends_and_goes_with_the_phase() -> None:
    on = bench(msgspec.structs.replace(RATED, nameplate=Nameplate(subcooling_target_k=20 / 1.8)))
    assert last(cool(on, 1300), "subcooling").state == "fail"
    stopped = on.standing(120)
    assert any(isinstance(body, e.RunChanged) and body.state == "stopped" for body in stopped)
    assert "subcooling" not in verdicts(stopped)
    on.push(e.Phased(phase="after"))
    again = cool(on, 1300)
    assert last(again, "subcooling").phase == "after"
    assert last(again, "subcooling").state == "fail"


def test_what_stops_being_steady_in_the_same_run_is_taken_back_after_a_minute() -> None:
    on = bench()
    assert last(cool(on, 1300), "subcooling").state == "pass"
    out: list[e.OutputBody] = []
    for n in range(40):  # hunting by 20 psi, the system running on
        out += cool(on, 10, high=360.0 + (20.0 if n % 2 else -20.0))
    first = next(body for body in out if isinstance(body, e.Unsettled) and body.name == "subcooling")
    assert first.reason
    assert last(out, "subcooling").state == "undecided"
    assert "settled" in last(out, "subcooling").would_decide


def test_what_is_declared_is_weighed_and_holds_as_long_as_it_can_be_true() -> None:
    on = bench()
    assert last(cool(on, 1300), "subcooling").state == "pass"
    off = on.push(e.Declared(system="main", fact="panels_on", value=False))
    assert last(off, "subcooling").state == "not_applicable"
    back = on.push(e.Declared(system="main", fact="panels_on", value=True))
    assert last(back, "subcooling").state == "pass"
    assert not any("panels" in words for words in last(back, "subcooling").assumed)
    on.push(e.Declared(system="main", fact="gauges_open", value=False))
    on.push(e.Declared(system="main", fact="caps_on"))
    on.push(e.Phased(phase="drying"))
    assert on.engine.state.systems["main"].declared == {"panels_on": True, "caps_on": True}  # that of a moment is gone
    on.push(e.Phased(phase="work"))
    assert on.engine.state.systems["main"].declared == {"caps_on": True}  # work takes panels off
    on.push(e.Declared(system="main", fact="caps_on", value=None))
    assert on.engine.state.systems["main"].declared == {}


def test_a_shops_rules_on_record_are_judged_by() -> None:
    on = bench(
        rules='name = "ours"\n[preconditions]\nrun_minutes = 5\n[limits.subcooling]\nlow_f = -0.1\nhigh_f = 0.1\n'
    )
    found = last(cool(on, 500), "subcooling")
    assert found.state == "fail"
    assert found.source.startswith("ours")


def test_rules_that_cannot_be_read_any_more_are_said_in_each_verdict() -> None:
    on = bench(rules="[limits.gone]\nlow_f = 1\n")
    assert any("cannot be read" in words for words in last(cool(on, 1300), "subcooling").assumed)


def test_the_same_entries_judge_alike_also_from_a_snapshot() -> None:
    on = bench()
    cool(on, 500)
    snapshot, at = on.engine.snapshot(), on.seq
    on.push(e.Declared(system="main", fact="filter_in"))
    cool(on, 700)
    on.push(e.Phased(phase="after"))
    cool(on, 400)
    assert any(kind == "check" for _, _, kind, _ in on.rows)
    assert list(replay(Engine("test"), on.rows)) == []
    assert list(replay(Engine.restore(snapshot), [row for row in on.rows if row[0] > at])) == []


def test_an_entered_visit_can_be_judged_when_its_running_is_declared() -> None:
    on = Bench().open(systems=(RATED,))
    for point, value in (
        ("liquid_service_pressure", 360 * 6894.757), ("liquid_line_temperature", (98.0 - 32) / 1.8),
        ("outdoor_air_temperature", 29.0),
    ):  # fmt: skip
        on.push(
            e.Entered(instrument="by-eye", system="main", point=point, value=value, half_width=0.01 * value, text="")
        )
    told = on.push(e.Declared(system="main", fact="steady_cooling"))
    found = last(told, "subcooling")
    assert found.state in ("pass", "fail")
    assert any("entered liquid line temperature" in words for words in found.assumed)


def test_a_long_quiet_hour_costs_next_to_nothing() -> None:
    on = bench()
    cool(on, 1200)
    state = on.engine.state
    begin = time.process_time()  # what others do on the machine costs us nothing
    for _ in range(20_000):
        assessing.assess(state, e.Tick(), [])
    assert (time.process_time() - begin) / 20_000 < 20e-6


def test_two_heat_strips_are_each_checked_under_their_own_name() -> None:
    strips = msgspec.structs.replace(SYSTEM, nameplate=Nameplate(heat_strip_w=(4800.0, 4800.0)))
    on = Bench().open(systems=(strips,))
    on.push(e.Entered(instrument="by-eye", system="main", point="line_voltage", value=240.0, half_width=1.0, text=""))
    told: list[e.OutputBody] = []
    for instance in ("1", "2"):
        told += on.push(
            e.Entered(
                instrument="by-eye", system="main", point=f"heat_strip_current.{instance}", value=20.0, half_width=0.3,
                text="",
            )
        )  # fmt: skip
    assert set(verdicts(told)) == {"strip_amps.1", "strip_amps.2"}
    assert all(name.count(".") <= 1 for name in on.engine.state.systems["main"].derived)
