"""A record held against what the shop received of it: every change since is named, and since when the shop had it."""

from __future__ import annotations

import asyncio
import random
import shutil
import zlib
from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import msgspec
import pytest
from sealed_journal import a_tiny_visit
from shop_audits import a_visit, forged, renumbered, write, wrong_texts
from shop_blocks import sent, write_journal
from shop_rig import Postgres
from shop_visit import closed_at, put_visit, sent_blocks

from lineset.audit.audit import FAIL, NOT_LOOKED, PASS
from lineset.audit.audit_record import Audit
from lineset.contract import entry as e
from lineset.journal.block import BlockRule, framed, read_framed
from lineset.journal.reader import JournalReader
from lineset.journal.row import Row
from lineset.journal.seal import StationKey
from lineset.journal.verify import verify
from lineset.shop.auditing import Work, audit_file, audit_received, done
from lineset.shop.database import connected
from lineset.shop.received import Received, Selection, opened
from lineset.shop.shop_config import ShopConfig
from lineset.shop.storing import Store


@dataclass
class Shop:
    """A connection as the administrator, so that a test may also change what was received; and what reads from it."""

    db: Any
    received: Received

    async def of_file(self, path: Path) -> Audit:
        return await audit_file(self.received, path)

    async def of_shop(self, visit: str = "spring-1") -> Audit:
        (name,) = await self.received.names(Selection(visits=(visit,)))
        stored = await self.received.visit(name.id)
        assert stored is not None
        return await audit_received(self.received, stored)


@pytest.fixture
async def shop(postgres: Postgres, shop_database: str) -> AsyncIterator[Shop]:
    address = postgres.address(shop_database)
    async with connected(address) as connection:
        await connection.execute("BEGIN")
        yield Shop(connection, Received(connection, address, "north"))


@pytest.fixture(scope="module")
def shop_database(postgres: Postgres) -> Any:
    name = postgres.new_database()
    yield name
    postgres.drop(name)


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> tuple[StationKey, StationKey]:
    """The station's, and somebody else's."""
    folder = tmp_path_factory.mktemp("keys")
    return StationKey.generate(folder / "station"), StationKey.generate(folder / "other")


@pytest.fixture(scope="module")
def rows() -> list[Row]:
    return a_visit()


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory, rows: list[Row], keys: tuple[StationKey, StationKey]) -> Path:
    return write(tmp_path_factory.mktemp("visits") / "spring-1.journal", rows, keys[0])


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory, keys: tuple[StationKey, StationKey]) -> Path:
    """Small enough to be audited over and over."""
    path = tmp_path_factory.mktemp("visits") / "tiny.journal"
    return write(path, a_tiny_visit(), keys[0], {"station": "van", "visit": "tiny"}, BlockRule(rows=8))


async def test_what_is_as_it_was_received_passes_and_says_since_when(
    shop: Shop, original: Path, keys: tuple[StationKey, StationKey]
) -> None:
    blocks = [block for block, _ in sent_blocks(original)]
    # offline from block 5 to 8: they came together, ten minutes after the last of them was closed
    when = closed_at(original)
    back = when(blocks[7]) + timedelta(minutes=10)
    late = {n: (back - when(blocks[n - 1])) / timedelta(seconds=1) for n in range(5, 9)}
    await put_visit(shop.db, original, keys[0].public, late=late)
    for found in (await shop.of_file(original), await shop.of_shop()):
        assert wrong_texts(found) == []
        assert (found.outcome, found.key_known, found.sealed) == (PASS, "right", True)
        assert found.replay is not None
        assert (found.replay.done, found.replay.differences) == (True, 0)
        assert found.shop is not None
        assert (found.shop.blocks, found.shop.through) == (len(blocks), blocks[-1].last)
        assert [(spell.how, spell.first_block, spell.last_block) for spell in found.shop.spells] == [
            ("at_once", 1, 4),
            ("late", 5, 8),
            ("at_once", 9, len(blocks)),
        ]
        at_once, offline, _ = found.shop.spells
        assert (at_once.least_s, at_once.most_s) == (0.4, 0.4)
        assert offline.received_from == offline.received_to == back.isoformat(timespec="milliseconds")
        assert offline.closed_to == when(blocks[7]).isoformat(timespec="milliseconds")
        assert (offline.first, offline.last) == (blocks[4].first, blocks[7].last)
        assert [receipt.n for receipt in found.shop.receipts] == [block.n for block in blocks]
        assert found.shop.key == keys[0].public.hex()
        assert any("nothing" not in sentence and "received" in sentence for sentence in found.shop.proves)
    assert (await shop.of_file(original)).shop.same == len(blocks)  # type: ignore[union-attr]
    assert (await shop.of_shop()).shop.from_shop  # type: ignore[union-attr]


