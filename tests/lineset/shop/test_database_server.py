"""The embedded PostgreSQL by itself: passwords only, killed and recovered, and the words of what is in its way."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import signal
import tempfile
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
from claimed_port import free_port

from lineset.shop.child import Child
from lineset.shop.database_server import forget_dead_server, make_database, server_plan
from lineset.shop.errors import ShopPartError, ShopPortError
from lineset.shop.system_user import SystemUser, check_reachable

WAIT_S = 60.0


@pytest.fixture
def place() -> Iterator[Path]:
    """A folder that the database's own system user can reach, as pytest's folders cannot be when we are root."""
    folder = Path(tempfile.mkdtemp(prefix="lineset-shop-"))
    folder.chmod(0o711)
    yield folder
    shutil.rmtree(folder)


@pytest.fixture
async def server(place: Path) -> AsyncIterator[tuple[Child, Path, int]]:
    data, port = place / "database", free_port()
    await asyncio.to_thread(make_database, data, "a-password", sync=False)
    child = Child(server_plan(data, port, {"fsync": "off", "shared_buffers": "16MB"}))
    await child.start()
    try:
        yield child, data, port
    finally:
        await child.stop()


async def test_the_database_is_let_in_by_password_only_and_comes_back_after_a_kill(
    server: tuple[Child, Path, int],
) -> None:
    import asyncpg

    child, data, port = server
    where = {"host": "127.0.0.1", "port": port, "database": "postgres", "user": "lineset_admin"}
    for password in ("", "wrong"):
        with pytest.raises(asyncpg.InvalidPasswordError):
            await asyncpg.connect(**where, password=password)
    connection = await asyncpg.connect(**where, password="a-password")
    assert await connection.fetchval("SELECT rolpassword LIKE 'SCRAM-SHA-256$%' FROM pg_authid WHERE rolname = user")
    assert await connection.fetchval("SHOW data_checksums") == "on"
    hba = await connection.fetch("SELECT DISTINCT auth_method FROM pg_hba_file_rules")
    assert [row[0] for row in hba] == ["scram-sha-256"]
    await connection.execute("CREATE TABLE kept (n int); INSERT INTO kept VALUES (7)")
    killed = child.pid
    os.kill(killed, signal.SIGKILL)
    async with asyncio.timeout(WAIT_S):
        while child.restarts < 1 or child.state != "running":
            await asyncio.sleep(0.02)
    again = await asyncpg.connect(**where, password="a-password")
    assert await again.fetchval("SELECT n FROM kept") == 7
    await again.close()
    with contextlib.suppress(asyncpg.PostgresError, asyncpg.InterfaceError, OSError):
        await connection.close(timeout=1)
    other = data.with_name("other")
    await asyncio.to_thread(make_database, other, "pw", sync=False)
    with pytest.raises(ShopPortError, match=f"port {port}"):
        await Child(server_plan(other, port)).start()


def test_a_lock_of_a_server_that_has_ended_but_is_not_collected_is_forgotten(tmp_path: Path) -> None:
    lock = tmp_path / "postmaster.pid"
    lock.write_text(f"{os.getpid()}\n{tmp_path}\n")
    forget_dead_server(tmp_path)
    assert lock.exists()  # a process that runs
    pid = os.posix_spawn("/bin/true", ["true"], {})
    os.waitid(os.P_PID, pid, os.WEXITED | os.WNOWAIT)  # ended, not collected
    lock.write_text(f"{pid}\n{tmp_path}\n")
    forget_dead_server(tmp_path)
    assert not lock.exists()
    os.waitpid(pid, 0)


async def test_a_folder_that_the_database_cannot_pass_is_named(tmp_path: Path) -> None:
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o700)
    tmp_path.chmod(0o711)
    stranger = SystemUser(64_999, 64_999)
    for parent in reversed(closed.parents):
        if parent.stat().st_mode & 0o001 == 0:
            break
    else:
        parent = closed
    with pytest.raises(ShopPartError, match="chmod o\\+x") as caught:
        check_reachable(closed / "database", stranger)
    assert caught.value.where == str(parent)
