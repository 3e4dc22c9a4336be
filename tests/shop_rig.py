"""For tests of the shop: a real PostgreSQL a test process, a new database a test, and a shop's folder that uses it.

Fixtures: import them in a conftest (`from shop_rig import postgres, shop_config, shop_folder`).

- `postgres`: the server, started once a test process; `postgres.new_database()` gives the name of a database with roles
  and schema.
- `shop_folder`: the folder of a shop `north` with free ports, whose database is a new one on that server.
- `shop_config`: the same, loaded.
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
from collections.abc import Coroutine, Iterator
from pathlib import Path
from typing import Any

import pytest

from lineset.shop.database import connected
from lineset.shop.database_roles import database_statements, role_statements
from lineset.shop.database_server import ADMIN, READY, SETTINGS, make_database, server_plan
from lineset.shop.migrating import MAKE_MONTHS, migrate
from lineset.shop.settings_text import settings_text
from lineset.shop.shop_config import (
    DATABASE_ROLES,
    BrokerSettings,
    DatabaseAddress,
    DatabaseSettings,
    NodeSettings,
    ShopConfig,
    ShopPart,
    load_shop,
)
from lineset.shop.shop_secrets import make_secrets, new_password, usernames
from lineset.stream import leash
from lineset.stream.broker import free_port

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

    def address(self, database: str, role: str = "admin") -> DatabaseAddress:
        """How to connect to a database as one of the roles, or as the administrator."""
        if role == "admin":
            return DatabaseAddress("127.0.0.1", self.port, database, ADMIN, self._admin_password)
        return DatabaseAddress("127.0.0.1", self.port, database, f"lineset_{role}", self.passwords[role])  # type: ignore[index]

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


def make_shop(folder: Path, postgres: Postgres, database: str, *, nodes: int = 1) -> Path:
    """A shop's folder as `lineset shop init` makes it, for a database on `postgres`."""
    (folder / "secrets").mkdir(parents=True, mode=0o700)
    folder.chmod(0o700)
    for role, password in postgres.passwords.items():
        file = folder / "secrets" / f"database-{role}.toml"
        file.write_text(f'username = "lineset_{role}"\npassword = "{password}"\n')
        file.chmod(0o600)
    config = ShopConfig(
        shop=ShopPart(name="north"),
        broker=BrokerSettings(
            listen="127.0.0.1",
            node=tuple(
                NodeSettings(
                    name=f"n{n}",
                    host="localhost",
                    port=free_port(),
                    websocket_port=free_port(),
                    route_port=free_port(),
                )
                for n in range(1, nodes + 1)
            ),
        ),
        database_settings=DatabaseSettings(embedded=False, url=f"postgresql://127.0.0.1:{postgres.port}/{database}"),
    )
    (folder / "shop.toml").write_text(settings_text(config))
    make_secrets(folder, usernames())
    return folder


@pytest.fixture
def shop_config(shop_folder: Path) -> ShopConfig:
    """The settings of `shop_folder`."""
    return load_shop(shop_folder)
