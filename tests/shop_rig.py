"""For tests of the shop: a real PostgreSQL a test process, a new database a test, and a shop's folder that uses it.

Fixtures: import them in a conftest (`from shop_rig import postgres, shop_config, shop_folder`).

- `postgres`: the server, started once a test process; `postgres.new_database()` gives the name of a database with roles
  and schema.
- `shop_folder`: the folder of a shop `north` with free ports, whose database is a new one on that server.
- `shop_config`: the same, loaded.
- `shop_broker`: the same with its broker running; `async with running_broker(config) as supervisor` where a test wants
  the supervisor, then `join, = await admitted(supervisor, "van-1")` and `join.addresses()`.
"""

from __future__ import annotations

import asyncio
import itertools
import os
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import AsyncIterator, Coroutine, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Literal
from unittest import mock

import pytest
from claimed_port import free_port

from lineset.shop import setting_up, stations
from lineset.shop.database import connected
from lineset.shop.database_roles import ROLE_NAMES, database_statements, role_statements
from lineset.shop.database_server import ADMIN, READY, SETTINGS, make_database, server_plan
from lineset.shop.migrating import MAKE_MONTHS, migrate
from lineset.shop.setting_up import Wish, set_up_folder
from lineset.shop.shop_config import DATABASE_ROLES, DatabaseAddress, DatabaseRole, ShopConfig, load_shop
from lineset.shop.shop_secrets import credentials_text, new_password
from lineset.shop.supervise import Supervisor, tell_database
from lineset.station.join_file import JoinFile
from lineset.stream import leash
from lineset.stream.address import write_private

# Nothing here has to live through a power cut.
_FAST = {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off", "shared_buffers": "64MB"}
_TEMPLATE = "lineset_template"


class Postgres:
    """A real server with the shop's roles; passwords are new at each start, the same for all its databases."""

    def __init__(self, folder: Path) -> None:
        self.data, self.port = folder / "data", free_port()
        self.passwords = {role: new_password() for role in DATABASE_ROLES}
        self._admin_password = new_password()
        self._numbers = itertools.count(1)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._thread.start()
        make_database(self.data, self._admin_password, sync=False)
        plan = server_plan(self.data, self.port, {**SETTINGS, **_FAST})
        user = ["--user", plan.user] if plan.user else []
        self._process = subprocess.Popen(
            [sys.executable, "-I", "-S", leash.__file__, *user, str(os.getpid()), *plan.command],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            cwd=plan.folder,
        )
        said = self._process.stderr
        assert said is not None
        while READY.encode() not in (line := said.readline()):
            assert line, "PostgreSQL ended before it was ready"
        threading.Thread(target=said.read, daemon=True).start()
        self._do(self._make_template())

    def stop(self) -> None:
        if self._process:
            self._process.kill()
            self._process.wait()
            for stream in (self._process.stdin, self._process.stderr):
                assert stream is not None
                stream.close()
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    def address(self, database: str, role: DatabaseRole | Literal["admin"] = "admin") -> DatabaseAddress:
        """How to connect to a database as one of the roles, or as the administrator."""
        if role == "admin":
            return DatabaseAddress("127.0.0.1", self.port, database, ADMIN, self._admin_password)
        return DatabaseAddress("127.0.0.1", self.port, database, f"lineset_{role}", self.passwords[role])

    def new_database(self) -> str:
        """The name of a new database with the newest schema, empty."""
        name = f"lineset_{next(self._numbers)}"
        self._do(self._execute(f"CREATE DATABASE {name} TEMPLATE {_TEMPLATE} OWNER lineset_owner STRATEGY file_copy"))
        return name

    def drop(self, name: str) -> None:
        self._do(self._execute(f"DROP DATABASE {name} WITH (FORCE)"))

    def _do(self, work: Coroutine[Any, Any, None]) -> None:
        asyncio.run_coroutine_threadsafe(work, self._loop).result(30)

    async def _execute(self, *statements: str) -> None:
        async with connected(self.address("postgres")) as connection:
            for statement in statements:
                await connection.execute(statement)

    async def _make_template(self) -> None:
        await self._execute(*role_statements(self.passwords), *database_statements(_TEMPLATE))
        owner = self.address(_TEMPLATE, "owner")
        async with connected(owner) as connection:
            await migrate(connection, owner)
            await connection.execute(MAKE_MONTHS)


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """A real PostgreSQL for this test process."""
    folder = Path(tempfile.mkdtemp(prefix="lineset-postgres-"))
    folder.chmod(0o711)  # as root the server runs as another user, who has to pass here
    server = Postgres(folder)
    try:
        server.start()
        yield server
    finally:
        server.stop()
        shutil.rmtree(folder)


@pytest.fixture
def shop_folder(postgres: Postgres, tmp_path: Path) -> Iterator[Path]:
    """The folder of a shop `north` of one broker node with free ports, and a new database on `postgres`."""
    name = postgres.new_database()
    yield make_shop(tmp_path / "shop", postgres, name)
    postgres.drop(name)


def make_shop(
    folder: Path, postgres: Postgres, database: str, *, nodes: Literal[1, 3] = 1, mosquitto: bool = False
) -> Path:
    """A shop's folder as `lineset shop init` makes it, for a database on `postgres`."""
    (folder / "secrets").mkdir(parents=True, mode=0o700)
    for role, password in postgres.passwords.items():
        write_private(
            folder / "secrets" / f"database-{role}.toml", credentials_text(ROLE_NAMES[role], password).encode()
        )
    url = f"postgresql://127.0.0.1:{postgres.port}/{database}"
    with mock.patch.object(setting_up, "free_ports", lambda count: [free_port() for _ in range(count)]):
        set_up_folder(
            folder,
            Wish(name="north", nodes=nodes, hosts=("localhost",), port=0, database_url=url, mosquitto=mosquitto),
        )
    return folder


@pytest.fixture
def shop_config(shop_folder: Path) -> ShopConfig:
    """The settings of `shop_folder`."""
    return load_shop(shop_folder)


@pytest.fixture
async def shop_broker(shop_config: ShopConfig) -> AsyncIterator[ShopConfig]:
    """The settings of `shop_folder`, whose broker runs; `stations.add(config, name)` before it starts, or reload it."""
    async with running_broker(shop_config):
        yield shop_config


@asynccontextmanager
async def running_broker(config: ShopConfig) -> AsyncIterator[Supervisor]:
    """The broker nodes of a shop for as long as the block lasts; `await supervisor.reload()` after a change."""
    supervisor = Supervisor(config, "broker")
    await supervisor.start()
    try:
        yield supervisor
    finally:
        await supervisor.stop()


async def admitted(supervisor: Supervisor, *names: str) -> tuple[JoinFile, ...]:
    """Let stations in, at a running broker and in the database; their join files."""
    joins = tuple(stations.add(supervisor.config, name) for name in names)
    await supervisor.reload()
    await tell_database(supervisor.config)
    return joins
