"""Tasks on record, what they disturb and restore, and a whole worklist done with entered values only."""

from __future__ import annotations

from dataclasses import replace

from engine_entries import NS, Bench, settled, unsettled
from hypothesis import given, settings
from hypothesis import strategies as st

from lineset.contract import entry as e
from lineset.engine import working
from lineset.engine.fold import Engine
from lineset.engine.replay import replay
from lineset.engine.sheets import missing_of, sheet_of, situation
from lineset.equipment.nameplate import Nameplate
from lineset.visit.tasks import PHASES, catalogue
from lineset.visit.wanted import OUT_OF_THE_WAY, clamp_order
from lineset.visit.worklist import sheet

ROWS = catalogue()
EARLIER = e.Recalled(
    system="main",
    visit="v0",
    date="2025-05-01",
    journal="j",
    head="h",
    sound=True,
    reason="sound",
    values={"subcooling": (5.0, 0.5)},
)
AIR = e.Introduced(
    instrument="air",
    profile="p",
    profile_sha256="0",
    stale_after_s=5.0,
    channels=(
        e.ChannelRecord(name="out", quantity="temperature", unit="degC", absolute=0.5, resolution=0.05),
        e.ChannelRecord(name="leaving", quantity="temperature", unit="degC", absolute=0.5, resolution=0.05),
    ),
)


def mark(bench: Bench, task: str, state: str = "done", note: str = "") -> list[e.OutputBody]:
    return bench.push(e.Marked(system="main", task=task, state=state, note=note))


def declare(bench: Bench, fact: str, value: bool = True) -> list[e.OutputBody]:
    return bench.push(e.Declared(system="main", fact=fact, value=value))


def enter(bench: Bench, point: str, value: float) -> list[e.OutputBody]:
    body = e.Entered(instrument="by-eye", system="main", point=point, value=value, half_width=0.01, text=str(value))
    return bench.push(body)


def the_system(bench: Bench):  # type: ignore[no-untyped-def]
    return bench.engine.state.systems["main"]


def test_a_washed_coil_is_wet_and_its_points_do_not_settle_until_it_is_said_to_be_dry() -> None:
    bench = Bench().open().place_all()
    bench.running(240.0)
    assert the_system(bench).points["liquid_service_pressure"].settled
    out = mark(bench, "wash_outdoor_coil", "begun")
    gone = unsettled(out)
    assert "top is lifted" in gone["liquid_service_pressure"].reason
    assert "subcooling" in gone, "what is computed from it neither"
    assert "line_voltage" not in gone
    out = bench.running(240.0)
    assert not {"liquid_service_pressure", "subcooling", "vapor_line_temperature"} & set(settled(out))
    mark(bench, "wash_outdoor_coil")
    mark(bench, "close_outdoor")
    out = bench.running(240.0)
    assert "liquid_service_pressure" not in settled(out)
    assert the_system(bench).points["liquid_service_pressure"].disturbed == "the outdoor coil is wet"
    assert the_system(bench).declared["panels_on"]
    declare(bench, "outdoor_coil_dry")
    restored = bench.t_s
    out = bench.running(240.0)
    found = settled(out)["liquid_service_pressure"]
    assert found.window_s <= bench.t_s - restored, "its window begins after the restoration"


def test_the_filter_is_back_when_its_task_is_done() -> None:
    bench = Bench().open().place_all()
    mark(bench, "filter", "begun")
    assert the_system(bench).declared["filter_in"] is False
    assert working.words_at(the_system(bench), "supply_static") == "the filter is out"
    mark(bench, "filter")
    assert the_system(bench).declared["filter_in"] is True
    assert not the_system(bench).disturbed


def test_a_task_that_was_begun_by_mistake_is_taken_back_with_what_it_disturbed() -> None:
    bench = Bench().open().place_all()
    mark(bench, "lock_out", "begun")
    assert set(the_system(bench).disturbed) == {"power_off", "outdoor_panel_off"}
    assert working.panel_open(bench.engine.state, the_system(bench))
    mark(bench, "lock_out", "undone")
    assert not the_system(bench).disturbed
    assert not working.panel_open(bench.engine.state, the_system(bench))


