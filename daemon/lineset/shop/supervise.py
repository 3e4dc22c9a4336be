"""Running a shop on one machine: its broker nodes, its database, its collectors and its board, until told to stop.

Brokers and the database are started first, then the tables are brought up to date and the stations written into them,
then collectors and board. A part that ends is started again; all end with us, the database last.
"""

from __future__ import annotations

import asyncio
import contextlib
import datetime as dt
import os
import shutil
import signal
import sys
from collections.abc import Callable, Iterable
from typing import Literal

import structlog

from lineset.shop import broker_nodes, certificates, database_roles, database_server
from lineset.shop.child import Child, ChildPlan, told_if_failed
from lineset.shop.database import connected, explained
from lineset.shop.errors import DatabaseError, ShopError, ShopPartError
from lineset.shop.handing_over import keep_others
from lineset.shop.part_state import Holding, Kind, PartState, Running
from lineset.shop.setting_up import broker_texts
from lineset.shop.shop_config import DATABASE_NAME, LOOPBACK, DatabaseAddress, ShopConfig
from lineset.shop.shop_secrets import check_secrets, database_passwords, secret
from lineset.shop.stations import read_stations, write_users

Only = Literal["broker", "database", "collector", "board"]
_LOOK_S = 2.0  # how often the broker's files are looked at, for what was copied here from another machine
_RELOAD_S = 60.0
_ROOM = 16 << 20  # bytes free on its disk with which a broker is started again
_RENEW_S = 12 * 3600.0  # how often the certificates are looked at
_STARTED = "of the shop runs"  # words of a collector's and the board's first line

log = structlog.get_logger(__name__)


