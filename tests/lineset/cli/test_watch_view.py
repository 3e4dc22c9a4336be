"""The sheet of `lineset watch`: what it says for given messages, in which order, and how it fits a window."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from lineset.cli.watch_events import event_sentence, span
from lineset.cli.watch_sheet import fitted
from lineset.cli.watch_view import View
from lineset.contract import live
from lineset.contract.topic import Topics
from lineset.derive.catalogue import CATALOGUE
from lineset.equipment.points import POINTS
from lineset.equipment.walk import STOPS, walking_order

TOPICS = Topics("north", "van-1")
NOW = 1_800_000_000.0


def _value(name: str, text: str, **more: Any) -> live.ValueMessage:
    return live.ValueMessage(t=NOW, name=name, v=1.0, u="A", text=text, **more)


def _settled(name: str, text: str, seq: int, **more: Any) -> live.SettledMessage:
    fields: dict[str, Any] = {"phase": "before", "settled": True, "origin": "instrument", **more}
    return live.SettledMessage(t=NOW - 60, seq=seq, system="main", name=name, text=text, **fields)


def _feed(view: View, topic: str, message: live.Message, *, retained: bool = False) -> str:
    happening = view.feed(topic, live.encode(message), retained=retained)
    return happening.text if happening else ""


def _view(**readings: live.ValueMessage) -> View:
    view = View(TOPICS)
    _feed(view, TOPICS.station(), live.StationMessage(t=NOW, online=True, version="1", station="van-1"))
    system = {"refrigerant": "R-454B", "metering_device": "txv"}
    visit = live.VisitMessage(t=NOW, visit="v1", state="open", phase="before", systems={"main": system})
    _feed(view, TOPICS.visit("v1"), visit)
    now = live.NowMessage(t=NOW, system="main", phase="before", run="running", run_s=720, mode="cool",
                          readings=readings)  # fmt: skip
    _feed(view, TOPICS.now("v1", "main"), now)
    return view


def _text(view: View, width: int = 110) -> str:
    return "\n".join(line.text for line in view.lines(width, NOW))


def _row(view: View, title: str) -> str:
    return next(line.text for line in view.lines(110, NOW) if line.text.strip().startswith(title))


def test_the_walk_passes_every_point_once() -> None:
    walked = [name for names in STOPS.values() for name in names]
    assert sorted(walked) == sorted(POINTS)
    assert walking_order("heat_strip_current.2") > walking_order("heat_strip_current")
    with pytest.raises(KeyError):
        walking_order("total_superheat")


def test_points_stand_in_walking_order_whatever_order_they_come_in() -> None:
    names = ["supply_air_temperature", "liquid_line_temperature", "line_voltage", "vapor_service_pressure"]
    text = _text(_view(**{name: _value(name, "1 x") for name in names}))
    titles = [POINTS[name].title for name in ("line_voltage", "vapor_service_pressure", "liquid_line_temperature")]
    places = [text.index(title) for title in (*titles, "supply air temperature")]
    assert places == sorted(places)
    assert "At the outdoor unit, electrical" in text
    assert "Elsewhere" not in text


def test_a_row_tells_value_unit_and_since_when_it_has_settled() -> None:
    view = _view(line_voltage=_value("line_voltage", "241.0 V", settled=True))
    assert _row(view, "line voltage").endswith("241.0 V  settled")
    said = _settled("line_voltage", "241.0 +/- 1.4 V", 7)
    topic = TOPICS.settled("v1", "main", "before", "line_voltage")
    assert _feed(view, topic, said) == "line voltage settled at 241.0 +/- 1.4 V"
    assert "settled since" in _row(view, "line voltage")
    assert _row(view, "line voltage").endswith(", +/- 1.4")
    _feed(view, TOPICS.reading("v1", "main", "line_voltage"), _value("line_voltage", "240.6 V", settled=True))
    assert _row(view, "line voltage").endswith(" at 241.0 +/- 1.4 V")
    gone = _settled("line_voltage", "", 9, settled=False, reason="it moves")
    assert _feed(view, topic, gone) == "line voltage is no longer steady: it moves"
    _feed(view, TOPICS.reading("v1", "main", "line_voltage"), _value("line_voltage", "238.4 V"))
    assert "not steady since" in _row(view, "line voltage")


def test_a_row_tells_what_keeps_it_from_settling() -> None:
    topic, name = TOPICS.reading("v1", "main", "line_voltage"), "line_voltage"
    view = _view(line_voltage=_value(name, "241.0 V"))
    assert _row(view, "line voltage").endswith("241.0 V  not settled yet")
    for ahead, eta_s in (
        ("settling, about 40 s more", 40.0),
        ("calm; being made sure of", None),
        ("hunting +/- 2.2 degF every 90 s", None),
        ("too coarse: 0.9 degF steps", None),
    ):
        _feed(view, topic, _value(name, "241.0 V", ahead=ahead, eta_s=eta_s))
        assert _row(view, "line voltage").endswith(f"241.0 V  {ahead}")
    gone = _settled(name, "", 9, settled=False, reason="it moves")
    _feed(view, TOPICS.settled("v1", "main", "before", name), gone)
    assert _row(view, "line voltage").endswith(": too coarse: 0.9 degF steps")
    _feed(view, topic, _value(name, "241.0 V", ahead="settling, about 40 s more", eta_s=40.0))
    row = " ".join(line.text.strip() for line in view.lines(200, NOW) if "not steady" in line.text)
    assert row.endswith(": it moves; settling, about 40 s more")


def test_hunting_is_an_event_and_its_end_too() -> None:
    view = _view()
    topic = TOPICS.hunting("v1", "main", "before", "total_superheat")
    said = live.HuntingMessage(
        t=NOW, seq=8, system="main", phase="before", name="total_superheat", state="started", title="total superheat",
        v=5.6, u="K", amplitude=1.2, period_s=90.0, text="hunting +/- 2.2 degF every 90 s about 10.1 degF",
    )  # fmt: skip
    assert _feed(view, topic, said) == (
        "total superheat is hunting +/- 2.2 degF every 90 s about 10.1 degF, so it does not settle"
    )
    assert _feed(view, topic, said, retained=True) == ""  # said again after a lost connection
    assert view.data()["systems"]["main"]["hunting"]["before"]["total_superheat"]["period_s"] == 90.0
    ended = msgspec.structs.replace(said, seq=9, state="ended", reason="it has settled")
    assert _feed(view, topic, ended) == "total superheat hunts no more: it has settled"
    view.feed(topic, b"")
    assert view.data()["systems"]["main"]["hunting"]["before"] == {}


def test_what_a_person_read_in_a_run_that_ended_says_so() -> None:
    view = _view(line_voltage=_value("line_voltage", "241.0 V", quality="entered"))
    assert _row(view, "line voltage").endswith("entered in an earlier phase")
    topic = TOPICS.settled("v1", "main", "before", "line_voltage")
    _feed(view, topic, _settled("line_voltage", "", 9, settled=False, reason="the system is stopped now"))
    assert "entered; since" in _row(view, "line voltage")
    assert _row(view, "line voltage").endswith("the system is stopped now")


def test_an_old_word_of_the_station_that_comes_late_is_passed_over() -> None:
    view = _view()
    gone = live.StationMessage(t=NOW - 60, online=False, reason="the connection to the station was lost")
    assert _feed(view, TOPICS.station(), gone, retained=True) == ""
    assert "is online" in _text(view)
    assert "offline" in _feed(view, TOPICS.station(), gone)  # the will, live: its stamp is of the connecting
    _feed(view, TOPICS.station(), live.StationMessage(t=NOW, online=True, version="1"))
    view.say("connected to the broker", NOW)
    assert "offline" in _feed(view, TOPICS.station(), gone, retained=True)  # what it keeps now is all that is known


def test_what_settled_stays_when_the_probe_has_moved_on() -> None:
    view = _view()
    topic = TOPICS.settled("v1", "main", "before", "herm_lead_current")
    _feed(view, topic, _settled("herm_lead_current", "5.60 +/- 0.31 A", 7))
    row = _row(view, "HERM lead current")
    assert " 5.60 A " in row
    assert row.endswith("no probe there now")


def test_what_settled_in_an_earlier_phase_is_listed_apart() -> None:
    view = _view(line_voltage=_value("line_voltage", "241.0 V"))
    topic = TOPICS.settled("v1", "main", "at_rest", "line_voltage")
    _feed(view, topic, _settled("line_voltage", "243.0 +/- 1.4 V", 7, phase="at_rest"))
    text = _text(view)
    assert text.index("not settled yet") < text.index("Settled in phase at rest") < text.index("243.0 V")


@pytest.mark.parametrize(
    ("quality", "words"),
    [
        ("not_in_contact", "not in contact: it reads zero while the system runs"),
        ("stale", "stale: clamp is lost"),
        ("entered", "entered"),
        ("of_a_later_version", "of a later version: this version does not know what that means"),
    ],
)
def test_quality_is_told_in_words(quality: str, words: str) -> None:
    view = _view(blower_current=_value("blower_current", "0.00 A", quality=quality, instrument="clamp"))
    told = live.InstrumentMessage(t=NOW, instrument="clamp", state="lost", reason="the port is gone")
    assert _feed(view, TOPICS.instrument("clamp"), told) == "instrument clamp is lost: the port is gone"
    assert words in " ".join(_text(view).split())


def test_the_head_says_what_the_run_is_and_warns_of_the_refrigerant() -> None:
    text = _text(_view())
    assert "System main, R-454B: running, cooling for 12 min" in text
    assert "Caution: A2L, mildly flammable" in text
    assert "visit v1 is open, phase before" in text
    assert "no reading yet" in text


def test_what_is_not_recorded_says_so() -> None:
    view = _view(line_voltage=_value("line_voltage", "241.0 V", recorded=False))
    stopped = live.StationMessage(t=NOW, online=True, recording=False, reason="the disk is full", station="van-1")
    assert "does NOT RECORD" in _feed(view, TOPICS.station(), stopped)
    assert _row(view, "line voltage").endswith("not recorded")


def test_old_values_are_dated() -> None:
    view = _view(line_voltage=_value("line_voltage", "241.0 V"))
    assert "these values are from" not in _text(view)
    later = live.InstrumentMessage(t=NOW + 30, instrument="clamp", state="linked", reason="giving samples")
    _feed(view, TOPICS.instrument("clamp"), later)
    assert "these values are from" in "\n".join(line.text for line in view.lines(110, NOW + 30))


def test_what_the_broker_says_again_after_a_loss_is_no_news() -> None:
    view = _view()
    topic, said = TOPICS.settled("v1", "main", "before", "line_voltage"), _settled("line_voltage", "241 V", 7)
    run = live.RunMessage(t=NOW, seq=5, system="main", state="running", mode="cool", evidence={"air": "yes"})
    assert _feed(view, topic, said)
    assert _feed(view, TOPICS.run("v1", "main"), run).endswith("running, cooling (running? air yes)")
    assert _feed(view, topic, said, retained=True) == ""
    assert _feed(view, TOPICS.run("v1", "main"), run, retained=True) == ""


def test_retained_topics_that_are_taken_back_leave_the_sheet() -> None:
    view = _view(line_voltage=_value("line_voltage", "241.0 V"))
    assert "line voltage" in _text(view)
    assert view.feed(TOPICS.now("v1", "main"), b"") is None
    assert "line voltage" not in _text(view)
    assert view.feed(TOPICS.visit("v1"), b"") is None
    assert "no visit is open" in _text(view)


def test_only_the_wanted_visit_is_shown() -> None:
    view = View(TOPICS, visit="v2")
    visit = live.VisitMessage(t=NOW, visit="v1", state="open", phase="before")
    assert _feed(view, TOPICS.visit("v1"), visit) == ""
    assert "nothing is said of a visit v2" in _text(view)


def test_damaged_and_foreign_messages_cost_nothing() -> None:
    view = _view()
    assert view.feed("lineset/v1/north/van-1/something/new", b"{}") is None
    assert view.feed("another/program", b"\xff") is None
    happening = view.feed(TOPICS.station(), b'{"online": "perhaps"')
    assert happening is not None
    assert "cannot be understood" in happening.text
    unheard = _value("brand_new_point", "3 x")
    _feed(view, TOPICS.reading("v1", "main", "brand_new_point"), unheard)
    assert "brand new point" in _row(view, "brand new point")
    assert "Elsewhere" in _text(view)


@pytest.mark.parametrize("name", [*POINTS, *CATALOGUE])
def test_every_name_of_the_catalogues_can_be_shown(name: str) -> None:
    view = _view()
    build = TOPICS.derived if name in CATALOGUE else TOPICS.reading
    _feed(view, build("v1", "main", name), _value(name, "1.0 x"))
    assert "1.0 x" in _text(view)
    assert "Elsewhere" not in _text(view)


@pytest.mark.parametrize("height", [6, 12, 24, 40, 80])
@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_the_sheet_fits_any_window(width: int, height: int) -> None:
    view = _view(**{name: _value(name, "1.0 x") for name in POINTS})
    for number in range(30):
        view.say(f"event number {number} of some length that may have to be folded", NOW + number)
    lines = fitted(view, width, height, NOW)
    assert len(lines) < height
    assert max(len(line.text) for line in lines) <= width
    assert lines[0].text.startswith("station van-1")


def test_many_verdicts_leave_the_last_events_their_share_of_a_window() -> None:
    view = _view(**{name: _value(name, "1.0 x") for name in list(POINTS)[:20]})
    for number in range(30):
        check = live.CheckMessage(
            t=NOW, seq=number, system="main", phase="before", name=f"check_{number}", title=f"check {number}",
            state="undecided", reason="wait until it has settled", would_decide="measure something else",
        )  # fmt: skip
        _feed(view, TOPICS.check("v1", "main", "before", check.name), check)
        view.say(f"event number {number}", NOW + number)
    for height in (24, 40, 56):
        lines = [line.text for line in fitted(view, 100, height, NOW)]
        assert len(lines) < height
        heading = lines.index("Last events")
        last = lines[heading + 1 :]
        assert len(last) >= min(height // 5 - 2, 8)
        assert last[-1].endswith("event number 29")
        assert lines[heading - 1].startswith("... and ")


def test_a_tall_window_shows_all_and_the_last_events() -> None:
    view = _view(**{name: _value(name, "1.0 x") for name in POINTS})
    view.say("the very last thing", NOW)
    text = "\n".join(line.text for line in fitted(view, 100, 100, NOW))
    assert "heat strip current" in text
    assert "the very last thing" in text


def test_data_holds_the_messages() -> None:
    found = _view(line_voltage=_value("line_voltage", "241.0 V")).data()
    assert found["visit"]["visit"] == "v1"
    assert found["systems"]["main"]["readings"]["line_voltage"]["text"] == "241.0 V"
    assert found["systems"]["main"]["caution"].startswith("A2L")
    assert msgspec.json.encode(found)


@pytest.mark.parametrize(
    ("event", "body", "sentence"),
    [
        ("placed", {"instrument": "clamp", "channel": "current", "system": "main", "point": "herm_lead_current",
                    "by": "x"}, "clamp/current sits at HERM lead current of main, by x"),
        ("placed", {"instrument": "clamp", "channel": "current"}, "clamp/current was taken away from its point"),
        ("phase", {"phase": "after", "by": "x"}, "the visit goes on to phase after, by x"),
        ("closed", {"by": "x", "reason": "done"}, "visit closed, by x: done"),
        (
            "comparison",
            {"instrument": "gauges", "channel": "low", "against": "atmosphere"},
            "gauges/low compared with atmosphere: corrected from now on",
        ),
        (
            "comparison",
            {"instrument": "gauges", "channel": "low", "against": "atmosphere", "applied": False, "reason": "still on"},
            "gauges/low compared with atmosphere: still on",
        ),
        (
            "amended",
            {"record": {"id": "up"}, "keys": ["compressor_rla_a"], "by": "x"},
            "more is known of up: compressor_rla_a, by x",
        ),
        ("command", {"verb": "note", "args": {"text": "cap loose"}, "actor": "x", "ok": True}, "note: cap loose, by x"),
        ("command", {"verb": "place", "answer": "no such point", "actor": "x", "ok": False},
         "refused, by x: place: no such point"),
        ("command", {"verb": "place", "ok": True}, ""),
        ("brand_new", {"a": 1}, 'brand new: {"a": 1}'),
    ],
)  # fmt: skip
def test_events_are_sentences(event: str, body: dict[str, Any], sentence: str) -> None:
    assert event_sentence(live.EventMessage(t=NOW, seq=1, event=event, body=body)) == sentence


def test_spans_are_as_coarse_as_they_are_useful() -> None:
    assert [span(s) for s in (-1, 59.4, 60, 3599, 3600, 7500)] == ["0 s", "59 s", "1 min", "59 min", "1 h 00 min",
                                                                  "2 h 05 min"]  # fmt: skip


def test_words_of_others_move_no_cursor() -> None:
    view = _view(line_voltage=_value("line_voltage", "241 V\x1b[2J", quality="entered"))
    topic = TOPICS.settled("v1", "main", "before", "line_voltage")
    _feed(view, topic, _settled("line_voltage", "", 9, settled=False, reason="\x1b[1A\u202eall is well"))
    assert "241 V?[2J" in _text(view) or "?[1A?all is well" in _text(view)
    assert not any(letter in _text(view) for letter in "\x1b\u202e")