def test_a_task_written_down_late_opens_nothing_that_was_closed_since() -> None:
    bench = Bench().open().place_all()
    mark(bench, "blower_wheel")
    assert "indoor_panel_off" in the_system(bench).disturbed
    mark(bench, "close_indoor")
    mark(bench, "tighten_indoor")
    assert not the_system(bench).disturbed
    mark(bench, "tighten_indoor", "begun")
    assert "indoor_panel_off" in the_system(bench).disturbed, "who begins anew opens it"
    sheet = sheet_of(bench.engine.state, the_system(bench))
    assert next(item for item in sheet.items if item.id == "close_indoor").state == "todo"


def test_what_is_entered_while_it_is_disturbed_counts_for_nothing_and_nothing_before_counts_after() -> None:
    bench = Bench().open()
    enter(bench, "supply_air_temperature", 12.0)
    mark(bench, "filter", "begun")
    assert not settled(enter(bench, "supply_air_temperature", 13.0))
    mark(bench, "filter")
    assert the_system(bench).points["supply_air_temperature"].value is None
    assert settled(enter(bench, "supply_air_temperature", 12.5))


def test_a_coil_is_dry_when_the_condensers_rise_has_climbed_and_settled() -> None:
    bench = Bench().open(AIR, *_instruments()).place_all()
    bench.place("air", "out", "outdoor_air_temperature")
    bench.place("air", "leaving", "condenser_leaving_temperature")
    bench.running(130.0)
    declare(bench, "outdoor_coil_dry", value=False)
    assert "outdoor_coil_wet" in the_system(bench).disturbed

    def run(seconds: float, rise: float, to: float) -> None:
        for n in range(round(seconds)):
            wobble = (0.0, 0.05, 0.0, -0.05)[n % 4]
            leaving = 30.0 + rise + (to - rise) * n / seconds + wobble
            bench.running(1.0)
            bench.frame("air", out=30.0 - wobble, leaving=leaving)

    run(700.0, 6.0, 6.0)
    assert the_system(bench).run.state == "running"
    assert "outdoor_coil_wet" in the_system(bench).disturbed, "steady alone is no proof: soaked fins are steady, too"
    run(200.0, 6.0, 9.0)
    assert "outdoor_coil_wet" in the_system(bench).disturbed, "it still climbs"
    run(900.0, 9.0, 9.0)
    assert not the_system(bench).disturbed
    assert the_system(bench).declared["outdoor_coil_dry"]
    again(bench)


def _instruments() -> tuple[e.Introduced, ...]:
    from engine_entries import CLAMP, GAUGES, PIPES, POWER

    return GAUGES, PIPES, POWER, CLAMP


def again(bench: Bench) -> None:
    """A replay gives the same, and an engine restored from a snapshot stands where this one does."""
    assert not list(replay(Engine("test"), bench.rows))
    assert Engine.restore(bench.engine.snapshot()).state == bench.engine.state


MARKS = st.lists(
    st.one_of(
        st.tuples(st.sampled_from(sorted(ROWS.tasks)), st.sampled_from(["begun", "done", "skipped", "undone"])),
        st.tuples(
            st.sampled_from(["panels_on", "filter_in", "outdoor_coil_dry", "indoor_coil_dry"]),
            st.sampled_from(["yes", "no"]),
        ),
        st.tuples(st.just("phase"), st.sampled_from(PHASES)),
        st.tuples(st.just("enter"), st.sampled_from(["liquid_service_pressure", "supply_air_temperature", "power"])),
    ),
    max_size=30,
)


