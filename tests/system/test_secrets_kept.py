"""Secrets of a running station: none in its log at its most talkative, none on record, no file that others can read."""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
import urllib.request
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from cli_process import PROGRAM, Running
from station_rig import SYSTEM, WAIT_S, listening, visit_journal, write_config

from lineset.contract.topic import Topics
from lineset.station.join_file import JoinFile, join_text
from lineset.stream.address import read_broker_file
from lineset.stream.broker import LocalBroker
from lineset_drivers.relay_server import new_key

pytestmark = pytest.mark.system

BINDKEY = "231d39c1d7cc1ab1aee224cd096db932"  # of an example of the BTHome documentation
TOKEN = "an-invented-token-for-scrapers"
PASSWORD = "an-invented-password"
STATION = '[station]\nname = "van-3"\nshop = "north"\ndata = "data"\n'
INSTRUMENTS = f"""
[relay]
key_file = "relay.key"
[[instrument]]
id = "beacon"
profile = "air-beacon"
link = "ble://A4:C1:38:00:00:01"
options.bindkey = "{BINDKEY}"
[[instrument]]
id = "attic"
profile = "pressure-transducer-2ch"
link = "relay://127.0.0.1:1"
[metrics]
enabled = true
port = 0
token = "token"
[board]
port = 0
[cues]
speak = false
"""


def private(file: Path, text: str) -> str:
    file.write_text(text)
    file.chmod(0o600)
    return text


@asynccontextmanager
async def talkative(folder: Path, config: str, *more: str) -> AsyncIterator[Running]:
    """A station that logs all it can; it has ended by itself at the end of the block."""
    file = write_config(folder, config)
    command = [*PROGRAM, "run", "--config", str(file), "--at", str(folder / "run"), "--verbose", *more]
    pipe = asyncio.subprocess.PIPE
    running = Running(await asyncio.create_subprocess_exec(*command, stdout=pipe, stderr=pipe))
    try:
        await running.until("is running", err=True)
        yield running
        running.process.send_signal(signal.SIGTERM)
        assert await running.end() == 0
    finally:
        if running.process.returncode is None:
            running.process.kill()


def keep(secrets: dict[str, str], running: Running, folder: Path) -> None:
    """Nothing that was printed and no record holds one of these."""
    said = "\n".join(running.out + running.err)
    assert "ready" in said
    assert "stopped" in said
    journals = [path for path in (folder / "data").rglob("*") if ".journal" in path.name]
    assert journals
    for name, secret in secrets.items():
        assert secret not in said, f"{name} was logged"
        for path in journals:
            assert secret.encode() not in path.read_bytes(), f"{name} is in {path.name}"


async def test_a_station_with_its_own_broker_keeps_its_secrets(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir(mode=0o755)  # made by somebody, for all to read
    secrets = {"bind key": BINDKEY, "token": private(tmp_path / "token", TOKEN)}
    secrets["relay key"] = private(tmp_path / "relay.key", new_key())
    join = JoinFile(
        format=1, shop="north", station="van-3", urls=("mqtts://127.0.0.1:1",), username="van-3", password=PASSWORD
    )
    private(tmp_path / "data" / "uplink.toml", join_text(join))
    secrets["password at the shop"] = PASSWORD
    async with talkative(tmp_path, STATION + SYSTEM + INSTRUMENTS, "--log-json") as running:
        broker = read_broker_file(tmp_path / "run")
        secrets |= {f"password of {role}": who["password"] for role, who in broker.credentials.items()}
        url = json.loads((tmp_path / "run" / "board.json").read_text())["url"]
        where, secrets["token of the board"] = url.split("/#")
        request = urllib.request.Request(
            f"{where}/session", headers={"Authorization": f"Bearer {secrets['token of the board']}"}
        )
        session = json.loads(await asyncio.to_thread(lambda: urllib.request.urlopen(request, timeout=WAIT_S).read()))
        assert session["password"] == secrets["password of technician"]
        async with listening(lambda: broker.address("technician")) as ear:
            reply = await ear.command("visit-open", {"systems": []})
            assert reply["ok"], reply
            await ear.instrument("attic", "seeking", "cannot")
            await running.until("mqtts://127.0.0.1:1: no broker can be reached", err=True)
            assert (await ear.command("note", {"text": "noted"}))["ok"]
    keep(secrets, running, tmp_path)
    assert b"left out of the record" in visit_journal(tmp_path / "data", reply["data"]["visit"]).read_bytes()
    for path in [*(tmp_path / "data").rglob("*"), *(tmp_path / "run").rglob("*")]:
        assert path.stat().st_mode & 0o077 == 0, f"others can get at {path}"


async def test_a_station_keeps_its_password_for_another_broker_also_when_it_is_refused(tmp_path: Path) -> None:
    async with LocalBroker(tmp_path / "broker", Topics("north", "van-3"), runtime=tmp_path / "other") as broker:
        private(tmp_path / "credentials", f'username = "station"\npassword = "{PASSWORD}"\n')
        other = f'[broker]\nurl = "mqtt://127.0.0.1:{broker.mqtt_port}"\ncredentials = "credentials"\n'
        async with talkative(tmp_path, STATION + SYSTEM + other + "[board]\nenabled = false\n") as running:
            await running.until("refused the user name or password", err=True)
            right = broker.address("station").password
            private(tmp_path / "credentials", f'username = "station"\npassword = "{right}"\n')
            await running.until("connected to mqtt://", err=True)
    keep({"wrong password": PASSWORD, "right password": right}, running, tmp_path)


@pytest.mark.parametrize("as_json", [False, True])
def test_a_fault_is_logged_without_the_values_that_were_at_hand(as_json: bool) -> None:
    program = f"""
import structlog
from lineset.station.logs import set_up_logs
set_up_logs(as_json={as_json}, verbose=True)
def connect(password):
    raise RuntimeError("no way through")
try:
    connect("{PASSWORD[:10]}" + "{PASSWORD[10:]}")
except RuntimeError:
    structlog.get_logger("test").exception("it failed")
"""
    said = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stderr
    assert "no way through" in said
    assert "connect" in said  # where it was
    assert PASSWORD not in said
