"""Somebody who writes to the shop's database, or sends the worst that a station can: found, no fault of the audit."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import pytest
from sealed_journal import a_tiny_visit
from shop_audits import forged, renumbered, write, wrong_texts
from shop_rig import Postgres
from shop_visit import put_visit

from lineset.audit.audit import FAIL, PASS, Overheard
from lineset.audit.audit_record import Audit
from lineset.contract import entry as e
from lineset.journal.block import BlockRule
from lineset.journal.reader import JournalReader
from lineset.journal.row import Row
from lineset.journal.seal import StationKey
from lineset.shop import auditing as auditing_room
from lineset.shop.auditing import audit_file, audit_received
from lineset.shop.database import connected
from lineset.shop.received import Received


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> StationKey:
    return StationKey.generate(tmp_path_factory.mktemp("keys") / "station")


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory, key: StationKey) -> Path:
    path = tmp_path_factory.mktemp("visits") / "tiny.journal"
    return write(path, a_tiny_visit(), key, {"station": "van", "visit": "tiny"}, BlockRule(rows=8))


@pytest.fixture(scope="module")
def database(postgres: Postgres) -> Any:
    name = postgres.new_database()
    yield name
    postgres.drop(name)


@pytest.fixture
async def db(postgres: Postgres, database: str) -> Any:
    async with connected(postgres.address(database)) as connection:
        await connection.execute("BEGIN")
        yield connection


@pytest.fixture
def received(db: Any, postgres: Postgres) -> Received:
    return Received(db, postgres.address("lineset"), "north")


async def of_shop(received: Received, id: int) -> Audit:
    visit = await received.visit(id)
    assert visit is not None
    return await audit_received(received, visit)


CHANGES = (
    "visit SET visit = 'other'",
    "visit SET journal = repeat('0', 32)",
    """visit SET systems = '[1e999]'""",
    """event SET body = jsonb_set(body, '{x}', '1e999')""",
    """derived SET "values" = '{"x": [1e999, 1]}'""",
    """event SET body = ('{"deep":' || repeat('[', 3000) || repeat(']', 3000) || '}')::jsonb""",
)


@pytest.mark.parametrize("change", CHANGES)
async def test_names_and_values_that_were_changed_are_found(
    db: Any, received: Received, tiny: Path, key: StationKey, change: str
) -> None:
    id = await put_visit(db, tiny, key.public)
    await db.execute(f"UPDATE lineset.{change}")
    found = await of_shop(received, id)
    assert (found.outcome, len(found.wrong)) == (FAIL, 1)
    assert msgspec.json.encode(found)


async def test_times_of_a_row_that_its_blocks_deny_are_told(
    db: Any, received: Received, tiny: Path, key: StationKey
) -> None:
    id = await put_visit(db, tiny, key.public)
    await db.execute("UPDATE lineset.visit SET first_received_at = first_received_at + interval '1 hour', "
                     "last_received_at = last_received_at + interval '1 day'")  # fmt: skip
    found = await of_shop(received, id)
    assert any("outside of the time" in remark.text for remark in found.remarks if remark.about == "received")


async def test_a_record_said_to_be_removed_still_vouches_by_its_hash(
    db: Any, received: Received, tiny: Path, key: StationKey, tmp_path: Path
) -> None:
    """Whoever changed the laptop's file says at the shop that nothing is left of it."""
    id = await put_visit(db, tiny, key.public)
    await db.execute("DELETE FROM lineset.block WHERE visit_id = $1", id)
    await db.execute("UPDATE lineset.visit SET removed_at = now() WHERE id = $1", id)
    sound = await audit_file(received, tiny)
    assert (sound.outcome, wrong_texts(sound)) == (PASS, [])
    assert any("that very hash" in remark.means for remark in sound.remarks)
    rows, more = a_tiny_visit(), Row(0, 0, "note", e.encode(e.Noted(text="put in later")))
    anew = renumbered([*rows[:10], msgspec.structs.replace(more, t=rows[9].t), *rows[10:]])
    with JournalReader(tiny) as reader:
        meta = dict(reader.meta)
    found = await audit_file(received, forged(tmp_path / "anew.journal", meta, anew, key))
    assert found.outcome == FAIL
    assert any("not the record that the shop received" in remark.means for remark in found.wrong)


async def test_a_file_exchanged_between_its_audit_and_the_comparison_is_found(
    db: Any, received: Received, tiny: Path, key: StationKey, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its own doctored bytes to the audit, the original's to the comparison: by one who writes below SQLite."""
    await put_visit(db, tiny, key.public)
    rows = a_tiny_visit()
    at = next(at for at, row in enumerate(rows) if row.kind == "observation")
    body = e.encode(e.Observed(system="main", text="another remark", photo=e.decode(rows[at].body).photo))  # type: ignore[union-attr]
    with JournalReader(tiny) as reader:
        meta = dict(reader.meta)
    doctored = forged(
        tmp_path / "doctored.journal",
        meta,
        [*rows[:at], Row(rows[at].seq, rows[at].t, "observation", body), *rows[at + 1 :]],
        key,
    )
    last = auditing_room.audit_verified

    def exchanged(reader: Overheard, *args: Any, **options: Any) -> Any:
        with Overheard(doctored) as other:
            return last(other, *args, **options)

    monkeypatch.setattr(auditing_room, "audit_verified", exchanged)
    found = await audit_file(received, tiny)
    assert found.outcome == FAIL
    assert any("changed while it was audited" in remark.means for remark in found.wrong)


WORST = (
    b'{"kind":"note","text":"\\u202etxet\\u0000 \\u001b[2J"}',
    b'{"kind":"entered","instrument":"eye","system":"main","point":"x","value":1e308,"half_width":-0.0}',
    b'{"kind":"note","text":"one","text":"two"}',
    b'{"kind":"frame","instrument":"gauges","raw":"","samples":[["low",-0.0,"",""],["high",1e-320,"","x"]]}',
    b'{"kind":"overrun","instrument":"","loss":"x","count":9223372036854775808}',
    b'{"kind":"command","request":"r","verb":"v","args":{"a":1e400}}',
    b'{"kind":"command","request":"r","verb":"v","args":{"a":1' + b"0" * 400 + b"}}",
    b'{"kind":"command","request":"r","verb":"v","args":{"a":' + b"[" * 2000 + b"]" * 2000 + b"}}",
    b'{"kind":"of the future","a":{"b":[1,2.50,1e2]}}',
    b"\xff\xfe{}",
)


@pytest.mark.parametrize("n", range(len(WORST)))
async def test_the_worst_that_a_station_can_send_is_audited(
    db: Any, received: Received, key: StationKey, tmp_path: Path, n: int
) -> None:
    """Of hashed and signed nonsense the tables hold what the blocks give; the audit says what it cannot read."""
    rows, body = a_tiny_visit(), WORST[n]
    kind = next((name for name in e.INPUT_KINDS if body.startswith(f'{{"kind":"{name}"'.encode())), "note")
    nonsense = renumbered([*rows[:10], Row(0, rows[9].t, kind, body), *rows[10:]])
    path = write(tmp_path / "v.journal", nonsense, key, {"station": "van", "visit": "tiny"}, BlockRule(rows=8))
    id = await put_visit(db, path, key.public)
    for found in (await of_shop(received, id), await audit_file(received, path)):
        assert not [remark for remark in found.wrong if remark.about not in ("entry", "replay")]
        assert found.shop is not None
        assert all(table.same for table in found.shop.tables)
        assert msgspec.json.encode(found)
