"""What the audit says of a record that was cut off, or that cannot be read to its end: nothing that is not so."""

from __future__ import annotations

import zlib
from pathlib import Path
from typing import Any

import pytest
from shop_audits import a_visit, forged, write, wrong_texts
from shop_rig import Postgres
from shop_visit import put_visit

from lineset.audit.audit import FAIL
from lineset.cli.audit_words import in_sentences
from lineset.journal.reader import JournalReader
from lineset.journal.row import Row
from lineset.journal.seal import StationKey
from lineset.shop.auditing import audit_file, audit_received
from lineset.shop.database import connected
from lineset.shop.received import Received


@pytest.fixture(scope="module")
def rows() -> list[Row]:
    return a_visit()


@pytest.fixture
async def db(postgres: Postgres) -> Any:
    name = postgres.new_database()
    async with connected(postgres.address(name)) as connection:
        await connection.execute("BEGIN")
        yield connection
    postgres.drop(name)


def received(db: Any, postgres: Postgres) -> Received:
    return Received(db, postgres.address("lineset"), "north")


async def test_an_end_cut_off_and_replaced_is_said_to_be_one(
    db: Any, postgres: Postgres, rows: list[Row], tmp_path: Path
) -> None:
    """The last minute is cut off, the visit closed anew there and sealed with the station's own key."""
    key = StationKey.generate(tmp_path / "key")
    original = write(tmp_path / "spring-1.journal", rows, key)
    await put_visit(db, original, key.public)
    with JournalReader(original) as reader:
        meta = dict(reader.meta)
    for keep, at in ((600, rows[599].t), (650, rows[-1].t)):
        closed = Row(keep + 1, at, rows[-1].kind, rows[-1].body)
        found = await audit_file(
            received(db, postgres), forged(tmp_path / f"{keep}.journal", meta, [*rows[:keep], closed], key)
        )
        assert found.outcome == FAIL
        assert next(remark.seq for remark in found.wrong if remark.about == "shop") == keep + 1
        assert not any("goes on behind" in text for text in wrong_texts(found)), "it ends before"
    ends = f"the file ends at entry 601, and its end is another than the shop received, up to {len(rows)}"
    found = await audit_file(received(db, postgres), tmp_path / "600.journal")
    assert ends in wrong_texts(found)


async def test_what_cannot_be_read_is_not_said_to_hold_no_verdict(
    db: Any, postgres: Postgres, rows: list[Row], tmp_path: Path
) -> None:
    """Verdicts of the blocks behind a damaged one are on record, though this audit cannot read them."""
    key = StationKey.generate(tmp_path / "key")
    id = await put_visit(db, write(tmp_path / "spring-1.journal", rows, key), key.public)
    verdicts = [row.seq for row in rows if row.kind == "check"]
    assert verdicts[-1] > 500
    await db.execute("UPDATE lineset.block SET data = $2 WHERE visit_id = $1 AND n = 5", id, zlib.compress(b"?"))
    shop = received(db, postgres)
    visit = await shop.visit(id)
    assert visit is not None
    found = await audit_received(shop, visit)
    named = next(remark for remark in found.wrong if remark.block == 5)
    assert "Nothing is read from entry 401 on" in named.means
    assert not any("No verdict on record comes after it" in remark.means for remark in found.wrong)
    lines = list(in_sentences(found))
    assert lines[1].endswith("UTC; its seal fits nothing that can be read")
