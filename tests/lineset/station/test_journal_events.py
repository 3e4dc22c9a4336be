"""Events read back from the journal: an entry that has no topic of its own does not hold up the others."""

from __future__ import annotations

from pathlib import Path

import msgspec

from lineset.contract import entry as e
from lineset.contract.topic import Topics
from lineset.journal.file import JournalFile
from lineset.journal.outbox import Outbox
from lineset.journal.row import Row
from lineset.station.events import JournalEvents


def settled(name: str) -> e.Settled:
    return e.Settled(system="main", phase="before", name=name, value=1.0, unit="A", u=0.1, low=0.8, high=1.2)


async def test_an_entry_without_a_topic_is_told_as_a_plain_event(tmp_path: Path) -> None:
    path = tmp_path / "v1.journal"
    opened = e.Opened(station="s", visit="v1", wall_ns=10**18, version="0", fingerprint="f")
    bodies = [opened, settled("blower_current"), settled("nobody.1.1"), settled("power")]
    with JournalFile.create(path) as journal:
        journal.append([Row(n, n, e.kind_of(body), e.encode(body)) for n, body in enumerate(bodies, 1)])
    events = JournalEvents(path, "v1", Topics("shop", "van"), Outbox(tmp_path / "outbox"), "si")
    rows = await events.rows(0, 100)
    events.close()
    assert [row.seq for row in rows] == [1, 2, 3, 4]
    assert rows[1].topic.endswith("/before/settled/blower_current")
    assert rows[2].topic == "lineset/v1/shop/van/visit/v1/event/settled"
    assert msgspec.json.decode(rows[2].payload)["body"]["name"] == "nobody.1.1"
    assert rows[3].topic.endswith("/before/settled/power")
