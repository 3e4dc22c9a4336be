"""A journal made again from what was sent of it: row for row the same, or refused."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lineset.journal.block import Block, BlockRule, framed
from lineset.journal.errors import ExistingFileError, MissingFileError, SealedFileError
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.rebuild import RebuildError, rebuild
from lineset.journal.row import Gap, Row
from lineset.journal.seal import Seal, StationKey
from lineset.journal.verify import verify

SLOW = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
Sent = tuple[dict[str, str], list[tuple[Block, bytes]], Seal | None]


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> StationKey:
    return StationKey.generate(tmp_path_factory.mktemp("key") / "key")


@st.composite
def runs(draw: st.DrawFn) -> list[Row | Gap]:
    """Rows and gaps as a station may have them."""
    items: list[Row | Gap] = []
    seq, t = draw(st.sampled_from((1, 7, 2**40))), 0
    for _ in range(draw(st.integers(1, 25))):
        t += draw(st.integers(0, 10**9))
        if draw(st.integers(0, 9)) == 0:
            last = seq + draw(st.integers(0, 1000))
            items.append(Gap(seq, last, t, draw(st.text(max_size=8))))
            seq = last + 1
        else:
            items.append(Row(seq, t, draw(st.sampled_from(("frame", "settled", "x_9"))), draw(st.binary(max_size=40))))
            seq += 1
    return items


def write(path: Path, items: list[Row | Gap], key: StationKey | None, rows: int) -> Path:
    first = items[0].seq if isinstance(items[0], Row) else items[0].first
    with JournalFile.create(path, first=first, meta={"visit": "v"}, rule=BlockRule(rows=rows)) as journal:
        journal.append(items)
        if key is not None:
            journal.put_seal(key, items[-1].t)
    return path


def sent(path: Path) -> Sent:
    """What goes to the shop of a journal."""
    with JournalReader(path) as reader:
        gaps = reader.gaps()
        blocks = []
        for block in reader.blocks():
            held: list[Row | Gap] = [row for row in reader.rows(block.first) if row.seq <= block.last]
            held += [gap for gap in gaps if block.first <= gap.first <= block.last]
            held.sort(key=lambda item: item.seq if isinstance(item, Row) else item.first)
            blocks.append((block, framed(held)))
        return dict(reader.meta), blocks, reader.seal()


def said(path: Path) -> Any:
    with JournalReader(path) as reader:
        return (
            reader.meta,
            list(reader.stored_rows()),
            reader.gaps(),
            reader.blocks(),
            reader.seal(),
            reader.stored_schema(),
        )


@settings(max_examples=25, deadline=None, suppress_health_check=SLOW)
@given(items=runs(), rows=st.integers(1, 9), sealed=st.booleans())
def test_what_was_rebuilt_verifies_and_reads_the_same(
    items: list[Row | Gap], rows: int, sealed: bool, key: StationKey
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        original = write(Path(folder) / "van.journal", items, key if sealed else None, rows)
        again = Path(folder) / "again.journal"
        rebuild(again, *sent(original), durably=False)
        assert said(again) == said(original)
        assert verify(again, public_key=key.public if sealed else None).ok
        assert verify(again) == verify(original)
        assert sorted(path.name for path in Path(folder).glob("*again*")) == ["again.journal"]


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory, key: StationKey) -> Path:
    rows: list[Row | Gap] = [Row(n, n * 10, "frame", b"%d" % n) for n in range(1, 21)]
    rows += [Gap(21, 23, 230, "memory was full"), *(Row(n, n * 10, "frame", b"%d" % n) for n in range(24, 31))]
    return write(tmp_path_factory.mktemp("visits") / "v.journal", rows, key, 5)


@settings(max_examples=120, deadline=None, suppress_health_check=SLOW)
@given(data=st.data())
def test_bytes_that_do_not_hash_are_refused(original: Path, key: StationKey, data: st.DataObject) -> None:
    meta, blocks, seal = sent(original)
    assert seal is not None
    at = data.draw(st.integers(0, len(blocks) - 1))
    block, framed_bytes = blocks[at]
    how = data.draw(st.sampled_from(("byte", "cut", "head", "drop", "exchange", "meta", "seal")))
    if how == "byte":
        spot = data.draw(st.integers(0, len(framed_bytes) - 1))
        bit = 1 << data.draw(st.integers(0, 7))
        framed_bytes = framed_bytes[:spot] + bytes([framed_bytes[spot] ^ bit]) + framed_bytes[spot + 1 :]
        blocks[at] = block, framed_bytes
    elif how == "cut":
        blocks[at] = block, framed_bytes[: data.draw(st.integers(0, len(framed_bytes) - 1))]
    elif how == "head":
        field = data.draw(st.sampled_from(("first", "last", "rows", "gaps", "t", "n")))
        blocks[at] = msgspec.structs.replace(block, **{field: getattr(block, field) + 1}), framed_bytes
    elif how == "drop":
        del blocks[at]
    elif how == "exchange":
        other = data.draw(st.integers(0, len(blocks) - 1).filter(lambda n: n != at))
        blocks[at], blocks[other] = blocks[other], blocks[at]
    elif how == "meta":
        meta["visit"] = "another"
    else:
        field = data.draw(st.sampled_from(("blocks", "rows", "gaps", "first", "last", "t")))
        seal = msgspec.structs.replace(seal, **{field: getattr(seal, field) + 1})
    with tempfile.TemporaryDirectory() as folder:
        with pytest.raises(RebuildError) as caught:
            rebuild(Path(folder) / "again.journal", meta, blocks, seal, durably=False)
        if how in ("byte", "cut", "head"):
            assert caught.value.block in (block.n, block.n + 1)
        assert not list(Path(folder).iterdir())


def test_a_block_that_hashes_and_makes_no_sense_is_refused(original: Path, tmp_path: Path) -> None:
    from lineset.journal.block import OpenBlock, frame_row

    meta, _, _ = sent(original)
    with JournalReader(original) as reader:
        genesis = reader.genesis
    for row in (Row(2, 0, "frame", b""), Row(1, 0, "no kind", b""), Row(2**63, 0, "frame", b"")):
        made = OpenBlock(1, genesis)
        made.add_row(row, frame_row(row))
        with pytest.raises(RebuildError) as caught:
            rebuild(tmp_path / "again.journal", meta, [(made.close(), frame_row(row))])
        assert caught.value.block == 1
    assert not list(tmp_path.iterdir())


def test_an_open_journal_can_be_gone_on_with_and_a_sealed_one_cannot(
    original: Path, key: StationKey, tmp_path: Path
) -> None:
    meta, blocks, seal = sent(original)
    rebuild(tmp_path / "open.journal", meta, blocks[:3])
    with JournalFile.open(tmp_path / "open.journal", rule=BlockRule(rows=5)) as journal:
        assert journal.last == blocks[2][0].last
        journal.append([Row(journal.last + 1, 1000, "frame", b"more")])
    assert verify(tmp_path / "open.journal").ok
    rebuild(tmp_path / "sealed.journal", meta, blocks, seal)
    with pytest.raises(SealedFileError):
        JournalFile.open(tmp_path / "sealed.journal")


def test_nothing_is_overwritten_and_a_missing_folder_is_said(original: Path, tmp_path: Path) -> None:
    there = tmp_path / "there.journal"
    there.write_text("mine")
    with pytest.raises(ExistingFileError):
        rebuild(there, *sent(original))
    assert there.read_text() == "mine"
    with pytest.raises(MissingFileError):
        rebuild(tmp_path / "nowhere" / "v.journal", *sent(original))
