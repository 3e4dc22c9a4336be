"""A relay with a real serial instrument behind it: no frame is lost when the link drops, the relay restarts, or the
station is full; each arrives once, in order, at the time when it was read.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest
from driver_peers import Inbox, PtyPeer

from lineset_drivers import profile
from lineset_drivers.clock import NS, VisitClock, boot_ns
from lineset_drivers.errors import DriverError, LinkError
from lineset_drivers.fleet import Fleet
from lineset_drivers.frame import Sample, State
from lineset_drivers.instrument import InstrumentSpec
from lineset_drivers.protocols.relay import Pong, Spooled
from lineset_drivers.relay_server import RelayServer, new_key, read_key
from lineset_drivers.relay_spool import SKIP, Spool, SpoolError
from lineset_drivers.relayed import RelayClock, Relayed

KEY = new_key()
CLAMP = profile.load("clamp-meter-line")


def line(number: int) -> bytes:
    """One line of the clamp meter: its amps tell the number. Checksum: exclusive or between $ and *."""
    body = b"$CM,ACA,+%06.2f,A,----" % (number / 100)
    total = 0
    for byte in body[1:]:
        total ^= byte
    return body + b"*%02X\r\n" % total


class Station(Inbox):
    """A sink that says what it has on record, as a station does; `storing` False: it stores nothing now."""

    def __init__(self) -> None:
        super().__init__()
        self.storing = True
        self.known = -1

    def kept(self, instrument: str) -> int:
        if self.storing and self.frames:
            self.known = max(frame.spool for frame in self.frames)
        return self.known

    @property
    def numbers(self) -> list[int]:
        return [round((frame.samples[0].value or 0.0) * 100) for frame in self.of("clamp")]


class Cable:
    """A TCP connection between station and relay that can be cut, and stays cut until it is mended."""

    def __init__(self, target: Callable[[], int]) -> None:
        self._target = target
        self._open: list[asyncio.StreamWriter] = []
        self.broken = False
        self.connections = 0

    async def __aenter__(self) -> Cable:
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self.cut()
        self._server.close()

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self.broken:
            writer.close()
            return
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._target())
        except OSError:
            writer.close()
            return
        self.connections += 1
        self._open += [writer, far_writer]
        await asyncio.gather(self._carry(reader, far_writer), self._carry(far_reader, writer))

    @staticmethod
    async def _carry(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(4096):
                writer.write(data)
                await writer.drain()
        writer.close()

    def cut(self) -> None:
        for writer in self._open:
            writer.transport.abort()
        self._open.clear()


@pytest.fixture
async def peer(tmp_path: Path) -> AsyncIterator[PtyPeer]:
    peer = PtyPeer(tmp_path / "port")
    peer.plug()
    yield peer
    peer.unplug()


def relay(tmp_path: Path, peer: PtyPeer, port: int = 0) -> RelayServer:
    spec = InstrumentSpec("clamp", CLAMP, peer.url)
    return RelayServer("attic", read_key(KEY, "test"), [spec], Spool(tmp_path / "spool"), host="127.0.0.1", port=port)


def at_station(port: int, key: str = KEY) -> InstrumentSpec:
    return InstrumentSpec("clamp", CLAMP, f"relay://127.0.0.1:{port}", options={"relay_key": key})


async def linked(server: RelayServer, peer: PtyPeer) -> None:
    """Wait until the port is open; the first line after that may be half a one, so that it never counts."""
    async with asyncio.timeout(60):
        while "clamp" not in server._states or "the link is open" not in server._states["clamp"].reason:
            await asyncio.sleep(0.01)
    peer.send(line(0))


async def test_every_frame_arrives_once_in_order_though_the_link_drops(tmp_path: Path, peer: PtyPeer) -> None:
    station = Station()
    async with relay(tmp_path, peer) as server, Cable(lambda: server.port) as cable:
        await linked(server, peer)
        async with Fleet([at_station(cable.port)], VisitClock(), station):
            for number in range(1, 401):
                peer.send(line(number))
                if number % 100 == 50:
                    await station.until(lambda n=number: n - 10 in station.numbers)  # type: ignore[misc]
                    cable.cut()
                if number % 20 == 0:
                    await asyncio.sleep(0)  # let the pseudo-terminal empty
                    await asyncio.sleep(0.01)
            await station.until(lambda: 400 in station.numbers)
            await station.reaches("clamp", State.LINKED)
            async with asyncio.timeout(60):
                while server.spool.waiting:  # all receipts came, and nothing is kept any more
                    await asyncio.sleep(0.02)
    assert list(dict.fromkeys(station.numbers)) == list(range(1, 401))  # none missing, none out of order
    spooled = [frame.spool for frame in station.of("clamp")]
    assert sorted(set(spooled)) == list(range(1, 401))
    assert cable.connections >= 5


async def test_what_was_read_while_nobody_listened_and_before_a_restart_comes_later(
    tmp_path: Path, peer: PtyPeer
) -> None:
    async with relay(tmp_path, peer) as server:
        await linked(server, peer)
        for number in range(1, 21):
            peer.send(line(number))
        async with asyncio.timeout(60):
            while server.spool.committed < 20:
                await asyncio.sleep(0.01)
    server.spool.close()
    station = Station()
    clock = VisitClock(start=3600 * NS)
    async with relay(tmp_path, peer) as again, contextlib.AsyncExitStack() as stack:
        await stack.enter_async_context(Fleet([at_station(again.port)], clock, station))
        await station.until(lambda: len(station.frames) >= 20)
    again.spool.close()
    assert station.numbers == list(range(1, 21))
    ages = [(3600 * NS - frame.t) / NS for frame in station.frames]
    assert all(0.0 <= age < 60.0 for age in ages)  # before the station's clock began, and not long before


async def test_a_station_that_is_full_makes_the_relay_keep_what_comes(tmp_path: Path, peer: PtyPeer) -> None:
    station = Station()
    station.full = True
    async with relay(tmp_path, peer) as server, Fleet([at_station(server.port)], VisitClock(), station):
        await linked(server, peer)
        for number in range(1, 31):
            peer.send(line(number))
        async with asyncio.timeout(60):
            while server.spool.committed < 30:
                await asyncio.sleep(0.01)
        assert server.spool.waiting == 30
        station.full = False
        await station.until(lambda: len(station.frames) == 30)
        async with asyncio.timeout(60):
            while server.spool.waiting:
                await asyncio.sleep(0.02)
    assert station.numbers == list(range(1, 31))
    assert station.losses == []


async def test_a_wrong_key_is_said_and_nothing_is_told(tmp_path: Path, peer: PtyPeer) -> None:
    station = Station()
    async with relay(tmp_path, peer) as server:
        await linked(server, peer)
        peer.send(line(1))
        async with Fleet([at_station(server.port, new_key())], VisitClock(), station):
            await station.reaches("clamp", State.SEEKING, "another key")
    assert station.frames == []


async def test_a_relay_that_is_away_is_said_and_sought(tmp_path: Path, peer: PtyPeer) -> None:
    station = Station()
    async with Cable(lambda: 1) as cable, Fleet([at_station(cable.port)], VisitClock(), station):
        await station.reaches("clamp", State.SEEKING, "closed the connection")
        async with relay(tmp_path, peer) as server:
            cable._target = lambda: server.port
            await linked(server, peer)
            peer.send(line(7))
            await station.reaches("clamp", State.LINKED)
            await station.until(lambda: 7 in station.numbers)
        await station.reaches("clamp", State.LOST, "keeps what it reads")


def test_without_a_key_it_is_told_what_to_do() -> None:
    from lineset_drivers.instrument import Context

    with pytest.raises(LinkError, match="no key is configured"):
        Relayed([at_station(1, "")], Context(VisitClock(), Station()))
    for wrong in ("", "zz", "ab" * 8 + "a", "abcd"):
        with pytest.raises(DriverError, match="new-key"):
            read_key(wrong, "relay.key")


def test_the_answer_that_came_quickest_is_trusted_most() -> None:
    clock = RelayClock()
    assert not clock.known
    clock.learn(Pong(1, "run-1", 1_000, 50_000), 10_000, 10_400)  # a trip of 400 ns
    clock.learn(Pong(2, "run-1", 2_000, 51_000), 20_000, 29_000)  # slower: not believed
    assert clock.ours("run-1", 1_000, 0) == 10_200
    clock.learn(Pong(3, "run-1", 3_000, 52_000), 12_100, 12_200)
    assert clock.ours("run-1", 3_000, 0) == 12_150
    # of another run of the relay only the wall clock can be compared
    assert clock.ours("run-0", 999_999, 52_000) == 12_150


def message(number: int) -> Spooled:
    return Spooled(0, "b", boot_ns(), 0, "clamp", b"", (Sample("current", float(number), "A"),))


def test_a_spool_numbers_on_after_a_restart_also_when_it_is_empty(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool")
    assert [spool.add(message(n)) for n in range(3)] == [1, 2, 3]
    assert [m.seq for m in spool.after(1)] == [2, 3]  # handed on at once, made durable a little later
    spool.commit()
    spool.forget(3)
    spool.close()
    again = Spool(tmp_path / "spool")
    assert (again.waiting, again.add(message(4))) == (0, 3 + SKIP + 1)
    again.close()


def test_a_number_never_means_two_frames_though_power_was_lost_before_a_commit(tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool")
    spool.add(message(1))
    spool.commit()
    lost = [spool.add(message(n)) for n in (2, 3)]
    spool._db.execute("ROLLBACK")  # as after a power cut
    spool._open = False
    spool.close()
    again = Spool(tmp_path / "spool")
    assert [m.seq for m in again.after(0)] == [1]
    assert again.add(message(4)) > max(lost)
    again.close()


def test_what_is_no_spool_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "notes").write_text("hello " * 200)
    with pytest.raises(SpoolError, match="notes"):
        Spool(tmp_path / "notes")
    assert (tmp_path / "notes").read_text().startswith("hello")
