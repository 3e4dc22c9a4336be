"""How a shop stands, for `lineset shop status`: its parts on this machine, its stations, its record."""

from __future__ import annotations

import msgspec

from lineset.equipment.language import counted
from lineset.shop import certificates
from lineset.shop.database import connected, explained
from lineset.shop.errors import DatabaseError, ShopSettingsError
from lineset.shop.part_state import PartState, running
from lineset.shop.shop_config import ShopConfig
from lineset.shop.stations import read_stations

_COUNTS = """
SELECT (SELECT coalesce(max(number), 0) FROM lineset.migration) AS schema,
       (SELECT count(*) FROM lineset.visit WHERE removed_at IS NULL) AS visits,
       (SELECT count(*) FROM lineset.visit WHERE sealed_at IS NULL AND removed_at IS NULL) AS open_visits,
       (SELECT count(*) FROM lineset.waiting_block) AS waiting,
       (SELECT extract(epoch FROM now() - min(received_at))::float8 FROM lineset.waiting_block) AS waiting_s,
       (SELECT count(*) FROM lineset.set_aside WHERE taken_at IS NULL) AS set_aside,
       (SELECT extract(epoch FROM now() - max(last_received_at))::float8 FROM lineset.visit) AS quiet_s
"""


class ShopStatus(msgspec.Struct, frozen=True, kw_only=True):
    """How a shop stands. `down` names parts that should run here and do not; times are seconds.

    `waiting` blocks came before one that is missing, the oldest `waiting_s` ago; `set_aside` were not taken and wait
    for a person; `quiet_s` is how long ago the last block came.
    """

    shop: str
    folder: str
    parts: tuple[PartState, ...]
    down: tuple[str, ...]
    stations: int
    revoked: int
    certificate_days: dict[str, int]
    database_problem: str = ""
    schema: int = 0
    visits: int = 0
    open_visits: int = 0
    waiting: int = 0
    waiting_s: float | None = None
    set_aside: int = 0
    quiet_s: float | None = None


async def look(config: ShopConfig) -> ShopStatus:
    """Look at everything. Raises ShopSettingsError; a database that cannot be reached is told in the status."""
    parts: dict[str, PartState] = {}
    for each in running(config.folder).values():
        parts |= {part.name: part for part in each.parts}
    stations = read_stations(config)
    admitted = len(stations.admitted)
    status = ShopStatus(
        shop=config.shop.name,
        folder=str(config.folder),
        parts=tuple(parts.values()),
        down=tuple(name for name in _expected(config) if name not in parts or parts[name].state != "running"),
        stations=admitted,
        revoked=len(stations.stations) - admitted,
        certificate_days=_certificates(config),
    )
    if not config.secret("database-auditor").exists():
        problem = "this machine has no secrets of the database, and runs broker nodes only"
        return msgspec.structs.replace(status, database_problem=problem)
    address = config.database("auditor")
    try:
        async with connected(address, timeout=3.0) as connection:
            with explained(address, "while it was counted"):
                row = await connection.fetchrow(_COUNTS)
    except DatabaseError as error:
        return msgspec.structs.replace(status, database_problem=str(error))
    return msgspec.structs.replace(status, **dict(row))


def _expected(config: ShopConfig) -> list[str]:
    names = [f"broker {node.name}" for node in config.broker.nodes_here]
    if not config.secret("database-collector").exists():
        return names  # another machine of a cluster, which has only the broker's files
    names += ["database"] if config.database_settings.embedded else []
    return [*names, *(f"collector c{k + 1}" for k in range(config.collector.count)), "board"]


def _certificates(config: ShopConfig) -> dict[str, int]:
    found = {}
    for node in config.broker.nodes_here:
        path = (config.broker_folder / config.node_certificate(node)[0]).resolve()
        try:
            found[node.name] = certificates.days_left(path)
        except ShopSettingsError:
            found[node.name] = 0
    return found


def sentences(status: ShopStatus) -> list[str]:
    """The status for people."""
    lines = [f"shop {status.shop} in {status.folder}"]
    for part in status.parts:
        again = f", started again {counted(part.restarts, 'time')}" if part.restarts else ""
        lines.append(f"  {part.name:14} {part.state}, process {part.pid}{again}  {part.where}")
    lines += [f"  {name:14} does not run here" for name in status.down if name not in {p.name for p in status.parts}]
    lines.append(f"  {counted(status.stations, 'station')}, {status.revoked} revoked")
    for name, days in status.certificate_days.items():
        if days < certificates.RENEW_DAYS:
            lines.append(f"  the certificate of {name} ends in {counted(days, 'day')}; run: lineset shop renew")
    if status.database_problem:
        return [*lines, f"  database: {status.database_problem}"]
    lines.append(
        f"  tables of version {status.schema}; {counted(status.visits, 'visit')}, {status.open_visits} not sealed"
    )
    if status.quiet_s is not None:
        lines.append(f"  last block {status.quiet_s:.0f} s ago")
    if status.waiting:
        wait = f"{counted(status.waiting, 'block')} wait{'s' if status.waiting == 1 else ''}"
        lines.append(f"  {wait} for an earlier one, the oldest for {status.waiting_s or 0:.0f} s")
    if status.set_aside:
        were = "was not taken and is" if status.set_aside == 1 else "were not taken and are"
        lines.append(f"  {counted(status.set_aside, 'message')} {were} set aside: lineset shop aside shows more")
    return lines