async def test_a_value_changed_and_sealed_again_with_the_right_key_is_named_with_both_figures(
    shop: Shop, original: Path, rows: list[Row], keys: tuple[StationKey, StationKey], tmp_path: Path
) -> None:
    await put_visit(shop.db, original, keys[0].public)
    at = [n for n, row in enumerate(rows) if row.kind == "frame" and b'"gauges"' in row.body][60]
    body = e.decode(rows[at].body)
    assert isinstance(body, e.Framed)
    low = msgspec.structs.replace(body.samples[0], value=112.0, unit="psig")
    changed = list(rows)
    doctored = e.encode(msgspec.structs.replace(body, samples=(low, *body.samples[1:])))
    changed[at] = Row(at + 1, rows[at].t, "frame", doctored)
    found = await shop.of_file(write(tmp_path / "doctored.journal", changed, keys[0]))
    assert found.outcome == FAIL
    assert found.key_known == "right"
    (named,) = [remark for remark in found.wrong if remark.seq == at + 1 and remark.about == "shop"]
    was = body.samples[0].value
    assert named.text == (f"entry {at + 1} (frame of gauges): the shop received low {was!r}, the file says 112.0 psig")
    assert "after it was closed by the station's own clock" in named.means
    assert "not to be relied on" in named.means or "None of the" in named.means
    assert any("the file's seal is not the one" in text for text in wrong_texts(found))
    assert any("another journal" in text for text in wrong_texts(found))


@pytest.mark.parametrize("whose", [0, 1], ids=["same key", "another key"])
async def test_a_record_written_anew_is_caught_whoever_sealed_it(
    shop: Shop, original: Path, rows: list[Row], keys: tuple[StationKey, StationKey], tmp_path: Path, whose: int
) -> None:
    """Also by one who copies the journal's own description, so that nothing but content tells."""
    await put_visit(shop.db, original, keys[0].public)
    chance = random.Random(5)
    with JournalReader(original) as reader:
        meta = dict(reader.meta)
    for n in range(3):
        changed = list(rows)
        at = chance.randrange(1, len(rows) - 1)
        if n % 3 == 0:
            del changed[at]
        elif n % 3 == 1:
            changed.insert(at, changed[at])
        else:
            changed[at], changed[at - 1] = changed[at - 1], changed[at]
        path = forged(tmp_path / f"{n}.journal", meta, renumbered(changed), keys[whose])
        assert verify(path).ok, "every hash fits"
        found = await shop.of_file(path)
        assert found.outcome == FAIL
        named = [remark.seq for remark in found.wrong if remark.about == "shop" and remark.seq]
        same = next(i for i, (a, b) in enumerate(zip(rows, renumbered(changed), strict=False), 1) if a != b)
        # of two alike either may be said to be the one too many
        assert named[0] in (same - 1, same), "the first entry that differs is named"
        assert len(named) <= 2, "what only has another number since is not"


