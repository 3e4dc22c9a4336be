"""Events read back from the journal: an entry that has no topic of its own does not hold up the others."""

from __future__ import annotations

from pathlib import Path

import msgspec

from lineset.contract import entry as e
from lineset.contract.topic import Topics
from lineset.journal.file import JournalFile
from lineset.journal.outbox import Outbox
from lineset.journal.row import Row
from lineset.station.events import JournalEvents, check_message


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


def test_a_target_that_is_exact_is_told_without_a_width() -> None:
    body = e.Checked(
        system="main", phase="before", name="fan", title="fan", state="pass", reason="r",
        value=5.1e-6, unit="F", u=3e-7, target=5e-6, target_u=0.0,
    )  # fmt: skip
    assert check_message(body, 0.0, 1, "customary").target_text == "5.00 uF"
    wide = msgspec.structs.replace(body, target_u=1e-7)
    assert check_message(wide, 0.0, 1, "customary").target_text == "5.00 +/- 0.20 uF"  # 1.96 times 0.1, rounded
