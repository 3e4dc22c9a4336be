"""The worklist's rows as data: whole, in order, each caution where a hand goes, each disturbance with what ends it."""

from __future__ import annotations

import pytest

from lineset.equipment.nameplate import Nameplate
from lineset.equipment.points import POINTS, point
from lineset.equipment.system import SystemRecord
from lineset.visit import words_worklist as words
from lineset.visit.observations import sign
from lineset.visit.tasks import PHASES, TASK_STOPS, Catalogue, WorklistError, catalogue, read_worklist
from lineset_drivers.quantity import Quantity

ROWS = catalogue()
A2L = SystemRecord(id="main", refrigerant="R-454B", metering_device="txv")
A1 = SystemRecord(id="main", refrigerant="R-410A", metering_device="txv")

# What a visit has to cover at least (the list that this project set itself).
COVERED = (
    "wash_outdoor_coil straighten_fins drain_pan_and_line safety_float port_caps tighten_outdoor tighten_indoor "
    "tie_back_wires filter blower_wheel indoor_coil duct_insulation line_insulation disconnect contactor "
    "capacitors_bench blower_capacitor_bench thermostat condensate_trap surge_protector clearances pad_level labels"
).split()


def test_everything_that_a_visit_has_to_cover_is_there() -> None:
    assert not set(COVERED) - set(ROWS.tasks)
    assert "control_voltage" in ROWS.points
    for row in ROWS.tasks.values():
        assert row.phase in PHASES
        assert row.stop in TASK_STOPS
        assert row.minutes > 0.0
        assert row.sentence.endswith(".")
        assert row.sentence[0].isupper()
        assert row.why
        assert not row.why.endswith(".")
        assert row.source


def test_tasks_that_come_before_are_of_no_later_phase_and_in_no_circle() -> None:
    def walk(id_: str, path: tuple[str, ...]) -> None:
        assert id_ not in path, f"a circle: {path}"
        for before in ROWS.tasks[id_].after:
            assert PHASES.index(ROWS.tasks[before].phase) <= PHASES.index(ROWS.tasks[id_].phase)
            walk(before, (*path, id_))

    for id_ in ROWS.tasks:
        walk(id_, ())


# Words of a sentence that put a hand somewhere, and the cautions that then have to stand beside it. Common practice,
# no source.
HANDS = {
    "apacitor": ("voltage", "capacitor"),
    "contactor": ("voltage", "capacitor"),
    "isconnect": ("voltage",),
    "tighten": ("voltage", "capacitor"),
    "wheel": ("voltage", "rotating"),
    "fan by hand": ("voltage", "rotating"),
    "coil's entering face": ("voltage", "fins", "acid", "eyes"),
    "wash the coil": ("voltage", "rotating", "fins", "eyes", "acid", "water"),
    "port cap": ("refrigerant", "flammable"),
    "ins straight": ("fins",),
    "float": ("live", "water"),
    "ducts": ("attic", "ladder"),
    "surge protector": ("live",),
}


@pytest.mark.parametrize(("words_", "hazards"), HANDS.items())
def test_a_caution_stands_where_a_hand_goes(words_: str, hazards: tuple[str, ...]) -> None:
    found = [row for row in ROWS.tasks.values() if words_ in row.sentence and row.phase in ("work",)]
    found = found or [row for row in ROWS.tasks.values() if words_ in row.sentence]
    assert found
    for row in found:
        if row.id in ("lock_out",):
            continue
        assert not set(hazards) - set(row.hazards), row.id


def test_what_is_measured_near_voltage_charge_or_refrigerant_says_so() -> None:
    for row in ROWS.points.values():
        quantity = point(row.name).quantity
        if quantity in (Quantity.CURRENT, Quantity.VOLTAGE):
            assert "live" in row.hazards, row.name
        if quantity is Quantity.CAPACITANCE:
            assert {"voltage", "capacitor"} <= set(row.hazards), row.name
            assert "lock_out" in row.after
        if quantity is Quantity.PRESSURE_GAUGE:
            assert row.gauges, "a gauge opens the circuit: it waits for a cause"
            assert {"refrigerant", "flammable"} <= set(row.hazards), row.name


def test_the_caution_of_a_flammable_refrigerant_is_given_where_it_belongs() -> None:
    hazards = ROWS.tasks["port_caps"].hazards
    assert "burns" in ROWS.caution(hazards, A2L)
    assert "burns" in ROWS.caution(hazards, SystemRecord(id="a", refrigerant="R-290"))
    assert "burns" not in ROWS.caution(hazards, A1)
    assert "burns" in ROWS.caution(hazards, SystemRecord(id="a", refrigerant="of another kind"))
    assert "certification" in ROWS.caution(hazards, A1)


def test_behind_a_panel_the_power_is_locked_out_and_somebody_closes_it() -> None:
    behind = [row for row in ROWS.tasks.values() if row.behind]
    assert len(behind) > 5
    for row in behind:
        assert "lock_out" in row.after, row.id
        assert "voltage" in row.hazards, row.id
        assert ROWS.tasks[row.behind].last


