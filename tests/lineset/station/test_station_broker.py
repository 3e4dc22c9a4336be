"""The station and its broker: gone and back again, another one by URL, one that lets nobody in."""

from __future__ import annotations

import asyncio
import os
import shutil
import signal
import subprocess
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from claimed_port import free_port
from cli_process import said
from driver_peers import PtyPeer
from station_rig import (
    OVER,
    SYSTEM,
    WAIT_S,
    RegisterImage,
    bodies,
    check_events,
    gauges_image,
    hearing,
    instrument,
    listening,
    plug,
    record_events,
    station,
    station_journals,
    station_text,
    visit_journal,
    write_config,
)

from lineset.contract import entry as e
from lineset.journal.verify import verify
from lineset.station.config import load
from lineset.station.daemon import Station
from lineset.stream.address import BrokerAddress
from lineset.stream.errors import SettingsError

MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
PASSWD = shutil.which("mosquitto_passwd") or "/usr/bin/mosquitto_passwd"
PASSWORD = "an-invented-word"


def restless(image: RegisterImage) -> None:
    """Steps of 20 psi every 300 answers, so that the reading settles and stops being steady again and again."""
    image.inputs[0] = 1180 + 200 * (image.answered // 300 % 2)


def restless_gauges(folder: Path) -> tuple[PtyPeer, str]:
    image = gauges_image()
    image.before = restless
    bus = plug(folder / "bus", image)
    return bus, instrument("gauges", "pressure-transducer-2ch", bus.url, "low vapor_service_pressure")


async def until_status(running: Station, *states: str) -> None:
    async with asyncio.timeout(WAIT_S):
        while running.publisher.status.state not in states:
            await asyncio.sleep(0.005)


async def until_record(running: Station, more: int) -> None:
    """Put so many more events of settling on record, as a person who reads a meter does, and wait until they are."""
    path = running.record.path
    before = len(list(bodies(path, "settled", "unsettled")))
    for n in range(more):
        value = 23.0 + 0.1 * (before + n)
        running.take(
            e.Entered(instrument="by-eye", system="main", point="return_air_temperature", value=value, text=f"{value}")
        )
    async with asyncio.timeout(WAIT_S):
        while len(list(bodies(path, "settled", "unsettled"))) < before + more:
            await asyncio.sleep(0.05)


async def everything_said(running: Station) -> None:
    async with asyncio.timeout(WAIT_S):
        for events in list(running.visits._events.values()):
            await running.publisher.drained(events)


async def test_a_broker_that_is_killed_costs_live_values_and_no_event(tmp_path: Path) -> None:
    bus, body = restless_gauges(tmp_path)
    async with (
        station(tmp_path, station_text(tmp_path / "data", body, speed=60)) as running,
        hearing(running, "watch", name="outside") as ear,
        hearing(running) as hand,
    ):
        assert running.broker is not None
        assert (await hand.command("visit-open", {"visit": "v1", "systems": []}))["ok"]
        for _ in range(3):
            await until_record(running, 1)
            sessions, hands = ear.sessions, hand.sessions
            os.kill(running.broker.pid, signal.SIGKILL)
            await until_status(running, "lost", "unreachable")
            await until_record(running, 1)
            await until_status(running, "connected")
            await ear.until(lambda sessions=sessions: ear.sessions > sessions)
            await hand.until(lambda hands=hands: hand.sessions > hands)
        dropped = running.publisher.dropped_live
        assert (await hand.command("force-close", OVER))["ok"]
        await everything_said(running)
        last = max(record_events(visit_journal(tmp_path / "data", "v1")))
        await ear.until(lambda: any(m.json["seq"] == last for m in ear.events()))
        restarts = running.broker.restarts
    bus.unplug()
    assert restarts == 3
    assert dropped > 0
    journal = visit_journal(tmp_path / "data", "v1")
    assert verify(journal).ok
    check_events(ear.events(), "v1", journal)
    notes = [body["text"] for _, body in bodies(journal, "note")]
    assert any("tried again" in text or "no broker can be reached" in text for text in notes)  # a gap that is told


# ---------------------------------------------------------------------------------------------------- another broker


class Mosquitto:
    """An independent broker as a firm might run it: nobody comes in without a password."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.port = folder, free_port()
        users = folder / "users"
        users.write_text(f"van:{PASSWORD}\noffice:{PASSWORD}\n")
        subprocess.run([PASSWD, "-U", users], check=True, capture_output=True)
        (folder / "mosquitto.conf").write_text(
            f"user root\nlistener {self.port} 127.0.0.1\nallow_anonymous false\npassword_file {users}\n"
            f"persistence true\npersistence_location {folder}/\nautosave_on_changes true\nautosave_interval 1\n"
        )

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    def address(self) -> BrokerAddress:
        return BrokerAddress("127.0.0.1", self.port, "office", PASSWORD)

    async def start(self) -> None:
        self.process = await asyncio.create_subprocess_exec(
            MOSQUITTO, "-v", "-c", str(self.folder / "mosquitto.conf"), stderr=asyncio.subprocess.PIPE
        )
        stream = self.process.stderr
        assert stream is not None
        while b"running" not in (line := await asyncio.wait_for(stream.readline(), WAIT_S)):
            assert line, "mosquitto ended before it ran"
        self._drain = asyncio.create_task(stream.read())

    async def stop(self) -> None:
        if self.process.returncode is None:
            self.process.terminate()
        await self.process.wait()
        await self._drain


@asynccontextmanager
async def mosquitto(folder: Path) -> AsyncIterator[Mosquitto]:
    if not Path(MOSQUITTO).exists() or not Path(PASSWD).exists():
        pytest.skip("mosquitto is not installed (apt-get install mosquitto)")
    broker = Mosquitto(folder)
    await broker.start()
    try:
        yield broker
    finally:
        await broker.stop()


def credentials(folder: Path, password: str = PASSWORD, mode: int = 0o600) -> Path:
    file = folder / "broker.credentials"
    file.write_text(f'username = "van"\npassword = "{password}"\n')
    file.chmod(mode)
    return file


def with_broker(folder: Path, url: str, body: str = "", *, speed: float = 1.0) -> str:
    broker = f'[broker]\nurl = "{url}"\ncredentials = "broker.credentials"\n'
    return station_text(folder / "data", body, speed=speed, system=broker + SYSTEM)


async def test_another_broker_by_url_goes_away_and_comes_back(tmp_path: Path) -> None:
    credentials(tmp_path)
    bus, body = restless_gauges(tmp_path)
    async with mosquitto(tmp_path) as broker:
        text = with_broker(tmp_path, broker.url, body, speed=60)
        async with (
            station(tmp_path, text) as running,
            listening(broker.address, name="outside") as ear,
            listening(broker.address) as hand,
        ):
            assert running.broker is None
            await until_status(running, "connected")
            assert (await hand.command("visit-open", {"visit": "v1", "systems": []}))["ok"]
            await until_record(running, 1)
            await broker.stop()
            await until_status(running, "lost", "unreachable")
            await until_record(running, 2)
            await broker.start()
            await until_status(running, "connected")
            await ear.until(lambda: ear.sessions >= 2)
            await hand.until(lambda: hand.sessions >= 2)
            # the other verbs find this broker too, by a file that holds no secret
            left = (tmp_path / "run" / "broker.json").read_text()
            assert PASSWORD not in left
            code, out, err = await said("visit", "show", "--at", str(tmp_path / "run"))
            assert (code, err) == (0, "")
            assert "visit v1" in out
            assert (await hand.command("force-close", OVER))["ok"]
            last = max(record_events(visit_journal(tmp_path / "data", "v1")))
            await ear.until(lambda: any(m.json["seq"] == last for m in ear.events()))
        assert not (tmp_path / "run" / "broker.json").exists()
        # the station said goodbye on its retained topic
        async with listening(broker.address) as late:
            assert (await late.until_kept("station"))[-1].json["online"] is False
    bus.unplug()
    check_events(ear.events(), "v1", visit_journal(tmp_path / "data", "v1"))


async def test_a_broker_that_refuses_costs_nothing_that_is_recorded(tmp_path: Path) -> None:
    secret = credentials(tmp_path, "not-the-word")
    bus, body = restless_gauges(tmp_path)
    async with mosquitto(tmp_path) as broker:
        text = with_broker(tmp_path, broker.url, body, speed=60)
        async with station(tmp_path, text) as running:
            await until_status(running, "refused")
            told = running.publisher.status.sentence
            async with asyncio.timeout(WAIT_S):
                while not any("refused" in b["text"] for _, b in bodies(running.record.path, "note")):
                    await asyncio.sleep(0.01)
                while len(list(bodies(running.record.path, "frame"))) < 5:
                    await asyncio.sleep(0.01)
            # put right while the station runs
            secret.write_text(secret.read_text().replace("not-the-word", PASSWORD))
            await until_status(running, "connected")
            async with listening(broker.address) as ear:
                assert (await ear.command("visit-open", {"visit": "v1", "systems": []}))["ok"]
    bus.unplug()
    assert "refused the user name or password of 'van'; check the credentials file" in told
    assert "not-the-word" not in told
    assert all(verify(path).ok for path in station_journals(tmp_path / "data"))


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda folder: credentials(folder, mode=0o644), "chmod 600"),
        (lambda folder: None, "No such file"),
        (lambda folder: credentials(folder).write_text("username = 3\n"), 'write username = "..."'),
    ],
)
async def test_credentials_that_cannot_be_used_are_refused_at_the_start(
    tmp_path: Path, make: Callable[[Path], object], words: str
) -> None:
    make(tmp_path)
    config = load(write_config(tmp_path, with_broker(tmp_path, "mqtt://127.0.0.1:1")))
    with pytest.raises(SettingsError, match=r"broker\.credentials") as caught:
        async with Station(config, runtime=tmp_path / "run"):
            pass
    assert words in str(caught.value)
    assert not (tmp_path / "run").exists()


async def test_a_broker_that_nobody_answers_for_is_tried_again_and_again(tmp_path: Path) -> None:
    credentials(tmp_path)
    text = with_broker(tmp_path, f"mqtt://127.0.0.1:{free_port()}")
    async with station(tmp_path, text) as running:
        await until_status(running, "unreachable")
        assert "no broker can be reached" in running.publisher.status.sentence
        assert running.recording
    assert station_journals(tmp_path / "data")


async def test_the_runtime_folder_keeps_its_rights(tmp_path: Path) -> None:
    """`--at` may name a folder that others use too: only our file in it is private."""
    (tmp_path / "run").mkdir(mode=0o755)
    (tmp_path / "run").chmod(0o755)
    async with station(tmp_path, station_text(tmp_path / "data")):
        assert (tmp_path / "run").stat().st_mode & 0o777 == 0o755
        assert (tmp_path / "run" / "broker.json").stat().st_mode & 0o777 == 0o600
        assert (tmp_path / "data").stat().st_mode & 0o077 == 0
    assert not (tmp_path / "run" / "broker.json").exists()
