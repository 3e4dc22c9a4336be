"""The questions that the board asks the database: one method each, answered by the models of `answers`.

All raise Busy and DatabaseError; those that take a cursor, WrongCursor.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Literal, TypeVar

import msgspec

from lineset.shop import answers as a
from lineset.shop import phrased
from lineset.shop import queries_sql as sql
from lineset.shop.asking import Asking, Role
from lineset.shop.cursor import Cursor

MOST = 200  # rows of one page
DUE_SOON_DAYS = 30
LAST_VISITS = 10  # of each station: an instrument that none of them met is not looked at

T = TypeVar("T", bound=msgspec.Struct)


@dataclass(frozen=True, slots=True)
class Held:
    """A visit that is held, by the keys of its tables."""

    id: int
    month: Any
    station: str
    visit: str


class Questions(Asking):
    """Answers from the database."""

    # ------------------------------------------------------------------------------------------------------ visits

    async def visits(
        self,
        *,
        station: str = "",
        system: str = "",
        opened_from: datetime | None = None,
        opened_to: datetime | None = None,
        state: str = "",
        limit: int = 50,
        cursor: str = "",
    ) -> a.VisitPage:
        """Visits by station, system (id, or a text of its title or nameplate), day of opening and state."""
        where, values = ["opened_at IS NOT NULL"], list[Any]()

        def given(condition: str, value: Any) -> None:
            values.append(value)
            where.append(condition.replace("?", f"${len(values)}"))

        if station:
            given("station = ?", station)
        if system:
            given(sql.OF_SYSTEM, _like(system))
        if opened_from:
            given("opened_at >= ?", opened_from)
        if opened_to:
            given("opened_at < ?", opened_to)
        if state:
            where.append(sql.STATES[state])
        if cursor:
            at, id_ = Cursor.read(cursor, "visits").moment_and_id()
            values += [at, id_]
            where.append(f"(opened_at, id) < (${len(values) - 1}, ${len(values)})")
        values.append(limit + 1)
        query = (
            f"SELECT {sql.VISIT} FROM lineset.visit WHERE {' AND '.join(where)} "
            f"ORDER BY opened_at DESC, id DESC LIMIT ${len(values)}"
        )
        async with self.asking() as connection:
            rows = await connection.fetch(query, *values)
        last = rows[limit - 1] if len(rows) > limit else None
        following = Cursor.of_moment("visits", last["opened_at"], last["id"]) if last else None
        return a.VisitPage(visits=tuple(_visit_row(row) for row in rows[:limit]), next=following)

    async def held(self, station: str, visit: str) -> Held | None:
        """The keys of a visit; None where the shop holds none of this name."""
        async with self.asking() as connection:
            row = await connection.fetchrow(
                "SELECT id, month FROM lineset.visit WHERE station = $1 AND visit = $2",
                station,
                visit,
            )
        return None if row is None else Held(row["id"], row["month"], station, visit)

    async def visit(self, held: Held) -> a.VisitDetail:
        """A visit, and how its checks, findings and wants stand."""
        async with self.asking() as connection:
            row = await connection.fetchrow(f"SELECT {sql.VISIT} FROM lineset.visit WHERE id = $1", held.id)
            checks = await connection.fetch(
                "SELECT state, count(*) AS n FROM (SELECT DISTINCT ON (system, name) state FROM lineset.check_verdict "
                "WHERE month = $1 AND visit_id = $2 ORDER BY system, name, seq DESC) last GROUP BY state",
                held.month,
                held.id,
            )
            findings = await connection.fetchval(
                "SELECT count(*) FROM (SELECT DISTINCT ON (system, phase, id) state FROM lineset.finding "
                "WHERE month = $1 AND visit_id = $2 ORDER BY system, phase, id, seq DESC) last WHERE state = 'open'",
                held.month,
                held.id,
            )
            wants = await connection.fetch(
                f"SELECT {sql.WANT} FROM lineset.wanted w JOIN lineset.visit v ON v.id = w.visit_id "
                "WHERE w.month = $1 AND w.visit_id = $2 AND cardinality(w.wants) > 0 ORDER BY w.seq LIMIT 200",
                held.month,
                held.id,
            )
        return a.VisitDetail(
            about=_visit_row(row),
            journal=row["journal"],
            blocks=row["blocks"],
            through=row["through"],
            head=row["head"].hex(),
            checks={each["state"]: each["n"] for each in checks},
            findings=findings,
            wants=tuple(_want_row(each) for each in wants),
        )

    async def wants(self, *, days: int = 14, station: str = "", limit: int = MOST, cursor: str = "") -> a.WantPage:
        """What visits that were opened in the last days want of the shop."""
        since = datetime.now(UTC) - timedelta(days=days)
        after_visit, after_seq = Cursor.read(cursor, "wants").pair() if cursor else (2**62, 0)
        async with self.asking() as connection:
            rows = await connection.fetch(
                f"SELECT {sql.WANT}, w.visit_id FROM lineset.visit v JOIN lineset.wanted w "
                "ON w.month = v.month AND w.visit_id = v.id WHERE v.opened_at >= $1 AND ($2 = '' OR v.station = $2) "
                "AND cardinality(w.wants) > 0 AND (v.id, -w.seq) < ($3, -$4::bigint) "
                "ORDER BY v.id DESC, w.seq LIMIT $5",
                since,
                station,
                after_visit,
                after_seq,
                limit + 1,
            )
        last = rows[limit - 1] if len(rows) > limit else None
        following = Cursor.of_pair("wants", last["visit_id"], last["seq"]) if last else None
        return a.WantPage(wants=tuple(_want_row(row) for row in rows[:limit]), next=following)

    # --------------------------------------------------------------------------------------------- one visit's rows

    async def _rows(
        self, held: Held, table: str, columns: str, *, where: dict[str, str], limit: int, cursor: str,
        role: Role = "board", more: str = "", name: str = "",
    ) -> tuple[Sequence[Any], str | None]:  # fmt: skip
        after = Cursor.read(cursor, name or table).number() if cursor else 0
        values: list[Any] = [held.month, held.id, after]
        conditions = ["month = $1", "visit_id = $2", "seq > $3", *([more] if more else [])]
        for column, value in where.items():
            if value:
                values.append(value)
                conditions.append(f"{column} = ${len(values)}")
        values.append(limit + 1)
        async with self.asking(role) as connection:
            rows = await connection.fetch(
                f"SELECT {columns} FROM lineset.{table} WHERE {' AND '.join(conditions)} "
                f"ORDER BY seq LIMIT ${len(values)}",
                *values,
            )
        following = Cursor.of_number(name or table, rows[limit - 1]["seq"]) if len(rows) > limit else None
        return rows[:limit], following

    async def settled(
        self, held: Held, *, system: str = "", phase: str = "", limit: int = MOST, cursor: str = ""
    ) -> a.SettledPage:
        """What settled, and what stopped being steady, in the order of the record."""
        rows, following = await self._rows(
            held, "settled",
            "seq, at, system, phase, name, settled, value, unit, u, low, high, instrument, channel, origin, reason",
            where={"system": system, "phase": phase}, limit=limit, cursor=cursor,
        )  # fmt: skip
        return a.SettledPage(
            settled=tuple(_made(a.SettledRow, row, **phrased.settled(row)) for row in rows), next=following
        )

    async def checks(
        self, held: Held, *, system: str = "", phase: str = "", limit: int = MOST, cursor: str = ""
    ) -> a.CheckPage:
        """Verdicts, whenever they changed, in the order of the record."""
        rows, following = await self._rows(
            held, "check_verdict",
            "seq, at, system, phase, name, title, state, value, unit, u, target, low, high, probability, rule, source, "
            "reason",
            where={"system": system, "phase": phase}, limit=limit, cursor=cursor,
        )  # fmt: skip
        return a.CheckPage(checks=tuple(_made(a.CheckRow, row, **phrased.check(row)) for row in rows), next=following)

    async def findings(
        self, held: Held, *, system: str = "", phase: str = "", limit: int = MOST, cursor: str = ""
    ) -> a.FindingPage:
        """Findings, whenever they changed, in the order of the record."""
        rows, following = await self._rows(
            held, "finding", "seq, at, system, phase, id, title, state, category, rank, confidence, meaning, next_step",
            where={"system": system, "phase": phase}, limit=limit, cursor=cursor,
        )  # fmt: skip
        return a.FindingPage(findings=tuple(_made(a.FindingRow, row) for row in rows), next=following)

    async def placements(self, held: Held, *, limit: int = MOST, cursor: str = "") -> a.PlacementPage:
        """Where channels sat, in the order of the record."""
        rows, following = await self._rows(
            held, "placement", "seq, at, instrument, channel, system, point, by, supersedes", where={}, limit=limit,
            cursor=cursor,
        )  # fmt: skip
        return a.PlacementPage(placements=tuple(_made(a.PlacementRow, row) for row in rows), next=following)

    async def events(self, held: Held, *, kind: str = "", limit: int = MOST, cursor: str = "") -> a.EventPage:
        """Other entries of the record, without what people wrote."""
        rows, following = await self._rows(
            held, "event_for_board", "seq, at, t_ns, kind, system, name, body", where={"kind": kind}, limit=limit,
            cursor=cursor, more="body IS NOT NULL",
        )  # fmt: skip
        return a.EventPage(
            events=tuple(
                _made(a.EventRow, row, body=phrased.without_words(row["kind"], _json(row["body"]))) for row in rows
            ),
            next=following,
        )

    async def observations(self, held: Held, *, limit: int = MOST, cursor: str = "") -> a.ObservationPage:
        """What people saw and wrote, in the order of the record; needs the right to notes."""
        rows, following = await self._rows(
            held, "observation", "seq, at, system, about, sign, text, photo, urgency, wants, withdraws, by", where={},
            limit=limit, cursor=cursor, role="auditor",
        )  # fmt: skip
        told = tuple(
            _made(a.ObservationRow, row, wants=tuple(row["wants"]), title=phrased.sign_words(row["sign"]))
            for row in rows
        )
        return a.ObservationPage(observations=told, next=following)

    async def photo(self, held: Held, sha256: str) -> tuple[str, bytes] | None:
        """Media type and bytes of a photo of a visit; None where it has none, or not the whole of it."""
        async with self.asking("auditor") as connection:
            rows = await connection.fetch(
                "SELECT DISTINCT ON (part) media_type, size, part, parts, data FROM lineset.photo "
                "WHERE month = $1 AND visit_id = $2 AND sha256 = $3 ORDER BY part, seq",
                held.month,
                held.id,
                sha256,
            )
        data = b"".join(row["data"] for row in rows)
        if not rows or len(rows) != rows[0]["parts"] or len(data) != rows[0]["size"]:
            return None
        return rows[0]["media_type"], data

    # ------------------------------------------------------------------------------------------------------ series

    async def series_names(self, held: Held) -> a.SeriesNames:
        """What a visit has values of."""
        async with self.asking() as connection:
            points = await connection.fetch(
                "SELECT DISTINCT system, point AS name FROM lineset.reading "
                "WHERE month = $1 AND visit_id = $2 AND point <> '' AND value IS NOT NULL",
                held.month,
                held.id,
            )
            derived = await connection.fetch(
                'SELECT DISTINCT system, jsonb_object_keys("values") AS name FROM lineset.derived '
                "WHERE month = $1 AND visit_id = $2",
                held.month,
                held.id,
            )
        found = sorted({(row["system"], row["name"]) for row in (*points, *derived)})
        return a.SeriesNames(names=tuple((system, name, phrased.title(name)) for system, name in found))

    async def series(self, held: Held, *, name: str, system: str, points: int = 600) -> a.Series:
        """A reading or derived value over time, its lowest and highest in each of at most `points` spans."""
        async with self.asking() as connection:
            rows = await connection.fetch(sql.SERIES_OF_READINGS, held.month, held.id, system, name, points)
            if not rows:
                rows = await connection.fetch(sql.SERIES_OF_DERIVED, held.month, held.id, system, name, points)
        return phrased.series(name, system, rows)

    # ------------------------------------------------------------------------------------- stations and instruments

    async def stations(self, *, limit: int = MOST, cursor: str = "") -> a.StationPage:
        """All stations by name, and when something of their record last came."""
        after = Cursor.read(cursor, "stations").text() if cursor else ""
        async with self.asking() as connection:
            rows = await connection.fetch(sql.STATIONS, after, limit + 1)
        following = Cursor.of_text("stations", rows[limit - 1]["station"]) if len(rows) > limit else None
        return a.StationPage(stations=tuple(_made(a.StationRow, row) for row in rows[:limit]), next=following)

    async def instruments(
        self, *, station: str = "", standing: str = "", limit: int = MOST, cursor: str = ""
    ) -> a.InstrumentPage:
        """Channels as the last visits of their stations introduced them, the first due first."""
        due, key = Cursor.read(cursor, "instruments").day_and_text() if cursor else (None, "")
        async with self.asking() as connection:
            rows = await connection.fetch(
                sql.INSTRUMENTS, LAST_VISITS, DUE_SOON_DAYS, station, standing, due, key, limit + 1, bool(cursor)
            )
        last = rows[limit - 1] if len(rows) > limit else None
        following = Cursor.of_day("instruments", last["calibration_due"], last["key"]) if last else None
        return a.InstrumentPage(instruments=tuple(_made(a.InstrumentRow, row) for row in rows[:limit]), next=following)


def _like(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
    return f"%{escaped}%"


def _json(value: Any) -> Any:
    return msgspec.json.decode(value) if isinstance(value, str | bytes) else value


def _made(model: type[T], row: Any, **more: Any) -> T:
    fields = {name: row[name] for name in model.__struct_fields__ if name in row}
    return model(**(fields | more))


def _systems(value: Any) -> tuple[a.SystemTold, ...]:
    return tuple(msgspec.convert(each, a.SystemTold) for each in _json(value))


def _visit_row(row: Any) -> a.VisitRow:
    state: Literal["open", "closed", "sealed", "removed"] = "open"
    if row["removed_at"] is not None:
        state = "removed"
    elif row["sealed_at"] is not None:
        state = "sealed"
    elif row["closed_at"] is not None:
        state = "closed"
    return _made(
        a.VisitRow,
        row,
        state=state,
        systems=_systems(row["systems"]),
        received_first_at=row["first_received_at"],
        received_last_at=row["last_received_at"],
    )


def _want_row(row: Any) -> a.WantRow:
    return _made(a.WantRow, row, wants=tuple(row["wants"]), title=phrased.sign_words(row["sign"]))
