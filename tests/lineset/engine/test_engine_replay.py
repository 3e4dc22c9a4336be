"""Replay gives the same outputs, entry for entry: from the start, from a snapshot at any cut, in another process."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from engine_entries import NS, Bench
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lineset.contract import entry as e
from lineset.engine.fold import Engine
from lineset.engine.replay import Difference, replay
from lineset.engine.state import decode
from lineset_drivers.frame import Sample


def a_visit() -> Bench:
    bench = Bench().open().place_all()
    bench.standing(30)
    bench.running(200)
    bench.place("clamp", "current", "herm_lead_current")
    bench.steady("clamp", 12, current=5.5)
    bench.place("clamp", "voltage", "capacitor_herm_voltage")
    bench.steady("clamp", 12, voltage=350.0)
    bench.running(60)
    bench.push(e.Phased(phase="after"))
    bench.push(e.Entered(instrument="eye", system="main", point="return_air_temperature", value=24.0, text="24 degC"))
    bench.running(100)
    bench.standing(20)
    bench.push(e.Closed(by="t"))
    return bench


@pytest.fixture(scope="module")
def visit() -> Bench:
    return a_visit()


def test_a_replay_gives_the_same_outputs(visit: Bench) -> None:
    kinds = {kind for _, _, kind, _ in visit.rows}
    assert {"settled", "unsettled", "run", "derived", "quality"} <= kinds
    assert list(replay(Engine("test"), visit.rows)) == []


def test_without_live_values_all_else_is_the_same(visit: Bench) -> None:
    engine, silent = Engine("test"), Engine("test", live=False)
    assert list(replay(silent, visit.rows)) == []
    for seq, t, kind, stored in visit.rows:
        if e.is_input(kind):
            engine.push(seq, t, e.decode(stored))  # type: ignore[arg-type]
    assert engine.snapshot() == silent.snapshot()
    assert engine.take_live()
    assert silent.take_live() == []


def test_a_replay_tells_what_was_altered_added_and_removed(visit: Bench) -> None:
    at = next(n for n, row in enumerate(visit.rows) if row[2] == "settled")
    seq, t, kind, stored = visit.rows[at]
    altered = [*visit.rows[:at], (seq, t, kind, stored.replace(b'"value":', b'"value":1')), *visit.rows[at + 1 :]]
    found = list(replay(Engine("test"), altered))
    assert [difference.seq for difference in found] == [seq]
    assert found[0].computed == stored
    removed = list(replay(Engine("test"), [*visit.rows[:at], *visit.rows[at + 1 :]]))
    assert removed
    added = list(replay(Engine("test"), [*visit.rows[: at + 1], (seq, t, kind, stored), *visit.rows[at + 1 :]]))
    assert Difference(seq, stored, None) in added or added


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cut=st.floats(0.0, 1.0))
def test_resuming_from_a_snapshot_at_any_cut_equals_the_full_replay(visit: Bench, cut: float) -> None:
    at = int(cut * (len(visit.inputs) - 1))
    first = Engine("test")
    for seq, t, body in visit.inputs[: at + 1]:
        first.push(seq, t, body)
    resumed = Engine.restore(first.snapshot())
    rest = [row for row in visit.rows if row[0] > visit.inputs[at][0]]
    # outputs of the entry at the cut itself belong to the part before it
    while rest and not e.is_input(rest[0][2]):
        rest.pop(0)
    assert list(replay(resumed, rest)) == []
    assert decode(resumed.snapshot()) == decode(visit.engine.snapshot())


@pytest.mark.parametrize("seed", ["0", "1", "4242"])
def test_another_process_with_another_hash_seed_gives_the_same(visit: Bench, tmp_path: Path, seed: str) -> None:
    rows = tmp_path / "rows.json"
    rows.write_text(json.dumps([[seq, t, kind, stored.decode()] for seq, t, kind, stored in visit.rows]))
    script = (
        "import json, sys\n"
        "from lineset.engine.fold import Engine\n"
        "from lineset.engine.replay import replay\n"
        "rows = [(s, t, k, b.encode()) for s, t, k, b in json.load(open(sys.argv[1]))]\n"
        "print(len(list(replay(Engine('test'), rows))))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(rows)],
        env={**os.environ, "PYTHONHASHSEED": seed},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert done.stdout.strip() == "0"


POINTS = ["vapor_service_pressure", "vapor_line_temperature", "herm_lead_current", "line_voltage", "power", ""]
CHANNELS = [("gauges", "low"), ("pipes", "t1"), ("clamp", "current"), ("clamp", "voltage"), ("power", "power")]
numbers = st.one_of(st.none(), st.floats(-1e4, 1e4), st.sampled_from([0.0, 5.5, 120.0, 240.0, 2800.0]))
framed = st.builds(
    lambda where, value, flag: e.Framed(instrument=where[0], raw=b"", samples=(Sample(where[1], value, "", flag),)),
    st.sampled_from([*CHANNELS, ("nobody", "x"), ("gauges", "nothing")]),
    numbers,
    st.sampled_from(["", "", "", "over_range", "invalid", "held"]),
)
placed = st.builds(
    lambda where, point: e.Placed(instrument=where[0], channel=where[1], system="main", point=point),
    st.sampled_from(CHANNELS),
    st.sampled_from(POINTS),
)
others = st.sampled_from(
    [
        e.Tick(),
        e.Phased(phase="after"),
        e.Entered(instrument="eye", system="main", point="vapor_service_pressure", value=8e5, text="8 bar"),
        e.InstrumentChanged(instrument="gauges", state="lost", reason="unplugged"),
        e.WallClock(wall_ns=1_790_000_000 * NS, step_ns=5),
        e.Resumed(gap_ns=NS, wall_ns=1_790_000_000 * NS, how="wall_time"),
        e.Overrun(instrument="clamp", loss="stream_dropped", count=3),
    ]
)


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(st.tuples(st.sampled_from([0.0, 0.1, 0.5, 2.0, 30.0, -0.2]), st.one_of(framed, placed, others))),
    cut=st.integers(0, 60),
)
def test_any_sequence_of_entries_replays_and_resumes_alike(steps: list[tuple[float, e.InputBody]], cut: int) -> None:
    bench = Bench().open().place_all()
    snapshot, at = bench.engine.snapshot(), bench.seq
    for n, (dt, body) in enumerate(steps):
        bench.push(body, max(bench.t_s + dt, 0.0))
        if n == cut:
            snapshot, at = bench.engine.snapshot(), bench.seq
    assert list(replay(Engine("test"), bench.rows)) == []
    resumed = Engine.restore(snapshot)
    assert list(replay(resumed, [row for row in bench.rows if row[0] > at])) == []
    assert decode(resumed.snapshot()) == decode(bench.engine.snapshot())