async def test_a_file_that_was_cut_off_and_one_that_was_kept_back_are_caught(
    shop: Shop, original: Path, rows: list[Row], keys: tuple[StationKey, StationKey], tmp_path: Path
) -> None:
    await shop.db.execute("SAVEPOINT before")
    await put_visit(shop.db, original, keys[0].public)
    short = write(tmp_path / "short.journal", rows[:450], None)
    found = await shop.of_file(short)
    assert found.outcome == FAIL
    assert found.shop is not None
    assert found.shop.lacking[0] == 6
    assert any("the file ends at entry 450, within block 5" in text for text in wrong_texts(found))
    assert any("the file has no seal" in text for text in wrong_texts(found))
    # the shop has but half of a sealed visit
    await shop.db.execute("ROLLBACK TO before")
    await put_visit(shop.db, original, keys[0].public, blocks=3)
    found = await shop.of_file(original)
    assert found.outcome == FAIL
    assert found.shop is not None
    assert found.shop.never == tuple(range(4, len(sent_blocks(original)) + 1))
    assert any("never reached the shop" in text for text in wrong_texts(found))
    alone = await shop.of_shop()
    assert alone.outcome == PASS
    assert any("its end was kept back" in remark.means for remark in alone.remarks)
    await shop.db.execute("ROLLBACK TO before")
    kept = await shop.of_file(original)
    assert (kept.outcome, wrong_texts(kept)[0][:34]) == (FAIL, "the shop has received nothing of t")
    still_open = await shop.of_file(short)
    assert (still_open.outcome, still_open.shop.held) == (PASS, False)  # type: ignore[union-attr]


async def test_an_open_visit_of_which_the_shop_has_the_beginning_passes(
    shop: Shop, rows: list[Row], keys: tuple[StationKey, StationKey], tmp_path: Path
) -> None:
    path = write(tmp_path / "open.journal", rows[:450], None)
    await put_visit(shop.db, path, keys[0].public, blocks=2)
    found = await shop.of_file(path)
    assert (found.outcome, wrong_texts(found)) == (PASS, [])
    assert found.shop is not None
    assert (found.shop.same, found.shop.never) == (2, (3, 4, 5))


CHANGES_OF_THE_DATABASE = {
    "a byte of a block": "UPDATE lineset.block SET data = $3 WHERE visit_id = $1 AND n = $2",
    "a block is gone": "DELETE FROM lineset.block WHERE visit_id = $1 AND n = $2",
    "hash": "UPDATE lineset.block SET hash = sha256(hash) WHERE visit_id = $1 AND n = $2",
    "previous": "UPDATE lineset.block SET previous = sha256(previous) WHERE visit_id = $1 AND n = $2",
    "first": "UPDATE lineset.block SET first = first + 1 WHERE visit_id = $1 AND n = $2",
    "last": "UPDATE lineset.block SET last = last - 1 WHERE visit_id = $1 AND n = $2",
    "rows": "UPDATE lineset.block SET rows = rows + 1 WHERE visit_id = $1 AND n = $2",
    "gaps": "UPDATE lineset.block SET gaps = gaps + 1 WHERE visit_id = $1 AND n = $2",
    "time": "UPDATE lineset.block SET t_ns = t_ns + 1 WHERE visit_id = $1 AND n = $2",
    "exchanged": "UPDATE lineset.block SET data = (SELECT data FROM lineset.block o WHERE o.visit_id = $1 AND o.n = "
    "CASE $2::integer WHEN 1 THEN 2 ELSE $2 - 1 END) WHERE visit_id = $1 AND n = $2",
    "head": "UPDATE lineset.visit SET head = sha256(head) WHERE id = $1",
    "through": "UPDATE lineset.visit SET through = through - 1 WHERE id = $1",
    "blocks": "UPDATE lineset.visit SET blocks = blocks - 1 WHERE id = $1",
    "meta": """UPDATE lineset.visit SET meta = meta || '{"technician": "somebody"}' WHERE id = $1""",
    "seal": """UPDATE lineset.visit SET seal = seal || '{"t": 5}' WHERE id = $1""",
    "seal taken away": "UPDATE lineset.visit SET seal = NULL WHERE id = $1",
    "when the seal came": "UPDATE lineset.visit SET sealed_at = NULL WHERE id = $1",
    "key": "UPDATE lineset.station SET public_key = sha256(public_key)",
}


