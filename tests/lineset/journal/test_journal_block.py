"""Framing and hashing, against bytes put together here by hand (SHA-256: FIPS 180-4, by hashlib)."""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.journal.block import (
    NS,
    Block,
    BlockRule,
    FramingError,
    OpenBlock,
    frame_gap,
    frame_row,
    framed,
    genesis,
    hash_of,
    read_framed,
)
from lineset.journal.errors import RowError
from lineset.journal.row import MAX_BODY, Gap, Row, check_row

KINDS = st.text(alphabet="abcdefghijklmnopqrstuvwxyz0123456789_", min_size=1, max_size=32)
ROWS = st.builds(
    Row, seq=st.integers(1, 2**63 - 1), t=st.integers(0, 2**63 - 1), kind=KINDS, body=st.binary(max_size=40)
)
GAPS = st.builds(
    Gap,
    first=st.integers(1, 2**63 - 1),
    last=st.integers(1, 2**63 - 1),
    t=st.integers(0, 2**63 - 1),
    reason=st.text(max_size=20),
)


def test_a_block_hashes_the_bytes_that_its_module_describes() -> None:
    previous = bytes(range(32))
    block = OpenBlock(3, previous)
    row, gap = Row(7, 1_000, "frame", b"\x01\x02"), Gap(8, 10, 2_000, "full")
    block.add_row(row, frame_row(row))
    block.add_gap(gap)
    done = block.close()

    def u64(number: int) -> bytes:
        return number.to_bytes(8, "big")

    by_hand = b"lineset block 1\n" + previous + u64(3)
    by_hand += b"R" + u64(7) + u64(1_000) + b"\x05" + b"\x00\x00\x00\x02" + b"frame" + b"\x01\x02"
    by_hand += b"G" + u64(8) + u64(10) + u64(2_000) + b"\x00\x04" + b"full"
    by_hand += b"E" + u64(7) + u64(10) + u64(1) + u64(1) + u64(2_000)
    assert done.hash == hashlib.sha256(by_hand).digest()
    assert (done.n, done.first, done.last, done.rows, done.gaps, done.t) == (3, 7, 10, 1, 1, 2_000)
    following = block.next(done)
    assert (following.n, following.previous, following.empty) == (4, done.hash, True)


def test_genesis_hashes_the_meta_record_in_order_of_its_keys() -> None:
    by_hand = b"lineset journal 1\n" + b"\x00\x01a" + b"\x00\x00\x00\x02xy" + b"\x00\x02bb" + b"\x00\x00\x00\x00"
    assert genesis({"bb": "", "a": "xy"}) == hashlib.sha256(by_hand).digest()


def unframe(data: bytes) -> list[Row | Gap]:
    """Read framed rows and gaps back: possible only if the framing is unambiguous."""
    found: list[Row | Gap] = []
    at = 0

    def take(count: int) -> bytes:
        nonlocal at
        piece = data[at : at + count]
        at += count
        return piece

    def number(count: int) -> int:
        return int.from_bytes(take(count), "big")

    while at < len(data):
        if take(1) == b"R":
            seq, t, kind, body = number(8), number(8), number(1), number(4)
            found.append(Row(seq, t, take(kind).decode(), take(body)))
        else:
            first, last, t, reason = number(8), number(8), number(8), number(2)
            found.append(Gap(first, last, t, take(reason).decode()))
    return found


@given(st.lists(st.one_of(ROWS, GAPS), max_size=6))
def test_different_rows_never_give_the_same_bytes(items: list[Row | Gap]) -> None:
    framed = b"".join(frame_row(item) if isinstance(item, Row) else frame_gap(item) for item in items)
    assert unframe(framed) == items


@given(st.lists(ROWS, min_size=1, max_size=5), st.integers(0, 4))
def test_a_copy_of_an_open_block_goes_its_own_way(rows: list[Row], cut: int) -> None:
    whole, started = OpenBlock(1, bytes(32)), OpenBlock(1, bytes(32))
    for n, row in enumerate(rows):
        whole.add_row(row, frame_row(row))
        if n < cut:
            started.add_row(row, frame_row(row))
    before = started.close()
    copy = started.copy()
    for row in rows[cut:]:
        copy.add_row(row, frame_row(row))
    assert copy.close() == whole.close()
    assert started.close() == before


