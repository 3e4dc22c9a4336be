"""Where a file parts from what the shop received: the right entries are named, and nothing that is the same."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sealed_journal import HASH, PHOTO, a_tiny_visit

from lineset.audit.audit import audit
from lineset.audit.audit_record import Remark
from lineset.audit.differing import Sides, aligned, unnumbered
from lineset.audit.file_items import FileItems
from lineset.audit.holding import Holding
from lineset.audit.received_visit import ReceivedBlock, ReceivedVisit
from lineset.audit.shop_record import ShopRecord
from lineset.audit.spells import span
from lineset.contract import entry as e
from lineset.journal.block import Block, BlockRule, OpenBlock, frame_row, framed, genesis
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.rebuild import rebuild
from lineset.journal.row import Gap, Row
from lineset.journal.verify import verify

SIDES = Sides("the shop received", "the file says")
META = {"format": "1", "id": "0" * 32, "first": "1", "created": "1", "station": "van", "visit": "tiny"}
NOW = datetime(2026, 9, 21, 18, tzinfo=UTC)
BODIES = st.sampled_from([b'{"kind":"tick"}', b'{"kind":"note","text":"a"}', b'{"kind":"note","text":"b"}', b"\xff"])
ROWS = st.lists(st.tuples(st.integers(0, 3), BODIES), min_size=1, max_size=12)


def numbered(told: Sequence[tuple[int, bytes]], first: int = 1) -> list[Row | Gap]:
    return [Row(first + n, t, "note", body) for n, (t, body) in enumerate(told)]


@settings(max_examples=120, deadline=None)
@given(one=ROWS, other=ROWS, tail=ROWS)
def test_what_is_named_turns_one_run_into_the_other(
    one: list[tuple[int, bytes]], other: list[tuple[int, bytes]], tail: list[tuple[int, bytes]]
) -> None:
    first = numbered(one)
    found, rest = aligned(first, first, SIDES)
    assert (found, list(rest)) == ([], [])
    # whatever follows behind the end is handed back
    longer = [*first, *numbered(tail, len(first) + 1)]
    found, rest = aligned(first, longer, SIDES)
    assert (found, list(rest)) == ([], longer[len(first) :])
    second = numbered(other)
    found, rest = aligned(first, second, SIDES)
    same = [unnumbered(item) for item in first] == [unnumbered(item) for item in second[: len(second) - len(rest)]]
    assert bool(found) is not same
    for difference in found:
        assert difference.text.startswith(f"entry {difference.seq}")


def chained(rows: Sequence[Row], size: int = 8) -> Iterator[tuple[Block, bytes]]:
    """Blocks of so many rows, as a station closes them."""
    made, begin = OpenBlock(1, genesis(META)), 0
    for n, row in enumerate(rows, start=1):
        made.add_row(row, frame_row(row))
        if n - begin == size or n == len(rows):
            block = made.close()
            yield block, framed(rows[begin:n])
            made, begin = made.next(block), n


def received(rows: Sequence[Row]) -> tuple[ReceivedVisit, list[ReceivedBlock]]:
    """What a shop has of these rows."""
    blocks = [
        ReceivedBlock(block=block, packed=zlib.compress(data), received=NOW, collector="c1")
        for block, data in chained(rows)
    ]
    last = blocks[-1].block
    visit = ReceivedVisit(
        shop="north", id=1, month=date(2026, 9, 1), station="van", visit="tiny", journal="0" * 32, meta=META,
        blocks=last.n, through=last.last, head=last.hash, seal=None, opened=NOW, sealed_received=None,
        first_received=NOW, last_received=NOW, key=b"", revoked=None, asked=NOW,
    )  # fmt: skip
    return visit, blocks


def held(at_shop: Sequence[Row], in_file: Sequence[Row], path: Path) -> tuple[ShopRecord, tuple[Remark, ...]]:
    path.unlink(missing_ok=True)
    rebuild(path, META, chained(in_file), durably=False)
    visit, blocks = received(at_shop)
    said = []
    for proved in ((), verify(path).hashes):
        with JournalReader(path) as reader:
            holding = Holding(visit, FileItems(reader), reader.meta, proved)
            for block in blocks:
                holding.take(block)
            said.append(holding.finish(audit(path)))
    assert said[0] == said[1]  # by hashes, and entry for entry
    return said[0]


def renumbered(rows: Sequence[Row]) -> list[Row]:
    return [Row(seq, row.t, row.kind, row.body) for seq, row in enumerate(rows, start=1)]


TINY = a_tiny_visit()


def named(remarks: Sequence[Remark]) -> list[int]:
    return [remark.seq for remark in remarks if remark.about == "shop" and remark.wrong and remark.seq]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("held") / "tiny.journal"


def test_the_same_is_said_to_be_the_same(place: Path) -> None:
    record, remarks = held(TINY, TINY, place)
    assert (record.same, record.differing, record.lacking, record.never) == (len(list(chained(TINY))), (), (), ())
    assert not [remark for remark in remarks if remark.wrong]


@settings(max_examples=40, deadline=None)
@given(at=st.integers(1, len(TINY) - 2), count=st.integers(1, 10))
def test_rows_taken_out_are_named_and_no_others(place: Path, at: int, count: int) -> None:
    count = min(count, len(TINY) - 1 - at)
    record, remarks = held(TINY, renumbered([*TINY[:at], *TINY[at + count :]]), place)
    found = named(remarks)
    assert len(found) == count
    # of several alike in a row any may be said to be the one that is missing
    for seq, due in zip(found, range(at + 1, at + count + 1), strict=True):
        assert seq == due or unnumbered(TINY[seq - 1]) == unnumbered(TINY[due - 1]) or abs(seq - due) <= count
    assert record.differing[0] == (min(found) - 1) // 8 + 1


@settings(max_examples=40, deadline=None)
@given(at=st.integers(1, len(TINY) - 2), count=st.integers(1, 12))
def test_rows_put_in_are_named_and_no_others(place: Path, at: int, count: int) -> None:
    extra = [Row(0, TINY[at - 1].t, "note", b'{"kind":"note","text":"put in %d"}' % n) for n in range(count)]
    _, remarks = held(TINY, renumbered([*TINY[:at], *extra, *TINY[at:]]), place)
    assert named(remarks) == list(range(at + 1, at + count + 1))


@settings(max_examples=40, deadline=None)
@given(at=st.integers(1, len(TINY) - 1))
def test_a_changed_row_is_named_alone(place: Path, at: int) -> None:
    changed = list(TINY)
    changed[at] = Row(at + 1, TINY[at].t + 1, TINY[at].kind, TINY[at].body)
    record, remarks = held(TINY, changed, place)
    assert named(remarks) == [at + 1]
    assert record.differing == (at // 8 + 1,)


@settings(max_examples=40, deadline=None)
@given(keep=st.integers(1, len(TINY) - 1))
def test_an_end_that_was_cut_off_is_said_with_what_the_shop_has_of_it(place: Path, keep: int) -> None:
    record, remarks = held(TINY, TINY[:keep], place)
    texts = [remark.text for remark in remarks if remark.wrong]
    assert record.lacking == tuple(range((keep + 7) // 8 + 1, len(list(chained(TINY))) + 1))
    assert any("the file lacks block" in text for text in texts) is bool(record.lacking)
    assert any(f"the file ends at entry {keep}, within block" in text for text in texts) is bool(keep % 8)


def test_a_replaced_photo_is_named(place: Path) -> None:
    at = next(n for n, row in enumerate(TINY) if row.kind == "blob")
    blob = e.decode(TINY[at].body)
    assert isinstance(blob, e.Blob)
    other = msgspec.structs.replace(blob, data=bytes(len(blob.data)))
    changed = list(TINY)
    changed[at] = Row(at + 1, TINY[at].t, "blob", e.encode(other))
    _, remarks = held(TINY, changed, place)
    (remark,) = [each for each in remarks if each.wrong]
    assert remark.text == (
        f"entry {at + 1} (part 0 of photo {HASH[:12]}): the shop received data some bytes, the file says others"
    )
    assert PHOTO


def test_what_changed_is_said_in_words(place: Path) -> None:
    check = e.Checked(system="main", phase="before", name="subcooling", title="t", state="fail", reason="too low")
    rows = [*TINY, Row(len(TINY) + 1, TINY[-1].t, "check", e.encode(check))]
    better = msgspec.structs.replace(check, state="pass", reason="within its limits")
    _, remarks = held(rows, [*TINY, Row(len(rows), TINY[-1].t, "check", e.encode(better))], place)
    (remark,) = [each for each in remarks if each.wrong and each.about == "shop"]
    assert remark.text == (
        f"entry {len(rows)} (check subcooling): the shop received state fail, the file says pass; "
        "the shop received reason too low, the file says within its limits"
    )


def test_lengths_of_time_are_said_as_people_do() -> None:
    assert [span(s) for s in (0.42, 9.0, 75.0, 600.0, 3 * 3600.0, 5 * 86400.0)] == [
        "0.4 s", "9.0 s", "75 s", "10 min", "3.0 h", "5 days",
    ]  # fmt: skip


def test_an_open_journal_with_gaps_compares(tmp_path: Path) -> None:
    path = tmp_path / "v.journal"
    items: list[Row | Gap] = [*TINY[:10], Gap(11, 14, TINY[9].t, "memory was full")]
    items += [Row(15 + n, row.t, row.kind, row.body) for n, row in enumerate(TINY[10:20])]
    with JournalFile.create(path, rule=BlockRule(rows=6)) as journal:
        journal.append(items)
    with JournalReader(path) as reader:
        handed = FileItems(reader)
        assert [item for block in reader.blocks() for item in handed.upto(block.last)] == items
        assert not handed.more
