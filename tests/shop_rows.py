"""For tests of the shop's board: invented visits as rows of the database, as a collector would have stored them."""

from __future__ import annotations

import json
import math
from datetime import UTC, date, datetime, timedelta
from typing import Any

from lineset.shop.database import connected
from lineset.shop.shop_config import ShopConfig

NS = 1_000_000_000
PHOTO = b"\xff\xd8\xff\xe0 an invented picture"
MONTH = datetime.now(UTC).date().replace(day=1)


def system(id_: str = "upstairs", **more: Any) -> dict[str, Any]:
    return {"id": id_, "title": id_.capitalize(), "refrigerant": "R-410A", "metering_device": "txv", **more}


class Rows:
    """Puts rows in as the owner of the tables."""

    def __init__(self, connection: Any) -> None:
        self.connection = connection

    async def visit(
        self, station: str, visit: str, *, opened: datetime | None = None, closed: bool = False, sealed: bool = False,
        systems: list[dict[str, Any]] | None = None, received: datetime | None = None, technician: str = "t-7",
    ) -> int:  # fmt: skip
        opened = opened or datetime.now(UTC) - timedelta(hours=1)
        received = received or datetime.now(UTC)
        await self.connection.execute(
            "INSERT INTO lineset.station (station) VALUES ($1) ON CONFLICT DO NOTHING", station
        )
        found: int = await self.connection.fetchval(
            "INSERT INTO lineset.visit (station, visit, journal, month, meta, head, technician, phase, systems, "
            "opened_at, closed_at, sealed_at, first_received_at, last_received_at) "
            "VALUES ($1, $2, $3, $4, '{}', '\\x00', $5, 'before', $6, $7, $8, $9, $10, $10) RETURNING id",
            station, visit, "ab" * 16, MONTH, technician, json.dumps(systems or [system()]), opened,
            opened + timedelta(hours=1) if closed or sealed else None,
            opened + timedelta(hours=2) if sealed else None, received,
        )  # fmt: skip
        return found

    async def readings(self, id_: int, point: str, count: int, unit: str = "Pa") -> None:
        """A swing about 800 kPa, one value a second; SI."""
        start = datetime.now(UTC) - timedelta(hours=1)
        rows = [
            (MONTH, id_, n + 1, 0, start + timedelta(seconds=n), n * NS, "gauges", "low", "upstairs", point,
             800_000.0 + 10_000.0 * math.sin(n / 30.0), unit)
            for n in range(count)
        ]  # fmt: skip
        await self.connection.copy_records_to_table(
            "reading", schema_name="lineset", records=rows,
            columns=["month", "visit_id", "seq", "n", "at", "t_ns", "instrument", "channel", "system", "point", "value",
                     "unit"],
        )  # fmt: skip

    async def derived(self, id_: int, count: int) -> None:
        start = datetime.now(UTC) - timedelta(hours=1)
        rows = [
            (MONTH, id_, 100_000 + n, start + timedelta(seconds=n), n * NS, "upstairs",
             json.dumps({"total_superheat": [6.0 + n / 100.0, 0.5]}))
            for n in range(count)
        ]  # fmt: skip
        await self.connection.copy_records_to_table(
            "derived", schema_name="lineset", records=rows,
            columns=["month", "visit_id", "seq", "at", "t_ns", "system", "values"],
        )  # fmt: skip

    async def settled(self, id_: int, seq: int, name: str = "total_superheat", value: float = 6.4) -> None:
        await self.connection.execute(
            "INSERT INTO lineset.settled (month, visit_id, seq, at, system, phase, name, settled, value, unit, u, low, "
            "high, origin) VALUES ($1, $2, $3, now(), 'upstairs', 'before', $4, true, $5, 'K', 0.6, $6, $7, 'derived')",
            MONTH, id_, seq, name, value, value - 1.2, value + 1.2,
        )  # fmt: skip

    async def check(self, id_: int, seq: int, state: str, name: str = "superheat") -> None:
        await self.connection.execute(
            "INSERT INTO lineset.check_verdict (month, visit_id, seq, at, system, phase, name, title, state, value, "
            "unit, rule, source, reason) VALUES ($1, $2, $3, now(), 'upstairs', 'before', $4, $4, $5, 6.4, 'K', "
            "'simple', 'an invented source', 'invented')",
            MONTH, id_, seq, name, state,
        )  # fmt: skip

    async def finding(self, id_: int, seq: int, state: str = "open", title: str = "Low indoor airflow") -> None:
        await self.connection.execute(
            "INSERT INTO lineset.finding (month, visit_id, seq, at, system, phase, id, title, state, category, rank, "
            "confidence, meaning, next_step) VALUES ($1, $2, $3, now(), 'upstairs', 'before', 'airflow', $4, $5, "
            "'air', 1, 'likely', 'less air than the coil needs', 'look at the filter')",
            MONTH, id_, seq, title, state,
        )  # fmt: skip

    async def observation(
        self, id_: int, seq: int, *, sign: str = "capacitor_bulged", text: str = "", photo: str = "",
        wants: tuple[str, ...] = ("part", "approval"), withdraws: int = 0,
    ) -> None:  # fmt: skip
        await self.connection.execute(
            "INSERT INTO lineset.observation (month, visit_id, seq, at, system, about, sign, text, photo, urgency, "
            "wants, by, withdraws) VALUES ($1, $2, $3, now(), 'upstairs', 'capacitor', $4, $5, $6, 'soon', $7, "
            "'board', $8)",
            MONTH, id_, seq, sign, text, photo, list(wants), withdraws,
        )  # fmt: skip

    async def photo(self, id_: int, seq: int, sha256: str, data: bytes = PHOTO) -> None:
        half = len(data) // 2
        for part, piece in enumerate((data[:half], data[half:])):
            await self.connection.execute(
                "INSERT INTO lineset.photo (month, visit_id, seq, sha256, media_type, size, part, parts, data) "
                "VALUES ($1, $2, $3, $4, 'image/jpeg', $5, $6, 2, $7)",
                MONTH, id_, seq + part, sha256, len(data), part, piece,
            )  # fmt: skip

    async def event(self, id_: int, seq: int, kind: str, body: dict[str, Any]) -> None:
        await self.connection.execute(
            "INSERT INTO lineset.event (month, visit_id, seq, at, t_ns, kind, body) "
            "VALUES ($1, $2, $3, now(), 0, $4, $5)",
            MONTH, id_, seq, kind, json.dumps({"kind": kind, **body}),
        )  # fmt: skip

    async def instrument(self, id_: int, seq: int, name: str, due: date | None) -> None:
        await self.connection.execute(
            "INSERT INTO lineset.instrument_channel (visit_id, seq, instrument, channel, profile, profile_sha256, "
            "identity, quantity, calibrated, calibration_due) VALUES ($1, $2, $3, 'low', 'p', '', 'serial 4711', "
            "'pressure_gauge', $4, $5)",
            id_, seq, name, None if due is None else due - timedelta(days=365), due,
        )  # fmt: skip


def rows(config: ShopConfig) -> Any:
    """A connection as the owner, to be entered; give it to `Rows`."""
    return connected(config.database("owner"))