@pytest.mark.parametrize(
    ("rows", "span", "times", "full"),
    [
        (3, 9 * NS, [0, 1], False),
        (3, 9 * NS, [0, 1, 2], True),
        (9, 5 * NS, [NS, 6 * NS - 1], False),
        (9, 5 * NS, [NS, 6 * NS], True),
        (9, 5 * NS, [6 * NS, NS], False),  # a stamp may be older than the one before
    ],
)
def test_a_block_is_full_by_rows_or_by_visit_time(rows: int, span: int, times: list[int], full: bool) -> None:
    block = OpenBlock(1, bytes(32))
    for seq, t in enumerate(times, 1):
        row = Row(seq, t, "frame", b"")
        block.add_row(row, frame_row(row))
    assert block.full(BlockRule(rows=rows, span=span)) == full


def test_a_block_is_full_by_bytes_too() -> None:
    """Photos: some megabytes within a second."""
    block = OpenBlock(1, b"\0" * 32)
    rule = BlockRule(size=1000)
    for seq, full in ((1, False), (2, False), (3, True)):
        row = Row(seq, seq, "blob", b"x" * 400)
        block.add_row(row, frame_row(row))
        assert block.full(rule) == full
        assert block.copy().full(rule) == full


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (Row(6, 0, "frame", b""), "the next row has seq 5"),
        (Row(5, -1, "frame", b""), "t is a whole number"),
        (Row(5, 2**63, "frame", b""), "t is a whole number"),
        (Row(5, 1.5, "frame", b""), "t is a whole number"),  # type: ignore[arg-type]
        (Row(5, 0, "", b""), "kind"),
        (Row(5, 0, "Frame", b""), "kind"),
        (Row(5, 0, "x" * 33, b""), "kind"),
        (Row(5, 0, "frame", "text"), "bytes, not str"),  # type: ignore[arg-type]
        (Row(5, 0, "frame", bytearray(3)), "bytes, not bytearray"),  # type: ignore[arg-type]
        (Row(5, 0, "frame", bytes(MAX_BODY + 1)), "in parts"),
    ],
)
def test_a_row_that_cannot_be_stored_is_refused_in_words(row: Row, words: str) -> None:
    with pytest.raises(RowError, match=words):
        check_row(row, 5)


@given(ROWS)
def test_a_row_that_can_be_stored_is_taken(row: Row) -> None:
    check_row(row, row.seq)


@given(st.lists(ROWS | GAPS, max_size=12))
def test_framed_rows_and_gaps_are_read_back_as_they_were(items: list[Row | Gap]) -> None:
    assert read_framed(framed(items)) == items


@given(st.lists(ROWS | GAPS, min_size=1, max_size=4), st.data())
def test_bytes_cut_off_anywhere_are_refused_or_are_fewer_items(items: list[Row | Gap], data: st.DataObject) -> None:
    whole = framed(items)
    cut = data.draw(st.integers(0, len(whole) - 1))
    try:
        found = read_framed(whole[:cut])
    except FramingError:
        return
    assert found == items[: len(found)]
    assert len(found) < len(items)


@given(st.binary(max_size=200))
def test_any_bytes_are_refused_or_give_themselves_again(data: bytes) -> None:
    try:
        found = read_framed(data)
    except FramingError:
        return
    assert framed(found) == data


@given(st.lists(ROWS | GAPS, min_size=1, max_size=6))
def test_the_hash_from_framed_bytes_is_the_hash_that_the_block_was_closed_with(items: list[Row | Gap]) -> None:
    block = OpenBlock(9, bytes(32))
    for item in items:
        if isinstance(item, Row):
            block.add_row(item, frame_row(item))
        else:
            block.add_gap(item)
    done = block.close()
    assert hash_of(done, framed(items)) == done.hash


def test_numbers_that_no_block_can_have_are_refused() -> None:
    with pytest.raises(FramingError, match="do not fit"):
        hash_of(Block(-1, 1, 1, 1, 0, 0, bytes(32), bytes(32)), b"")