@given(MARKS)
@settings(max_examples=60, deadline=None)
def test_in_any_order_what_is_disturbed_never_settles_and_can_always_be_restored(marks: list[tuple[str, str]]) -> None:
    bench = Bench().open()
    system = the_system(bench)
    for n, (what, how) in enumerate(marks):
        bench.t_s = float(n)
        if what == "phase":
            bench.push(e.Phased(phase=how))
        elif what == "enter":
            out = enter(bench, how, 20.0)
            assert bool(settled(out)) == (not working.words_at(system, how))
        elif what in ROWS.tasks:
            mark(bench, what, how, "no time")
        else:
            declare(bench, what, value=how == "yes")
        for id_ in system.disturbed:
            for name in ROWS.disturbances[id_].points:
                assert working.words_at(system, name)
            if ROWS.disturbances[id_].fact:
                assert system.declared[ROWS.disturbances[id_].fact] is False
        sheet = sheet_of(bench.engine.state, system)
        assert 0 <= sheet.done <= sheet.total
        assert sheet.minutes_left >= 0.0
        assert sheet.next_sentence
        for id_ in system.disturbed:
            assert ROWS.disturbances[id_].says in sheet.missing
    for task in ("close_outdoor", "close_indoor", "power_back", "filter"):
        mark(bench, task)
    for fact in ("outdoor_coil_dry", "indoor_coil_dry"):
        declare(bench, fact)
    assert not system.disturbed
    assert not system.disturbed_points
    assert not any(place.disturbed for place in system.points.values())
    again(bench)


# Invented figures of a sound system, in SI.
READ = {
    "line_voltage": 240.0, "contactor_drop": 0.05, "compressor_common_current": 9.2, "herm_lead_current": 3.9,
    "capacitor_herm_voltage": 330.0, "outdoor_fan_current": 0.9, "fan_capacitor_lead_current": 0.6,
    "capacitor_fan_voltage": 340.0, "herm_capacitance": 45e-6, "fan_capacitance": 5e-6, "blower_capacitance": 7.5e-6,
    "outdoor_air_temperature": 31.0, "condenser_leaving_temperature": 39.0, "vapor_line_temperature": 12.0,
    "liquid_line_temperature": 36.0, "vapor_service_pressure": 8.6e5, "liquid_service_pressure": 24e5,
    "return_air_temperature": 24.0, "return_air_humidity": 50.0, "return_static": 60.0, "supply_static": 50.0,
    "supply_air_temperature": 13.5, "control_voltage": 26.0, "blower_current": 2.5,
}  # fmt: skip


def test_a_whole_worklist_is_done_with_entered_values_only() -> None:
    plate = Nameplate(compressor_motor="psc", outdoor_fan_motor="psc", blower_motor="psc", heat_strip_w=(5e3, 5e3))
    record = e.SystemRecord(id="main", refrigerant="R-410A", metering_device="txv", nameplate=plate)
    bench = Bench().open(systems=(record,))
    state, system = bench.engine.state, the_system(bench)
    done: list[str] = []
    minutes: list[float] = []
    for phase in ("before", "work", "drying", "after"):
        if phase != "before":
            bench.push(e.Phased(phase=phase))
        for _ in range(200):
            bench.t_s += 60.0
            sheet = sheet_of(state, system)
            minutes.append(sheet.minutes_left)
            if not sheet.next:
                break
            item = next(item for item in sheet.items if item.id == sheet.next and item.phase in (phase, sheet.phase))
            done.append(item.id)
            if item.kind == "task":
                mark(bench, item.id)
            else:
                assert settled(enter(bench, item.id, READ.get(item.id.partition(".")[0], 20.0))), item.sentence
        else:
            raise AssertionError("it never came to an end")
        left = [item for item in sheet.items if item.state not in OUT_OF_THE_WAY and item.phase == phase]
        assert not left, left
        if phase == "drying":
            assert "dry" in sheet.next_sentence
            for fact in ("outdoor_coil_dry", "indoor_coil_dry"):
                declare(bench, fact)
    assert sheet.done == sheet.total
    assert minutes[0] > 60.0
    assert minutes[-1] == 0.0
    assert not missing_of(state, system)
    assert sheet.next_sentence == "All is done and measured; the visit can be closed."
    for earlier, later in (
        ("lock_out", "capacitors_bench"),
        ("wash_outdoor_coil", "close_outdoor"),
        ("close_indoor", "power_back"),
        ("drain_pan_and_line", "safety_float"),
    ):
        assert done.index(earlier) < done.index(later)
    assert {"heat_strip_current.1", "heat_strip_current.2"} <= set(done)
    assert done.index("supply_air_temperature") < done.index("liquid_service_pressure"), "gauges come last"
    assert set(system.collected["after"].values()) == {"entered"}
    again(bench)


