"""A heat pump in the engine: heating, a defrost and heating again are three runs; the charge says once why not."""

from __future__ import annotations

from engine_entries import Bench, channel, unsettled

from lineset.contract import entry as e
from lineset.engine.fold import Engine
from lineset.equipment.system import SystemRecord

PUMP = SystemRecord(id="main", refrigerant="R-410A", metering_device="txv", kind="split_heat_pump")
PROBES = e.Introduced(
    instrument="probes", profile="p", profile_sha256="0", stale_after_s=5.0,
    channels=(
        channel("vapor", "pressure_gauge", "psig", absolute=1.0, resolution=0.1),
        channel("liquid", "pressure_gauge", "psig", absolute=1.0, resolution=0.1),
        channel("power", "power", "W", reading_pct=0.5, resolution=1.0),
        channel("outdoor", "temperature", "degF", absolute=0.5, resolution=0.1),
        channel("back", "temperature", "degF", absolute=0.5, resolution=0.1),
        channel("supply", "temperature", "degF", absolute=0.5, resolution=0.1),
        channel("fan", "current", "A", reading_pct=2.0, resolution=0.01),
    ),
)  # fmt: skip
POINTS = {
    "vapor": "vapor_service_pressure", "liquid": "liquid_service_pressure", "power": "power",
    "outdoor": "outdoor_air_temperature", "back": "return_air_temperature", "supply": "supply_air_temperature",
    "fan": "outdoor_fan_current",
}  # fmt: skip
# invented, of the size that such equipment shows
HEATS = {
    "vapor": 355.0, "liquid": 345.0, "power": 2300.0, "outdoor": 36.0, "back": 68.0, "supply": 98.0, "fan": 1.1,
}  # fmt: skip
DEFROSTS = HEATS | {"vapor": 65.0, "liquid": 175.0, "power": 1700.0, "supply": 60.0, "fan": 0.0}


def _bench() -> Bench:
    bench = Bench().open(PROBES, systems=(PUMP,))
    for name, point in POINTS.items():
        bench.place("probes", name, point)
    return bench


def _runs(out: list[e.OutputBody]) -> list[tuple[str, str]]:
    return [(each.state, each.mode) for each in out if isinstance(each, e.RunChanged)]


def test_a_defrost_is_a_run_of_its_own_and_the_charge_says_once_why_it_is_not_judged() -> None:
    bench = _bench()
    out = bench.steady("probes", 600, **HEATS)
    assert _runs(out)[-1] == ("running", "heat")
    first = bench.engine.state.systems["main"].run.since
    defrost = bench.steady("probes", 60, **DEFROSTS)
    assert _runs(defrost) == [("defrost", "heat")]
    assert "in another mode" not in str([each.reason for each in unsettled(defrost).values()])
    assert any("defrost" in each.reason for each in unsettled(defrost).values())
    again = bench.steady("probes", 300, **HEATS)
    assert _runs(again) == [("running", "heat")]
    assert bench.engine.state.systems["main"].run.since > first
    charge = [each for each in (*out, *defrost, *again) if isinstance(each, e.Checked) and each.name == "charge"]
    assert [each.state for each in charge] == ["not_applicable"]
    assert "it heats" in charge[0].reason


def test_heating_a_defrost_and_a_snapshot_in_it_replay_alike() -> None:
    bench = _bench()
    bench.steady("probes", 200, **HEATS)
    bench.steady("probes", 30, **DEFROSTS)
    snapshot, cut = bench.engine.snapshot(), len(bench.inputs)
    bench.steady("probes", 60, **HEATS)
    again = Bench(Engine("test"))
    for _seq, t, body in bench.inputs:
        again.push(body, t / 1e9)
    assert again.rows == bench.rows
    resumed = Engine.restore(snapshot)
    for seq, t, body in bench.inputs[cut:]:
        resumed.push(seq, t, body)
    assert resumed.state == bench.engine.state