def test_each_disturbance_ends_somehow_and_names_points_of_the_catalogue() -> None:
    used = {id_ for row in ROWS.tasks.values() for id_ in (*row.disturbs, *row.leaves)}
    assert used == set(ROWS.disturbances)
    for row in ROWS.disturbances.values():
        assert row.fact or row.restored_by
        assert row.points
        assert set(row.points) <= set(POINTS)
        assert set(row.restored_by) <= set(ROWS.tasks)
    for task in ROWS.tasks.values():
        for id_ in task.disturbs:  # what ends with the task itself
            assert task.id in ROWS.disturbances[id_].restored_by


def test_quick_observations_of_a_task_are_of_the_catalogue() -> None:
    for row in ROWS.tasks.values():
        for each in row.signs:
            assert sign(each).id == each


def test_rows_are_for_the_systems_that_they_fit() -> None:
    plate = Nameplate(compressor_motor="ecm_torque", outdoor_fan_motor="psc", heat_strip_w=(5e3, 5e3))
    system = SystemRecord(id="main", refrigerant="R-410A", nameplate=plate)
    assert not ROWS.points["herm_lead_current"].needs.fit(system)
    assert ROWS.points["fan_capacitor_lead_current"].needs.fit(system)
    assert ROWS.tasks["capacitors_bench"].needs.fit(system), "its fan has one"
    assert ROWS.points["heat_strip_current"].needs.fit(system)
    assert not ROWS.points["heat_strip_current"].needs.fit(A1)
    assert ROWS.points["herm_lead_current"].needs.fit(A1), "not known excludes nothing"


SHOP = """
name = "our spring round"
[gauges]
when = "never"
[[task]]
id = "wash_outdoor_coil"
minutes = 25
[[task]]
id = "pad_level"
drop = true
[[task]]
id = "hard_start_look"
stop = "outdoor unit, electrical"
phase = "work"
title = "start gear"
sentence = "Look at the start gear."
why = "ours"
after = ["lock_out"]
hazards = ["voltage"]
[[point]]
name = "filter_drop"
phases = ["before", "after"]
why = "ours"
"""


def test_a_shop_changes_single_keys_takes_rows_away_and_adds_its_own() -> None:
    rows = read_worklist(SHOP, "shop.toml")
    assert rows.gauges == "never"
    assert rows.tasks["wash_outdoor_coil"].minutes == 25.0
    assert rows.tasks["wash_outdoor_coil"].sentence == ROWS.tasks["wash_outdoor_coil"].sentence
    assert "pad_level" not in rows.tasks
    assert rows.tasks["hard_start_look"].hazards == ("voltage",)
    assert rows.points["filter_drop"].required
    assert "pad_level" in ROWS.tasks, "the shipped rows stay as they are"


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ('[[task]]\nid = "filter"\nminuets = 3\n', 3, "minutes"),
        ('[[task]]\nid = "filter"\nphase = "later"\n', 3, "Use one of"),
        ('[[task]]\nid = "filter"\nafter = ["lockout"]\n', 3, "lock_out"),
        ('[[task]]\nid = "filter"\nhazards = ["volts"]\n', 3, "no caution"),
        ('[[task]]\nid = "mine"\nstop = "at the thermostat"\n', 1, "missing"),
        ('[[task]]\nid = "supply_air_temperature"\nphase="work"\n', 1, "missing"),
        ('[[point]]\nname = "suplly_static"\nwhy = ""\n', 2, "supply_static"),
        ('[[disturbance]]\nid = "open"\nsays = "it is open"\npoints = ["power"]\n', 1, "nothing would ever end this"),
        ('[[disturbance]]\nid = "filter_out"\nfact = "filter"\n', 3, "filter_in"),
        ('[gauges]\nwhen = "sometimes"\n', 2, "cause"),
        ("[[task]\n", 1, "TOML"),
    ],
)
def test_what_is_wrong_in_a_shops_file_is_told_with_line_and_remedy(text: str, line: int, said: str) -> None:
    with pytest.raises(WorklistError) as caught:
        read_worklist(text, "shop.toml")
    told = str(caught.value)
    assert f"shop.toml, line {line}" in told
    assert said in told


def test_every_sentence_can_be_gathered_for_a_translation() -> None:
    said = ROWS.sentences()
    for row in ROWS.tasks.values():
        assert {row.title, row.sentence, row.why} <= set(said)
    templates = words.sentences()
    assert words.SETTLED in templates
    assert words.NEXT_PHASE["after"] in templates
    assert len(set(templates)) == len(templates)


def test_times_are_said_no_finer_than_they_are_known() -> None:
    assert [words.time_words(s) for s in (1.0, 12.0, 40.0, 51.0, 60.0, 61.0, 150.0)] == [
        "10 s", "20 s", "40 s", "a minute", "a minute", "2 minutes", "3 minutes",
    ]  # fmt: skip


def test_a_shipped_catalogue_is_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    assert isinstance(catalogue(), Catalogue)
    assert catalogue() is catalogue("")