def test_gauges_stay_off_where_an_earlier_visit_is_known_and_nothing_gives_cause() -> None:
    bench = Bench().open()
    bench.push(EARLIER)
    names = ("return_air_temperature", "supply_air_temperature", "outdoor_air_temperature", "compressor_common_current")
    sheet = sheet_of(bench.engine.state, the_system(bench))
    assert sheet.gauges.sentence.startswith("Gauges wait")
    for name in names:
        enter(bench, name, READ[name])
    sheet = sheet_of(bench.engine.state, the_system(bench))
    assert not sheet.gauges.on
    assert sheet.gauges.sentence.startswith("Gauges stay off")
    row = next(item for item in sheet.items if item.id == "liquid_service_pressure")
    assert row.state == "not_needed"
    enter(bench, "outdoor_air_temperature", 8.0)
    told = sheet_of(bench.engine.state, the_system(bench)).gauges.sentence
    assert "55.0 degF" in told


def test_skipping_a_point_is_of_its_phase_and_keeps_the_reason() -> None:
    bench = Bench().open()
    mark(bench, "supply_air_temperature", "skipped", "no way into the plenum")
    sheet = sheet_of(bench.engine.state, the_system(bench))
    row = next(item for item in sheet.items if item.id == "supply_air_temperature")
    assert (row.state, row.sentence) == ("skipped", "Supply air: skipped, no way into the plenum.")
    bench.push(e.Phased(phase="after"))
    row = next(
        item for item in sheet_of(bench.engine.state, the_system(bench)).items if item.id == "supply_air_temperature"
    )
    assert row.state == "todo"
    told = missing_of(bench.engine.state, the_system(bench))
    assert "supply air temperature was not measured after the work" in told
    assert "supply air temperature was not measured before the work" not in told


def test_a_clamp_is_told_its_way_and_the_way_grows_shorter() -> None:
    bench = Bench().open().place_all()
    way = clamp_order(situation(bench.engine.state, the_system(bench)), ROWS)
    assert way.index("compressor_common_current") < way.index("outdoor_fan_current") < way.index("control_voltage")
    bench.place("clamp", "current", "compressor_common_current")
    bench.steady("clamp", 30.0, current=9.3)
    bench.place("clamp", "current", "outdoor_fan_current")
    bench.steady("clamp", 30.0, current=0.9)
    way = clamp_order(situation(bench.engine.state, the_system(bench)), ROWS)
    assert "outdoor_fan_current" not in way
    sheet = sheet_of(bench.engine.state, the_system(bench), "si")
    row = next(item for item in sheet.items if item.id == "outdoor_fan_current")
    assert row.state == "settled"
    assert "A, settled." in row.sentence


def test_a_point_whose_placement_is_asked_for_says_so() -> None:
    bench = Bench().open()
    now = replace(situation(bench.engine.state, the_system(bench)), questioned=frozenset({"outdoor_fan_current"}))
    row = next(item for item in sheet(now, ROWS).items if item.id == "outdoor_fan_current")
    assert row.state == "questioned"
    assert "out of the panel" in row.sentence


def test_a_slow_pair_of_hands_makes_the_rest_longer() -> None:
    def left(took_s: float) -> float:
        bench = Bench().open()
        for task in ("thermostat", "clearances", "duct_insulation"):
            mark(bench, task, "begun")
            bench.t_s += took_s
            mark(bench, task)
        assert bench.engine.state.t == round(bench.t_s * NS)
        return sheet_of(bench.engine.state, the_system(bench)).minutes_left

    assert left(240.0) > left(120.0) >= left(60.0)