@pytest.mark.parametrize("change", CHANGES_OF_THE_DATABASE)
async def test_whatever_is_changed_in_the_database_is_found(
    shop: Shop, tiny: Path, keys: tuple[StationKey, StationKey], change: str
) -> None:
    id = await put_visit(shop.db, tiny, keys[0].public)
    sent = sent_blocks(tiny)
    chance = random.Random(change)
    for _ in range(3):
        n = chance.randrange(1, len(sent) + 1)
        data = bytearray(sent[n - 1][1])
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
        await shop.db.execute("SAVEPOINT before")
        values = {"$1": id, "$2": n, "$3": zlib.compress(bytes(data))}
        statement = CHANGES_OF_THE_DATABASE[change]
        await shop.db.execute(statement, *(value for name, value in values.items() if name in statement))
        for found in (await shop.of_shop("tiny"), await shop.of_file(tiny)):
            assert found.outcome == FAIL, change
            assert any(remark.about in ("shop", "seal") for remark in found.wrong)
        if change == "a byte of a block":
            assert any("the shop's stored bytes" in text for text in wrong_texts(found))
            assert any(f"block {n}" in text for text in wrong_texts(await shop.of_shop("tiny")))
        await shop.db.execute("ROLLBACK TO before")
    assert (await shop.of_shop("tiny")).outcome == PASS


async def test_an_entry_changed_in_a_block_is_named_by_the_tables(
    shop: Shop, original: Path, rows: list[Row], keys: tuple[StationKey, StationKey]
) -> None:
    """No file is at hand: the tables still say what the block's bytes no longer do."""
    id = await put_visit(shop.db, original, keys[0].public)
    at = [n for n, row in enumerate(rows) if row.kind == "frame" and b'"gauges"' in row.body][60]
    block, data = next((block, data) for block, data in sent_blocks(original) if block.first <= at + 1 <= block.last)
    body = rows[at].body.replace(b"120.", b"112.")
    assert data.count(rows[at].body) >= 1
    assert body != rows[at].body
    items = [Row(i.seq, i.t, i.kind, body) if i.seq == at + 1 else i for i in read_framed(data) if isinstance(i, Row)]
    await shop.db.execute(
        "UPDATE lineset.block SET data = $3 WHERE visit_id = $1 AND n = $2",
        id, block.n, zlib.compress(framed(items)),
    )  # fmt: skip
    found = await shop.of_shop()
    assert found.outcome == FAIL
    assert any(f"the bytes of block {block.n} are not what was hashed" in text for text in wrong_texts(found))
    assert [(remark.seq, remark.text) for remark in found.wrong if remark.about == "table"] == [
        (at + 1, f"table reading has {n} rows, the blocks give {n}; entry {at + 1} is the first that differs")
        for n in [found.shop.tables[0].rows]  # type: ignore[union-attr]
    ]


async def test_a_history_written_anew_in_the_database_does_not_fit_the_seal(
    shop: Shop, original: Path, rows: list[Row], keys: tuple[StationKey, StationKey], tmp_path: Path
) -> None:
    """One who may write to the database, without the station's key, puts in another record that hashes well."""
    changed = list(rows)
    del changed[200]
    other = write(tmp_path / "other.journal", renumbered(changed), keys[1])
    await put_visit(shop.db, other, keys[0].public)
    found = await shop.of_shop()
    assert (found.outcome, found.key_known) == (FAIL, "wrong")
    assert any(keys[1].public.hex() in text for text in wrong_texts(found))
    assert (await shop.of_file(original)).outcome == FAIL


async def test_what_was_kept_aside_and_a_clock_ahead_are_told(
    shop: Shop, original: Path, keys: tuple[StationKey, StationKey], tmp_path: Path
) -> None:
    await put_visit(shop.db, original, keys[0].public, late=dict.fromkeys(range(3, 6), -90.0))
    await shop.db.execute(
        "INSERT INTO lineset.set_aside (station, visit, n, reason, words, sha256, payload, times) "
        "VALUES ('van', 'spring-1', 4, 'forged', 'its bytes are not what was hashed', '\\x00', '\\x00', 3)"
    )
    found = await shop.of_file(original)
    assert found.outcome == PASS
    texts = [remark.text for remark in found.remarks]
    assert any("kept block 4 aside" in text and "forged, 3 times" in text for text in texts)
    assert any("clock was ahead of the shop's by up to 90 s" in text for text in texts)
    assert any("came before an earlier block" in text for text in texts)
    assert [spell.how for spell in found.shop.spells] == ["at_once", "early", "at_once"]  # type: ignore[union-attr]


