"""Many light stations in one process: each replays the recorded visit into a journal and under a key of its own,
and carries it to the shop by the real uplink. Started by `bench_fleet.py`; killed outright and started again by it too.

    python light_stations.py PLAN.json

After a kill each station goes on behind the last row that its journal holds, as a daemon does.
"""

from __future__ import annotations

import asyncio
import json
import logging
import signal
import sys
import time
from pathlib import Path

import msgspec
import structlog
from recorded_visit import as_own, recorded

from lineset.contract.live import StationMessage
from lineset.contract.topic import Topics
from lineset.journal.file import JournalFile
from lineset.journal.outbox import Outbox
from lineset.journal.reader import JournalReader
from lineset.journal.row import Row
from lineset.journal.seal import StationKey
from lineset.journal.visit_files import visit_path
from lineset.station.join_file import read_join
from lineset.stream.uplink import SHOP, Uplink

BLOCK_S = 5.0
VISIT = "job-1"


class Plan(msgspec.Struct, frozen=True, kw_only=True):
    """What one process is told. `join` is the folder of the join files, `begin` wall time at which visits open."""

    folder: str
    join: str
    stations: tuple[str, ...]
    begin: float
    seconds: float
    told: str  # file for what it has done, written every second


class LightStation:
    """One station: a journal that grows, an outbox, an uplink."""

    def __init__(self, name: str, plan: Plan, rows: list[Row], at: int, of: int) -> None:
        self.name, self._plan = name, plan
        folder = Path(plan.folder) / name
        folder.mkdir(parents=True, exist_ok=True)
        self._path = visit_path(folder, VISIT)
        self._key = StationKey.load_or_generate(folder / "station.key")
        self.outbox = Outbox(folder / "outbox")
        # blocks of many vans do not close in one moment
        self._begin = plan.begin + BLOCK_S * at / of
        self._rows = as_own(rows, name, VISIT, round(self._begin * 1e9))
        self.written = 0
        self.final = False
        join = read_join(Path(plan.join) / f"{name}.join")
        self._addresses = join.addresses()
        self._turn = at % len(self._addresses)
        self.uplink = Uplink(
            self._address,
            Topics(join.shop, name),
            self.outbox,
            online=lambda: StationMessage(
                t=round(time.time(), 3), online=True, station=name, public_key=self._key.public.hex()
            ),
            on_final=self._done,
        )

    def _address(self) -> object:
        self._turn += 1
        return self._addresses[self._turn % len(self._addresses)]

    def _done(self, _visit: str, _path: Path, _journal: str) -> None:
        self.final = True

    async def live(self) -> None:
        """Write the journal in real time and carry it, until the shop has its seal."""
        journal, sealed = await asyncio.to_thread(self._open)
        self.uplink.add(VISIT, self._path, 1, is_open=not sealed)
        carrying = asyncio.create_task(self.uplink.run(), name=self.name)
        try:
            if journal is not None:
                await self._write(journal)
            while not self.final:
                await asyncio.sleep(0.5)
        finally:
            carrying.cancel()
            await asyncio.gather(carrying, return_exceptions=True)

    def _open(self) -> tuple[JournalFile | None, bool]:
        if not self._path.exists():
            meta = {"station": self.name, "visit": VISIT}
            return JournalFile.create(self._path, meta=meta), False
        with JournalReader(self._path) as reader:
            if reader.seal() is not None:
                self.written = reader.last_seq()
                return None, True
        journal = JournalFile.open(self._path)
        self.written = journal.last
        return journal, False

    def write_all(self) -> None:
        """The whole visit at once, sealed, as a van has it that was offline."""
        with JournalFile.create(self._path, meta={"station": self.name, "visit": VISIT}) as journal:
            for at in range(0, len(self._rows), 500):
                journal.append(self._rows[at : at + 500])
            journal.put_seal(self._key, self._rows[-1].t)

    async def _write(self, journal: JournalFile) -> None:
        rows = self._rows
        while self.written < len(rows):
            now_ns = round((time.time() - self._begin) * 1e9)
            due = self.written
            while due < len(rows) and rows[due].t <= now_ns:
                due += 1
            if due > self.written:
                await asyncio.to_thread(journal.append, rows[self.written : due])
                self.written = due
                self.uplink.poke()
            await asyncio.sleep(BLOCK_S / 5)
        await self.uplink.hold(VISIT)
        await asyncio.to_thread(journal.put_seal, self._key, rows[-1].t)
        await asyncio.to_thread(journal.close)
        self.uplink.release(VISIT)

    def told(self) -> dict[str, object]:
        counts = self.uplink.counts
        return {
            "written": self.written,
            "through": self.outbox.through(SHOP, self.uplink_journal()),
            "final": self.final,
            "problem": self.uplink.problem,
            "sent_again": counts.blocks_sent_again,
            "reconnections": counts.reconnections,
        }

    def uplink_journal(self) -> str:
        """The id of the journal, where the outbox knows one."""
        return next(iter(self.outbox._through.get(SHOP, {})), "")


async def run(plan: Plan) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for signum in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(signum, stop.set)
    rows = recorded(plan.seconds)
    stations = [LightStation(name, plan, rows, at, len(plan.stations)) for at, name in enumerate(plan.stations)]
    lives = [asyncio.create_task(station.live(), name=station.name) for station in stations]
    telling = asyncio.create_task(tell(plan, stations))
    await asyncio.wait({asyncio.gather(*lives), asyncio.create_task(stop.wait())}, return_when=asyncio.FIRST_COMPLETED)
    for life in lives:
        life.cancel()
    telling.cancel()
    await asyncio.gather(*lives, telling, return_exceptions=True)
    write(plan, stations)


async def tell(plan: Plan, stations: list[LightStation]) -> None:
    while True:
        await asyncio.sleep(1.0)
        await asyncio.to_thread(flush, stations)
        write(plan, stations)


def flush(stations: list[LightStation]) -> None:
    for station in stations:
        station.outbox.flush()


def write(plan: Plan, stations: list[LightStation]) -> None:
    scrap = Path(plan.told).with_suffix(".new")
    scrap.write_text(json.dumps({station.name: station.told() for station in stations}))
    scrap.replace(plan.told)


def main() -> None:
    structlog.configure(
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        wrapper_class=structlog.make_filtering_bound_logger(logging.WARNING),
    )
    plan = msgspec.json.decode(Path(sys.argv[1]).read_bytes(), type=Plan)
    asyncio.run(run(plan))


if __name__ == "__main__":
    main()
