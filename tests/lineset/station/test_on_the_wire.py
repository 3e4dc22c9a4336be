"""What plain events tell: never the configuration, and beyond the station no words of people."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from lineset.contract import entry as e
from lineset.contract.topic import Topics
from lineset.equipment.system import SystemRecord
from lineset.journal.file import JournalFile
from lineset.journal.outbox import Outbox
from lineset.journal.row import Row
from lineset.station.events import BROKER, JournalEvents
from lineset.station.on_the_wire import told
from lineset.station.uplinking import EVENTS

WORDS = "words of a person"
SECRET = "/dev/serial/by-id/4711"
MAIN = SystemRecord(id="main", refrigerant="R-410A")
BODIES = [
    e.Opened(
        station="s", visit="v", wall_ns=1, version="0", fingerprint="f", systems=(MAIN,), by=WORDS, technician=WORDS,
        config={"text": SECRET},
    ),
    e.Closed(by=WORDS, reason=WORDS, missing=("the return air is not measured",)),
    e.Phased(phase="work", by=WORDS, reason=WORDS),
    e.Declared(system="main", fact="panels_on", by=WORDS),
    e.RefrigerantHandled(system="main", action="removed", certified=WORDS, text="4 oz", note=WORDS, by=WORDS),
    e.Placed(instrument="gauges", channel="low", system="main", point="vapor_service_pressure", by=WORDS),
    e.Entered(instrument="by-eye", system="main", point="line_voltage", value=240.0, text="240 V", by=WORDS),
    e.Marked(system="main", task="wash_outdoor_coil", state="skipped", note=WORDS, by=WORDS),
    e.Amended(record=MAIN, keys=("title",), by=WORDS),
    e.Answered(question="q-1", answer="yes", by=WORDS),
    e.Commanded(request="r-1", verb="note", args={"text": WORDS}, actor=WORDS, answer=WORDS, data={"journal": SECRET}),
]  # fmt: skip


@pytest.mark.parametrize("body", BODIES, ids=e.kind_of)
def test_beyond_the_station_no_words_of_people_and_still_what_happened(body: e.AnyBody) -> None:
    here, abroad = told(body), told(body, abroad=True)
    assert WORDS in str(here)
    assert WORDS not in str(abroad)
    assert SECRET not in str(abroad)
    assert "config" not in here
    assert abroad.items() <= here.items() <= msgspec.to_builtins(body).items()
    assert len(abroad) > 1  # more than its kind


def test_every_kind_of_event_that_a_person_causes_is_looked_at() -> None:
    """A new kind of record entry that says who did it has to be thought of here."""
    by_people = {
        struct.__struct_config__.tag
        for struct in msgspec.inspect.type_info(e.InputBody).types  # type: ignore[attr-defined]
        for struct in [struct.cls]
        if {"by", "actor", "reason", "note"} & set(struct.__struct_fields__)
    }
    messages_of_their_own = {"observation"}  # a topic that not every role may hear
    assert by_people & e.RECORD_KINDS - messages_of_their_own == {e.kind_of(body) for body in BODIES}


async def test_the_shops_broker_gets_the_copies_without_and_the_stations_own_with(tmp_path: Path) -> None:
    path, outbox = tmp_path / "v.journal", Outbox(tmp_path / "outbox")
    with JournalFile.create(path) as journal:
        journal.append([Row(n, n, e.kind_of(body), e.encode(body)) for n, body in enumerate(BODIES, 1)])
    for destination, there in ((BROKER, True), (EVENTS, False)):
        events = JournalEvents(path, "v", Topics("shop", "van"), outbox, "si", destination=destination)
        payloads = [row.payload.decode() for row in await events.rows(0, 100)]
        events.close()
        assert len(payloads) == len(BODIES)
        assert [WORDS in payload for payload in payloads] == [there] * len(BODIES)