async def test_a_file_with_names_that_no_database_takes_is_looked_at(
    shop: Shop, rows: list[Row], keys: tuple[StationKey, StationKey], tmp_path: Path
) -> None:
    path = write(tmp_path / "odd.journal", rows[:50], keys[0], {"station": "van\0", "visit": "v\0"})
    found = await shop.of_file(path)
    assert found.outcome == FAIL
    assert any("received nothing" in text for text in wrong_texts(found))


async def test_a_removed_record_is_not_looked_at(
    shop: Shop, original: Path, keys: tuple[StationKey, StationKey]
) -> None:
    id = await put_visit(shop.db, original, keys[0].public)
    await shop.db.execute("DELETE FROM lineset.block WHERE visit_id = $1", id)
    await shop.db.execute("UPDATE lineset.visit SET removed_at = now() WHERE id = $1", id)
    assert (await shop.of_shop()).outcome == NOT_LOOKED
    found = await shop.of_file(original)
    assert found.outcome == PASS
    assert any("as its policy says" in remark.text for remark in found.remarks)


async def test_a_damaged_file_is_still_held_against_the_shop(
    shop: Shop, tiny: Path, keys: tuple[StationKey, StationKey], tmp_path: Path
) -> None:
    """Any byte: what the audit alone finds is found, and nothing that the shop's side adds fails on damage."""
    await put_visit(shop.db, tiny, keys[0].public)
    whole = bytearray(tiny.read_bytes())
    chance = random.Random(17)
    used = [at for at, value in enumerate(whole) if value]
    copy = tmp_path / "copy.journal"
    caught = 0
    for _ in range(100):
        flipped = bytearray(whole)
        flipped[chance.choice(used)] ^= 1 << chance.randrange(8)
        copy.write_bytes(flipped)
        found = await shop.of_file(copy)
        assert msgspec.json.encode(found)
        if found.outcome == FAIL:
            caught += 1
        else:
            assert found.shop is not None
            assert found.shop.same == len(sent_blocks(tiny))
    assert caught > 35
    shutil.copyfile(tiny, copy)
    assert (await shop.of_file(copy)).outcome == PASS


async def test_what_a_collector_stored_in_any_order_is_sound(shop_config: ShopConfig, tmp_path: Path) -> None:
    """With a photo, a gap, a step of the clock: the collector's own work, seal and tables too, stands the audit."""
    van = sent(write_journal(tmp_path / "van", gap=True), part=400)
    chance = random.Random(3)
    store = Store(shop_config.database("collector"), "k0")
    messages = [van.arrived(*each) for each in van.all]
    chance.shuffle(messages)
    for at in range(0, len(messages), 5):
        await store.store(messages[at : at + 5])
    await store.close()
    async with opened(shop_config.database("auditor"), "north") as received:
        work = Work(shop_config.database("auditor"), "north", visit=(await received.names(Selection()))[0].id)
        for found in (
            await audit_file(received, van.path),
            await asyncio.to_thread(done, work),
        ):
            assert found.shop is not None
            assert [remark.text for remark in found.wrong if remark.about in ("shop", "seal", "table")] == []
            assert all(table.same for table in found.shop.tables)
            assert {table.table for table in found.shop.tables if table.rows} >= {"reading", "photo", "observation"}
            assert (found.sealed, found.gaps, found.photos) == (True, 1, 1)
            assert any(remark.about == "clock" and "stepped" in remark.text for remark in found.remarks)
        (visit,) = await received.names(Selection())
        stored_visit = await received.visit(visit.id)
        assert stored_visit is not None
        assert [gap.reason async for gap in received.gaps(stored_visit)] == ["memory was full"]
