"""Invented examples of the worklist, of questions and cues, observations, and the commands that belong to them."""

from __future__ import annotations

import msgspec

from lineset.contract import command as c
from lineset.contract import entry as e
from lineset.contract import worklist as w

_T = 1_796_000_000.0
_PHOTO = "9b74c9897bac770ffc029102a200c5de5e2a1f0d6e3f6b1a8a3d8d1c0f4e7a21"
_CHOICES = (
    e.Choice(id="outdoor_fan_current", text="outdoor fan, common"),
    e.Choice(id="fan_capacitor_lead_current", text="FAN lead of the capacitor"),
    e.Choice(id="released", text="off the wires"),
)

GUIDANCE: tuple[msgspec.Struct, ...] = (
    # live messages
    w.WorklistMessage(
        t=_T,
        system="heat-pump",
        phase="before",
        items=(
            w.WorklistItem(
                id="return_air_temperature",
                kind="point",
                stop="indoor unit, along the air",
                phase="before",
                title="return air temperature",
                state="settled",
                sentence="Return air 74.6 degF, settled.",
                value="74.6 +/- 0.7 degF",
            ),
            w.WorklistItem(
                id="wash_outdoor_coil",
                kind="task",
                stop="outdoor unit, lines and coil",
                phase="work",
                title="wash the outdoor coil",
                state="todo",
                sentence="Wash the outdoor coil from the inside out.",
                why="dirt on the coil raises the condensing temperature and the power drawn",
                caution="Power off and locked out. Eye protection; flush acid cleaner off with plenty of water.",
                minutes=15.0,
            ),
        ),
        minutes_left=38.0,
        next="return_air_temperature",
        next_sentence="Supply air 55.1 degF, about 40 s more.",
        meanwhile=("Look at the filter.",),
        missing=("the thermostat is not back to how it was found",),
        done=1,
        total=2,
    ),
    w.QuestionMessage(
        t=_T,
        seq=612,
        id="clamp-1-current-3",
        state="open",
        system="heat-pump",
        about="placement",
        text="The clamp reads 0.4 A: which wire is it on?",
        choices=_CHOICES,
        instrument="clamp-1",
        channel="current",
        proposal="outdoor_fan_current",
        reason="the current fits two conductors",
    ),
    w.CueMessage(
        t=_T, seq=640, n=12, sort="settled", key="settled", text="Return air has settled.", language="en",
        system="heat-pump", about="return_air_temperature",
    ),
    w.ObservationMessage(
        t=_T, seq=655, system="heat-pump", about="capacitor", sign="capacitor_bulged", title="the capacitor is bulged",
        photo=_PHOTO, urgency="soon", wants=("part", "approval"),
    ),
    w.ObservationMessage(
        t=_T, seq=702, system="heat-pump", about="capacitor", text="one was in the van", withdraws=655,
    ),
    # commands
    c.Task(task="wash_outdoor_coil", state="done", system="heat-pump"),
    c.Observe(sign="capacitor_bulged", photo=_PHOTO, urgency="soon", wants=("part",), system="heat-pump"),
    c.Observe(text="one was in the van", withdraws=655),
    c.BlobPart(sha256=_PHOTO, media_type="image/jpeg", size=3, data=b"\xff\xd8\xff"),
    c.Answer(question="clamp-1-current-3", answer="outdoor_fan_current"),
    c.Amend(given={"nameplate": {"herm_capacitor_uf": 45.0}}, system="heat-pump"),
    c.Cues(level="chatty"),
    # entries that go into the engine
    e.Marked(system="heat-pump", task="wash_outdoor_coil", state="done", by="apprentice"),
    e.Observed(
        system="heat-pump", sign="capacitor_bulged", photo=_PHOTO, urgency="soon", wants=("part", "approval"),
        by="apprentice",
    ),
    e.Observed(system="heat-pump", about="capacitor", text="one was in the van", withdraws=655, by="apprentice"),
    e.Blob(sha256=_PHOTO, media_type="image/jpeg", size=3, part=0, parts=1, data=b"\xff\xd8\xff"),
    e.Amended(
        record=e.SystemRecord(id="heat-pump", refrigerant="R-454B", metering_device="txv", title="upstairs"),
        keys=("title",),
        by="apprentice",
    ),
    e.Answered(question="clamp-1-current-3", answer="outdoor_fan_current", by="apprentice"),
    # entries that come out of it
    e.Compared(
        how="zero",
        phase="at_rest",
        instrument="gauge-1",
        channel="low",
        quantity="pressure_gauge",
        unit="Pa",
        offset=2_100.0,
        u=150.0,
        against="atmosphere",
    ),
    e.Questioned(
        id="clamp-1-current-3",
        state="open",
        system="heat-pump",
        about="placement",
        text="The clamp reads 0.4 A: which wire is it on?",
        choices=_CHOICES,
        instrument="clamp-1",
        channel="current",
        proposal="outdoor_fan_current",
        reason="the current fits two conductors",
    ),
    e.Cued(
        n=12, sort="settled", key="settled", text="Return air has settled.", language="en",
        words={"what": "return air"}, system="heat-pump", about="return_air_temperature",
    ),
)  # fmt: skip
