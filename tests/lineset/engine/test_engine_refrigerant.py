"""Refrigerant added or removed: what had settled starts over, and a charge test waits its minutes again."""

from __future__ import annotations

from engine_entries import SYSTEM, Bench, unsettled
from msgspec.structs import replace

from lineset.contract import entry as e
from lineset.engine.assessing import evidence_of
from lineset.engine.fold import Engine
from lineset.equipment.nameplate import Nameplate

RATED = replace(SYSTEM, nameplate=Nameplate(subcooling_target_k=9.5 / 1.8))


def _verdicts(out: list[e.OutputBody], name: str) -> list[e.Checked]:
    return [each for each in out if isinstance(each, e.Checked) and each.name == name]


def _removed(bench: Bench) -> list[e.OutputBody]:
    return bench.push(
        e.RefrigerantHandled(system="main", action="removed", certified="certificate 0", mass_kg=0.1, text="100 g")
    )


def test_the_charge_is_judged_again_only_after_the_minutes_have_passed_anew() -> None:
    bench = Bench().open(systems=(RATED,)).place_all()
    bench.standing(20)
    out = bench.running(1300)
    assert _verdicts(out, "subcooling")[-1].state in ("pass", "fail", "advisory")
    system = bench.engine.state.systems["main"]
    since, epoch = system.run.since, system.run.epoch
    out = _removed(bench)
    assert {"subcooling", "total_superheat"} <= set(unsettled(out))
    assert "refrigerant was removed" in unsettled(out)["subcooling"].reason
    assert (system.run.since, system.run.epoch) == (
        since,
        epoch + 1,
    )  # it runs on; nothing older is paired with what comes
    assert evidence_of(bench.engine.state, system).since_touched_s == 0.0
    out = bench.running(600)
    last = _verdicts(out, "subcooling")[-1]
    assert last.state == "undecided"
    assert "refrigerant was added or removed" in last.would_decide
    out = bench.running(400)
    assert _verdicts(out, "subcooling")[-1].state in ("pass", "fail", "advisory")


def test_what_was_declared_of_a_steady_run_is_no_longer_so() -> None:
    bench = Bench().open(systems=(RATED,))
    bench.push(e.Declared(system="main", fact="steady_cooling"))
    bench.push(e.Declared(system="main", fact="panels_on"))
    _removed(bench)
    assert bench.engine.state.systems["main"].declared == {"panels_on": True}


def test_a_replay_and_a_snapshot_give_the_same() -> None:
    bench = Bench().open(systems=(RATED,)).place_all()
    bench.standing(20)
    bench.running(400)
    _removed(bench)
    snapshot = bench.engine.snapshot()
    cut = len(bench.inputs)
    bench.running(200)
    again = Bench(Engine("test"))
    for _seq, t, body in bench.inputs:
        again.push(body, t / 1e9)
    assert again.rows == bench.rows
    resumed = Engine.restore(snapshot)
    for seq, t, body in bench.inputs[cut:]:
        resumed.push(seq, t, body)
    assert resumed.state == bench.engine.state
