"""From entries to spoken sentences: what a technician hears of a visit, in order, and the same in a replay."""

from __future__ import annotations

from engine_entries import SYSTEM, Bench

from lineset.contract import entry as e
from lineset.engine.fold import Engine
from lineset.engine.replay import replay


def heard(outputs: list[e.OutputBody]) -> list[str]:
    return [each.text for each in outputs if isinstance(each, e.Cued)]


def test_a_visit_is_heard_and_a_replay_says_the_same() -> None:
    bench = Bench().open().place_all()
    out = bench.standing(60)
    out += bench.running(400)
    out += bench.push(e.Phased(phase="work"))
    bench.t_s += 30
    out += bench.push(e.Tick())
    said = heard(out)
    assert any("settled" in each for each in said)
    assert any(each.startswith("Work: lock out") for each in said)
    numbers = [each.n for each in out if isinstance(each, e.Cued)]
    assert numbers == sorted(set(numbers))
    assert list(replay(Engine("test"), bench.rows)) == []


def test_a_clamp_on_a_wire_hears_that_it_may_move_on() -> None:
    bench = Bench().open().place_all()
    bench.running(120)
    bench.place("clamp", "current", "outdoor_fan_current")
    out: list[e.OutputBody] = []
    for _ in range(40):
        out += bench.steady("clamp", 1, current=1.42)
    assert [each for each in heard(out) if "Outdoor fan current settled: 1.4" in each and "move on" in each]


def test_nothing_is_said_while_a_panel_is_declared_open() -> None:
    bench = Bench().open().place_all()
    bench.push(e.Declared(system="main", fact="panel_open"))
    out = bench.standing(60) + bench.push(e.Phased(phase="after")) + bench.running(300)
    assert heard(out) == []
    bench.push(e.Declared(system="main", fact="panel_open", value=False))
    assert heard(bench.push(e.Phased(phase="work"))) != []


def test_a_refrigerant_that_burns_is_said_when_the_visit_is_opened() -> None:
    bench = Bench()
    burning = e.SystemRecord(id="main", refrigerant="R-32", metering_device="txv")
    bench.push(e.Opened(station="s", visit="v", wall_ns=1, version="0", fingerprint="f", systems=(burning,)))
    bench.t_s = 1.5
    bench.push(e.Tick())
    told = bench.rows
    texts = [b.text for b in (e.decode(row[3]) for row in told) if isinstance(b, e.Cued)]
    assert [each for each in texts if "R-32 burns, class A2L" in each]


def test_spanish_and_si_are_said_when_the_visit_is_so() -> None:
    bench = Bench()
    bench.push(
        e.Opened(
            station="s", visit="v", wall_ns=1, version="0", fingerprint="f", systems=(SYSTEM,), phase="before",
            config={"language": "es", "units": "si"},
        )
    )  # fmt: skip
    out = bench.push(e.Phased(phase="work"))
    spoken = [each for each in out if isinstance(each, e.Cued)]
    assert [each.language for each in spoken] == ["es"]
    assert spoken[0].text.startswith("Trabajo:")


def test_it_is_quiet_when_told_so_and_repeats_when_asked() -> None:
    bench = Bench().open().place_all()
    bench.push(e.Commanded(request="r1", verb="cues", args={"level": "quiet"}))
    assert heard(bench.standing(60) + bench.running(200)) == []
    first = heard(bench.push(e.Phased(phase="work")))
    assert len(first) == 1
    assert heard(bench.push(e.Commanded(request="r2", verb="cues", args={"repeat": True}))) == first


def test_an_instrument_that_falls_silent_and_comes_back_is_told() -> None:
    bench = Bench().open().place_all()
    bench.standing(20)
    bench.push(e.InstrumentChanged(instrument="gauges", state="lost", reason="no answer for 30 s"))
    bench.t_s += 20
    out = bench.push(e.Tick())
    bench.push(e.InstrumentChanged(instrument="gauges", state="linked", reason="answers"))
    bench.t_s += 20
    out += bench.push(e.Tick())
    texts = [b.text for b in (e.decode(row[3]) for row in bench.rows) if isinstance(b, e.Cued)]
    assert any("Gauges gives nothing" in each for each in texts)
    assert texts[-1] == "Gauges is back."
