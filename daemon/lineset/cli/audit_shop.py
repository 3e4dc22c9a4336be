"""`lineset audit --shop`: which audits are to be made against the shop's record, and making them side by side."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from lineset.cli.shop_selection import selection, the_shop
from lineset.cli.station_access import say_error

if TYPE_CHECKING:
    from lineset.audit.audit_record import Audit
    from lineset.shop.auditing import Work
    from lineset.shop.received import Selection, VisitName
    from lineset.shop.shop_config import DatabaseAddress

NOT_LOOKED = 2


def work_at_shop(
    files: Sequence[tuple[Path, tuple[bytes, ...]]],
    named: Sequence[str],
    keys: Sequence[bytes],
    folder: Path | None,
    stations: list[str] | None,
    since: str | None,
    until: str | None,
    by_name: Mapping[Path, str],
) -> list[Work]:
    """What is to be audited: each of `files` (with the keys known for it) and of the visits `named`, or all there are.

    `by_name` are those of the files that were asked for as a visit.
    Raises typer.Exit when there is no shop, its database cannot be asked, or it has no such visit.
    """
    from lineset.shop.auditing import Work

    config, address = the_shop("audit", folder, NOT_LOOKED)
    given = tuple(keys)
    work = [Work(address, config.name, given, own, path=path, asked=by_name.get(path, "")) for path, own in files]
    if files and not named:
        return work
    # a visit's name may be that of several stations' visits: then all of them are meant
    wholes = [name.rpartition("/") for name in named]
    visits = [visit for _, _, visit in wholes] or None
    names = _names(address, config.name, selection("audit", stations, visits, since, until))
    for whole, (whose, _, visit) in zip(named, wholes, strict=True):
        if not any(name.visit == visit and whose in ("", name.station) for name in names):
            text = f"{whole}: no such file, and shop {config.name} has received no visit of that name"
            raise say_error("audit", text, NOT_LOOKED)
    if not names:
        what = "no such visit" if stations or since or until else "no visit yet"
        raise say_error("audit", f"shop {config.name} has received {what}", NOT_LOOKED)
    meant = [
        name
        for name in names
        if not named or any(name.visit == visit and whose in ("", name.station) for whose, _, visit in wholes)
    ]
    return [
        *work,
        *(Work(address, config.name, given, visit=name.id, name=f"{name.station}/{name.visit}") for name in meant),
    ]


def _names(address: DatabaseAddress, shop: str, wanted: Selection) -> list[VisitName]:
    from lineset.shop.errors import ShopError
    from lineset.shop.received import opened

    async def ask() -> list[VisitName]:
        async with opened(address, shop) as received:
            return await received.names(wanted)

    try:
        return asyncio.run(ask())
    except ShopError as error:
        raise say_error("audit", str(error), NOT_LOOKED) from error


def not_among(files: Sequence[Path], work: Sequence[Work]) -> list[str]:
    """Visits of these files' stations that the shop has and that are not among them, as STATION/VISIT.

    Raises typer.Exit when the database cannot be asked.
    """
    from lineset.journal.errors import JournalError
    from lineset.journal.reader import JournalReader

    here: set[tuple[str, str]] = set()
    for path in files:
        try:
            with JournalReader(path, lenient=True) as reader:
                here.add((reader.meta.get("station", ""), reader.meta.get("visit", "")))
        except JournalError:
            continue  # its audit says so
    stations = sorted({station for station, _ in here if station.isprintable()})
    if not stations:
        return []
    wanted = selection("audit", stations, None, None, None)
    names = _names(work[0].address, work[0].shop, wanted)
    return [f"{name.station}/{name.visit}" for name in names if (name.station, name.visit) not in here]


def audits_of(work: Sequence[Work], jobs: int, *, quiet: bool) -> Iterator[Audit]:
    """Each audit in the order asked, several at a time in processes of their own."""
    from lineset.shop.auditing import done

    at_a_time = min(jobs or os.cpu_count() or 1, len(work))
    bar_wanted = sys.stderr.isatty() and not quiet
    if len(work) == 1:
        yield _one_with_bar(work[0]) if bar_wanted else done(work[0])
        return
    if at_a_time == 1 and not bar_wanted:
        yield from map(done, work)
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with ProcessPoolExecutor(at_a_time, mp_context=get_context("spawn")) as pool:
        results = pool.map(done, work)
        if not bar_wanted:
            yield from results
            return
        from rich.console import Console
        from rich.progress import track

        yield from track(results, "auditing", total=len(work), transient=True, console=Console(stderr=True))


def _one_with_bar(work: Work) -> Audit:
    from rich.console import Console
    from rich.progress import Progress

    from lineset.shop.auditing import done

    with Progress(transient=True, console=Console(stderr=True)) as bar:
        task = bar.add_task("auditing")
        return done(work, lambda at, of: bar.update(task, completed=at, total=of))