class Supervisor:
    """The parts of a shop that this process runs: `start()`, then `stop()`. Raises ShopError and its kinds.

    `only` is one part, or None for everything that this machine is to run.
    """

    def __init__(self, config: ShopConfig, only: Literal["broker", "database"] | None = None) -> None:
        self.config, self.only = config, only
        self._children: list[tuple[Kind, str, Child]] = []
        self._holding: Holding | None = None
        self._started_at = dt.datetime.now(dt.UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        self._version = ""
        self._watches: list[asyncio.Task[None]] = []
        self._reloading = asyncio.Lock()

    @property
    def parts(self) -> tuple[PartState, ...]:
        """How each part fares."""
        return tuple(
            PartState(
                name=child.plan.name, kind=kind, where=where, pid=child.pid, state=child.state, restarts=child.restarts
            )
            for kind, where, child in self._children
        )

    async def start(self) -> None:
        """Start everything and wait until it is ready; nothing is left running when that fails."""
        config = self.config
        if self.only == "broker" and not config.broker.nodes_here:
            raise ShopPartError(
                config.folder, "this machine is to run no broker", "Leave it to where [broker] urls point"
            )
        if self.only == "database" and not config.database_settings.embedded:
            raise ShopPartError(
                config.folder, "the database is the shop's own", "Leave it to where [database] url points"
            )
        names: tuple[str, ...] = (self.only,) if self.only else ("shop", "broker", "database")
        self._holding = Holding(self.config.folder, names)
        try:
            await self._start()
        except BaseException:
            await self.stop()
            raise
        self._tell()
        self._watches = [asyncio.create_task(self._look_at_files(), name="files of the broker")]
        if self.only != "database":
            self._watches.append(asyncio.create_task(keep_others(self.config), name="files of other machines"))

    async def stop(self) -> None:
        """End the parts in reverse order. Safe to call twice."""
        for watch in self._watches:
            watch.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await watch
        self._watches = []
        for kinds in (("board", "collector"), ("broker",), ("database",)):
            await asyncio.gather(*(child.stop() for kind, _, child in self._children if kind in kinds))
        self._children = []
        if self._holding:
            self._holding.release()
            self._holding = None

    async def reload(self) -> None:
        """Let the broker nodes read their users and certificates anew, now; who is no longer let in is disconnected."""
        async with self._reloading:
            version = broker_nodes.files_version(self.config)
            if version == self._version:
                return
            nodes = [child for kind, _, child in self._children if kind == "broker" and child.state == "running"]
            await asyncio.gather(*(self._reload(node) for node in nodes))
            self._version = version
            if nodes:
                log.info("the broker goes by its new users and certificates", nodes=len(nodes))
            self._tell()

    # --------------------------------------------------------------------------------------------------------- inside

    async def _start(self) -> None:
        config = self.config
        check_secrets(config)
        first: list[tuple[Kind, str, ChildPlan]] = []
        if self.only in (None, "broker"):
            self._check_files()
            self._version = broker_nodes.files_version(config)
            for node, plan in zip(config.broker.nodes_here, broker_nodes.node_plans(config), strict=True):
                first.append(("broker", f"mqtts://{config.broker.listen}:{node.port}", plan))
        if self.only in (None, "database") and config.database_settings.embedded:
            data, port = config.folder / "database", config.database_settings.port
            if not database_server.exists(data):
                raise ShopPartError(data, "there is no database here", f"Run: lineset shop init {config.folder}")
            first.append(("database", f"postgresql://{LOOPBACK}:{port}", database_server.server_plan(data, port)))
        await self._run(first)
        if self.only in (None, "database"):
            await prepare(config)
        if self.only is None:
            await self._run(list(self._workers()))

    def _check_files(self) -> None:
        config = self.config
        if not config.broker.embedded:
            return
        write_users(config)
        for path, text in broker_texts(config):
            if not path.exists():
                raise ShopPartError(path, "it is missing", f"Run: lineset shop init {config.folder}")
            if path.read_text() != text:
                log.warning("the broker's configuration is not what shop.toml says", file=str(path), remedy=_REWRITE)
        self._renew()

    def _make_use_of_room(self) -> None:
        """Start parts again that found their disk full, now that it is not."""
        for kind, _, child in self._children:
            if kind != "broker" or child.state != "disk full":
                continue
            if shutil.disk_usage(self.config.broker_folder).free > _ROOM:
                log.info("there is room again", part=child.plan.name)
                child.signal(child.plan.stop)  # and its keeper starts it

    def _renew(self) -> None:
        """Make certificates anew that end soon, where they are ours to make; say so of the others."""
        config = self.config
        for node in config.broker.nodes_here:
            path = (config.broker_folder / config.node_certificate(node)[0]).resolve()
            if (left := certificates.days_left(path)) >= certificates.RENEW_DAYS:
                continue
            if not config.broker.certificate and (config.certificates / "authority.key").exists():
                certificates.make_node(config.certificates, node.name, node.host)
                log.info("a certificate was made anew", file=str(path), days_left_before=left)
            else:
                log.warning("a certificate ends soon; renew it where it was made", file=str(path), days_left=left)

    def _workers(self) -> Iterable[tuple[Kind, str, ChildPlan]]:
        config = self.config
        for k in range(config.collector.count):
            yield "collector", "", self._worker("collector", f"c{k + 1}", "--collector-name", f"c{k + 1}")
        yield "board", f"port {config.board.port}", self._worker("board", "")

    def _worker(self, only: str, name: str, *more: str) -> ChildPlan:
        program = (sys.executable, "-c", "from lineset.cli.main import main; main()")
        return ChildPlan(
            name=f"{only} {name}".strip(),
            command=(*program, "shop", "run", "--folder", str(self.config.folder), "--only", only, *more),
            ready=_STARTED,
            stop_s=20.0,
            loud=("[error", "[warning", "Error"),
        )

    async def _run(self, plans: list[tuple[Kind, str, ChildPlan]]) -> None:
        children = [(kind, where, Child(plan, self._tell)) for kind, where, plan in plans]
        self._children += children
        first: BaseException | None = None
        try:
            async with asyncio.TaskGroup() as group:
                for _, _, child in children:
                    group.create_task(child.start())
        except* ShopError as errors:
            first = errors.exceptions[0]
        if first is not None:  # raised in the clause itself it would come out in a group again
            raise first

    async def _reload(self, node: Child) -> None:
        done = broker_nodes.RELOADED[self.config.broker.kind]
        said = asyncio.create_task(node.until(done, broker_nodes.NOT_RELOADED, timeout_s=_RELOAD_S))
        await asyncio.sleep(0)  # it listens before it is told
        node.signal(signal.SIGHUP)
        if done not in (line := await said):
            log.error("a broker node did not read its files anew", part=node.plan.name, said=line)

    async def _look_at_files(self) -> None:
        loop = asyncio.get_running_loop()
        renewed = loop.time()
        while True:
            await asyncio.sleep(_LOOK_S)
            try:
                if loop.time() - renewed > _RENEW_S:
                    renewed = loop.time()
                    self._renew()
                await self.reload()
                self._make_use_of_room()
            except (OSError, ShopError) as error:
                log.error("the broker's files cannot be read", error=str(error))
            except Exception:  # a station that is shut out must not stay in because something else failed once
                log.exception("looking after the broker failed")

    def _tell(self) -> None:
        if self._holding:
            state = Running(pid=os.getpid(), started_at=self._started_at, parts=self.parts, version=self._version)
            try:
                self._holding.tell(state)
            except OSError as error:
                log.error("cannot write down how the shop fares", error=str(error))


_REWRITE = "if you edited shop.toml: lineset shop init FOLDER --rewrite; if you edited the file, never mind"


async def prepare(config: ShopConfig) -> list[str]:
    """Roles (embedded), tables up to date, stations known to the database; names of the migrations that were applied.

    Raises DatabaseError and its kinds, ShopSettingsError.
    """
    from lineset.shop.migrating import prepare_database

    if config.database_settings.embedded:
        user, password = secret(config, "database-admin")
        admin = DatabaseAddress(LOOPBACK, config.database_settings.port, DATABASE_NAME, user, password)
        await database_roles.prepare(admin, database_passwords(config))
    applied = await prepare_database(config)
    await tell_database(config)
    return applied


async def tell_database(config: ShopConfig) -> None:
    """Write the stations into the database, and which are revoked. Raises DatabaseError."""
    rows = [
        (name, _time(row.added_at), _time(row.revoked_at) if row.revoked_at else None)
        for name, row in read_stations(config).stations.items()
    ]
    address = config.database("owner")
    async with connected(address) as connection:
        with explained(address, "while its list of stations was written"):
            await connection.executemany(
                "INSERT INTO lineset.station (station, added_at, revoked_at) VALUES ($1, $2, $3) "
                "ON CONFLICT (station) DO UPDATE SET revoked_at = excluded.revoked_at",
                rows,
            )


def _time(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text)


async def run(
    config: ShopConfig, only: Literal["broker", "database"] | None, on_ready: Callable[[Supervisor], None]
) -> None:
    """Run the parts until SIGINT or SIGTERM; SIGHUP reads the stations anew. Raises ShopError and its kinds."""
    supervisor, stop, loop = Supervisor(config, only), asyncio.Event(), asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    tasks: set[asyncio.Task[None]] = set()

    def reload() -> None:
        tasks.add(task := asyncio.create_task(supervisor.reload(), name="reading the stations anew"))
        task.add_done_callback(tasks.discard)
        task.add_done_callback(told_if_failed)

    loop.add_signal_handler(signal.SIGHUP, reload)
    starting = asyncio.create_task(supervisor.start())
    stopping = asyncio.create_task(stop.wait())
    await asyncio.wait({starting, stopping}, return_when=asyncio.FIRST_COMPLETED)
    try:
        if not starting.done():
            starting.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await starting
            return
        await starting
        on_ready(supervisor)
        await stop.wait()
    finally:
        stopping.cancel()
        await supervisor.stop()


async def run_part(
    config: ShopConfig, only: Literal["collector", "board"], name: str, say: Callable[[str], None]
) -> None:
    """Run one collector, or the board, in this process until SIGINT or SIGTERM. Raises ShopError and its kinds."""
    lock = f"collector-{name}" if only == "collector" else "board"
    holding = Holding(config.folder, (lock,))
    stop, loop = asyncio.Event(), asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    part = PartState(
        name=f"{only} {name}".strip(),
        kind=only,
        where=f"port {config.board.port}" if only == "board" else "",
        pid=os.getpid(),
        state="running",
    )
    started = dt.datetime.now(dt.UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    try:
        holding.tell(Running(pid=os.getpid(), started_at=started, parts=(part,)))
        say(f"the {part.name} {_STARTED}")
        if only == "collector":
            from lineset.shop.collector import run_collector

            await run_collector(config, name, stop)
        else:
            from lineset.shop.board_server import run_board

            await run_board(config, stop)
    finally:
        holding.release()


__all__ = ["DatabaseError", "Supervisor", "prepare", "run", "run_part", "tell_database"]
