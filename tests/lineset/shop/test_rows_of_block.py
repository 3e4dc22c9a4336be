"""The rows of a block's entries: what a station may write and a column cannot hold never fails, and is never lost."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from engine_entries import GAUGES, NS, PIPES
from hypothesis import given
from hypothesis import strategies as st
from shop_blocks import bodies, sent, write_journal
from shop_record import assert_whole

from lineset.contract import entry as e
from lineset.journal.row import Row
from lineset.shop.carrying import Carrier
from lineset.shop.cleaning import cleaned, stored_body
from lineset.shop.database import connected
from lineset.shop.rows_of_block import rows_of_block
from lineset.shop.shop_config import ShopConfig
from lineset.shop.storing import Store


@pytest.fixture
async def auditor(shop_config: ShopConfig) -> AsyncIterator[Any]:
    async with connected(shop_config.database("auditor")) as connection:
        yield connection


@pytest.fixture
async def store(shop_config: ShopConfig) -> AsyncIterator[Store]:
    store = Store(shop_config.database("collector"), "k0")
    yield store
    await store.close()


def raw(kind: str, body: str | bytes) -> Row:
    return Row(0, 0, kind, body if isinstance(body, bytes) else body.encode())


HOSTILE: list[Row] = [
    raw("note", '{"kind":"note","text":"nul \\u0000 here","by":"\\u0000"}'),
    raw("note", '{"kind":"note","text":"half \\ud83d pair"}'),
    raw("note", '{"kind":"note","text":"an escaped \\\\u0000 is only letters"}'),
    raw("observation", '{"kind":"observation","system":"\\u0000","text":"x\\u0000y","wants":["\\u0000"],'
        '"withdraws":99999999999999999999999}'),
    raw("placed", '{"kind":"placed","instrument":"p\\u0000","channel":"t","system":"main","supersedes":1e400}'),
    raw("placed", '{"kind":"placed","instrument":"p","channel":"t","supersedes":99999999999999999999999}'),
    raw("finding", '{"kind":"finding","system":"s","phase":"p","id":"i","title":"t","state":"open","rank":5000000000}'),
    raw("check", '{"kind":"check","system":"s","phase":"p","name":"n","title":"t","state":"pass","reason":"r",'
        '"value":1e308}'),
    raw("blob", '{"kind":"blob","sha256":"' + "a" * 9000 + '","media_type":"x","size":9e99,"part":0,"parts":1,'
        '"data":""}'),
    raw("blob", '{"kind":"blob","sha256":"' + "b" * 9000 + '","media_type":"\\u0000","size":' + "9" * 30
        + ',"part":0,"parts":5000000000,"data":"AAAA"}'),
    raw("blob", '{"kind":"blob","sha256":"c","media_type":"x","size":1,"part":0,"parts":1,"data":"not base64"}'),
    raw("introduced", '{"kind":"introduced","instrument":"odd","profile":"p","profile_sha256":"0","channels":[{"name":"'
        + "n" * 5000 + '","quantity":"phlogiston","unit":"psig",'
        '"calibration":{"date":"someday","due":"2026-02-30"}}]}'),
    raw("frame", '{"kind":"frame","instrument":"odd","raw":"","samples":[["' + "n" * 5000 + '",1.5,"",""]]}'),
    raw("frame", '{"kind":"frame","instrument":"o\\u0000","raw":"","samples":[["\\u0000",1e308,"\\u0000","\\u0000"]]}'),
    raw("frame", '{"kind":"frame","instrument":"pipes","raw":"","samples":[["t1",1e999,"",""]]}'),
    raw("frame", '{"kind":"frame","instrument":"pipes","raw":"","samples":[["t1",NaN,"",""]]}'),
    raw("frame", '{"kind":"frame","instrument":"pipes","raw":"","samples":[["t1",null,"","over_range"]]}'),
    raw("frame", '{"kind":"frame","instrument":"pipes","raw":"","samples":[["t1",5,"degC",""]]}'),
    raw("frame", '{"kind":"frame","instrument":"pipes","samples":[["t1",5,"degF"],["t2",6,"degF","","newer"]]}'),
    raw("frame", '{"instrument":7}'),
    raw("frame", b"\xff\xfe"),
    raw("derived", '{"kind":"derived","system":"m\\u0000","values":{"a\\u0000":[1,2]}}'),
    raw("derived", '{"kind":"derived","system":"main","values":{"a":[1e999,2]}}'),
    raw("settled", '{"kind":"settled","system":"s"}'),
    raw("hologram", '{"kind":"hologram","deep":' + "[" * 900 + "]" * 900 + "}"),
    raw("hologram", '{"kind":"hologram","deep":' + "[" * 9000 + "]" * 9000 + "}"),
    raw("hologram", '{"n":1e-99999,"m":' + "1" * 5000 + ',"o":1e5000}'),
    raw("hologram", "[1,2"),
    raw("hologram", b"\xc3\x28"),
    raw("hologram", ""),
    raw("hologram", '"only a text \\udc00"'),
    raw("wall", '{"kind":"wall","wall_ns":' + str(9_000_000_000_000 * NS) + "}"),
    raw("frame", '{"kind":"frame","instrument":"pipes","raw":"","samples":[["t1",5,"",""],["t1",null,"",""]]}'),
    raw("phase", '{"kind":"phase","phase":"be\\u0000fore"}'),
    raw("wall", '{"kind":"wall","wall_ns":' + "9" * 400 + "}"),
    raw("frame", '{"kind":"frame","instrument":"pipes","raw":"","samples":[["t2",5,"",""]]}'),
    raw("wall", '{"kind":"wall","wall_ns":0}'),
    raw("frame", '{"kind":"frame","instrument":"pipes","raw":"","samples":[["t2",6,"",""]]}'),
]  # fmt: skip


async def test_hostile_entries_fail_nothing_and_are_kept(store: Store, auditor: Any, tmp_path: Path) -> None:
    rows: list[tuple[float, Any]] = [(0, GAUGES), (0, PIPES), *((1.0, each) for each in HOSTILE), (2, e.Closed())]
    visit = sent(write_journal(tmp_path / "j", rows, block_rows=7))
    stored = await store.store([visit.arrived(*each) for each in visit.all])
    (receipt,) = stored.receipts.values()
    assert (stored.aside, receipt.sealed, receipt.blocks) == ({}, True, len(visit.payloads))
    assert await auditor.fetchval("SELECT count(*) FROM lineset.block") == len(visit.payloads)
    frames = {row.seq for row in _rows(visit) if row.kind == "frame"}
    readings = await auditor.fetch("SELECT * FROM lineset.reading ORDER BY seq, n")
    events = {row["seq"]: row for row in await auditor.fetch("SELECT * FROM lineset.event")}
    # each frame is among the readings, or a raw event
    assert {row["seq"] for row in readings} | {seq for seq, row in events.items() if row["kind"] == "frame"} == set(
        frames
    )
    by_channel = {(row["channel"], row["sent"]): row for row in readings}
    assert by_channel["t1", 5.0]["value"] is None or by_channel["t1", 5.0]["sent_unit"] == "degF"
    assert by_channel["t2", 6.0]["at"].year == 1970
    assert by_channel["t2", 5.0]["at"] is None
    assert {json.loads(row["body"])["wall_ns"] for row in events.values() if row["kind"] == "wall"} >= {0}
    # every entry that has no table of its own is an event, also what cannot be read
    own = {"frame", "derived", "tick", "blob"}
    assert {row.seq for row in _rows(visit) if row.kind not in own} <= set(events)
    note = next(row for row in events.values() if row["kind"] == "note" and "nul" in row["body"])
    assert json.loads(note["body"])["text"] == "nul \ufffd here"
    letters = next(row for row in events.values() if "only letters" in row["body"])
    assert json.loads(letters["body"])["text"] == "an escaped \\u0000 is only letters"


def _rows(visit: Any) -> list[Row]:
    from lineset.journal.reader import JournalReader

    with JournalReader(visit.path) as reader:
        return list(reader.rows())


async def test_a_clock_that_is_ahead_is_told(store: Store, auditor: Any, tmp_path: Path) -> None:
    wall = 1_900_000_000 * NS  # 2030
    visit = sent(write_journal(tmp_path / "j", wall_ns=wall))
    await store.store([visit.arrived(*each) for each in visit.all])
    row = await auditor.fetchrow("SELECT clock_ahead_s, opened_at, first_received_at FROM lineset.visit")
    ahead = (row["opened_at"] - row["first_received_at"]).total_seconds()
    assert ahead > 3 * 365 * 86400
    assert row["clock_ahead_s"] == pytest.approx(ahead, abs=60)
    past = sent(write_journal(tmp_path / "j", visit="v2"))
    await store.store([past.arrived(*each) for each in past.all])
    assert await auditor.fetchval("SELECT clock_ahead_s FROM lineset.visit WHERE visit = 'v2'") is None


async def test_what_is_carried_goes_from_one_collector_to_the_next(
    shop_config: ShopConfig, auditor: Any, tmp_path: Path
) -> None:
    visit = sent(write_journal(tmp_path / "j", block_rows=9))
    for n, each in enumerate(visit.all):
        other = Store(shop_config.database("collector"), f"k{n}")  # knows only what the database tells
        await other.store([visit.arrived(*each)])
        await other.close()
    await assert_whole(auditor, visit)


@given(st.text())
def test_cleaned_text_can_be_stored(text: str) -> None:
    clean = cleaned(text)
    assert "\0" not in clean
    clean.encode()
    assert len(clean) == len(text)
    assert clean == text or "\0" in text or any("\ud800" <= letter <= "\udfff" for letter in text)


@given(st.recursive(st.none() | st.booleans() | st.floats() | st.integers() | st.text(), lambda x: st.lists(x) |
                    st.dictionaries(st.text(), x), max_leaves=8), st.booleans())  # fmt: skip
def test_stored_bodies_are_json_without_what_jsonb_refuses(value: Any, escaped: bool) -> None:
    try:
        body = json.dumps(value, ensure_ascii=escaped).encode()
    except UnicodeEncodeError:
        return
    text, _ = stored_body(body)
    assert "\\u0000" not in text.replace("\\\\", "")
    json.loads(text)


@given(st.lists(st.tuples(st.sampled_from(["frame", "placed", "introduced", "derived", "blob", "check", "wall", "x"]),
                          st.binary(max_size=60)), max_size=8))  # fmt: skip
def test_any_bytes_make_rows(rows: list[tuple[str, bytes]]) -> None:
    from datetime import date

    items = [Row(n, n, kind, body) for n, (kind, body) in enumerate(rows, start=1)]
    made = rows_of_block(items, date(2026, 11, 1), 1, Carrier())
    assert made.count + sum(map(len, made.tables.values())) >= len(rows)
    assert Carrier.load(made.carrier.dump()).carried == made.carrier.carried


def test_rows_do_not_depend_on_how_blocks_are_cut() -> None:
    from datetime import date

    items = [Row(n, round(t * NS), e.kind_of(body), e.encode(body)) for n, (t, body) in enumerate(bodies(), start=1)
             if not isinstance(body, Row)]  # fmt: skip
    whole = rows_of_block(items, date(2026, 11, 1), 1, Carrier())
    carrier, readings, tables = Carrier(), [], dict[str, list[Any]]()
    for item in items:
        made = rows_of_block([item], date(2026, 11, 1), 1, Carrier.load(carrier.dump()))
        carrier = made.carrier
        readings += made.readings
        for table, values in made.tables.items():
            tables.setdefault(table, []).extend(values)
    assert readings == whole.readings
    assert tables == whole.tables
