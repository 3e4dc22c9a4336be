"""Instruments that send lines: hand-written bytes on a pseudo-terminal, and the simulated clamp meter."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from driver_peers import Inbox, PtyPeer

from lineset_drivers import profile
from lineset_drivers.clock import NS, VisitClock
from lineset_drivers.fleet import Fleet
from lineset_drivers.frame import Flag, State
from lineset_drivers.instrument import InstrumentSpec
from lineset_drivers.profile import read
from lineset_simulators.line_stream import LineStream
from lineset_simulators.meters import ClampMeter
from lineset_simulators.pty_port import PtyPort

# Checksums by hand: the exclusive or of the bytes between $ and *
AMPS = b"$CM,ACA,+012.34,A,----*3D\r\n"
HELD = b"$CM,ACA,+012.34,A,H---*58\r\n"
OPEN_LEADS = b"$CM,RES,OL,Ohm,-B--*6C\r\n"
WRONG = b"$CM,ACA,+912.34,A,----*3D\r\n"


def checked(body: bytes) -> bytes:
    total = 0
    for byte in body[1:]:
        total ^= byte
    return body + b"*%02X\r\n" % total


@pytest.fixture
async def peer(tmp_path: Path) -> AsyncIterator[PtyPeer]:
    peer = PtyPeer(tmp_path / "port")
    peer.plug()
    yield peer
    peer.unplug()


def clamp(peer: PtyPeer) -> InstrumentSpec:
    return InstrumentSpec("clamp", profile.load("clamp-meter-line"), peer.url)


def test_the_bytes_above_are_right() -> None:
    for line in (AMPS, HELD, OPEN_LEADS):
        assert checked(line.rpartition(b"*")[0]) == line


async def test_lines_become_frames_however_they_are_cut(peer: PtyPeer) -> None:
    inbox = Inbox()
    async with Fleet([clamp(peer)], VisitClock(), inbox):
        await inbox.reaches("clamp", State.SEEKING, "the link is open")
        peer.send(AMPS[9:] + AMPS)  # the first piece has no beginning
        for byte in HELD:
            peer.send(bytes((byte,)))
        peer.send(WRONG + OPEN_LEADS)
        await inbox.until(lambda: len(inbox.frames) >= 3)
    assert [frame.raw for frame in inbox.frames] == [AMPS[:-2], HELD[:-2], OPEN_LEADS[:-2]]
    samples = [(s.channel, s.value, s.unit, s.flag) for frame in inbox.frames for s in frame.samples]
    assert samples == [
        ("current", 12.34, "A", Flag.OK),
        ("current", 12.34, "A", Flag.HELD),
        ("resistance", None, "Ohm", Flag.OVER_RANGE),
    ]
    assert "battery is low" in inbox.told("clamp")[-1].reason


async def test_only_damaged_lines_are_told(peer: PtyPeer) -> None:
    inbox = Inbox()
    async with Fleet([clamp(peer)], VisitClock(), inbox):
        await inbox.reaches("clamp", State.SEEKING, "the link is open")
        peer.send(b"\r\n" + WRONG)
        told = await inbox.reaches("clamp", State.SEEKING, "checksum")
    assert "cable" in told.reason
    assert not inbox.frames


async def test_a_stream_that_ends_goes_stale_and_comes_back(peer: PtyPeer) -> None:
    inbox = Inbox()
    async with Fleet([clamp(peer)], VisitClock(rate=10.0), inbox):
        await inbox.reaches("clamp", State.SEEKING, "the link is open")
        peer.send(b"\r\n" + AMPS)
        await inbox.reaches("clamp", State.LINKED)
        told = await inbox.reaches("clamp", State.STALE, "nothing comes over the cable")
        assert "switched on" in told.reason
        assert told.t - inbox.frames[0].t >= 5 * NS
        peer.send(AMPS)
        await inbox.reaches("clamp", State.LINKED)


async def test_a_full_inbox_drops_the_oldest_lines_and_counts_them(peer: PtyPeer) -> None:
    inbox, sent = Inbox(), 200
    async with Fleet([clamp(peer)], VisitClock(), inbox):
        await inbox.reaches("clamp", State.SEEKING, "the link is open")
        peer.send(b"\r\n")
        inbox.full = True
        for n in range(sent):
            peer.send(checked(b"$CM,ACA,%+07.2f,A,----" % (n / 100)))
            if n % 50 == 49:
                await asyncio.sleep(0.02)
        await inbox.until(lambda: inbox.told("clamp")[-1].state is State.LINKED)
        inbox.full = False
        peer.send(checked(b"$CM,ACA,+099.99,A,----"))
        await inbox.until(lambda: 99.99 in inbox.values("clamp", "current"))
    lost = sum(loss.count for loss in inbox.losses)
    assert {loss.kind for loss in inbox.losses} == {"stream_dropped"}
    values = inbox.values("clamp", "current")
    assert lost + len(values) == sent + 1  # every line is either there or counted
    assert lost > 0
    assert values == [n / 100 for n in range(lost, sent)] + [99.99]  # the oldest went, the order stayed
    stamps = [frame.t for frame in inbox.frames]
    assert stamps == sorted(stamps)


async def test_what_still_waits_when_the_fleet_stops_is_counted(peer: PtyPeer) -> None:
    inbox = Inbox()
    async with Fleet([clamp(peer)], VisitClock(), inbox):
        await inbox.reaches("clamp", State.SEEKING, "the link is open")
        inbox.full = True
        peer.send(b"\r\n" + AMPS + AMPS)  # all in one piece
        await inbox.reaches("clamp", State.LINKED)
        await asyncio.sleep(0.02)
    assert sum(loss.count for loss in inbox.losses) == 2


async def test_columns_and_a_question_for_each_line(tmp_path: Path) -> None:
    text = """
[profile]
name = "columns"
protocol = "lines"
source = "a script"
poll_s = 0.05
[lines]
terminator = "\\n"
delimiter = ";"
poll = "Q\\n"
units = { MFD = "uF" }
[[channel]]
name = "capacitance"
quantity = "capacitance"
unit = "uF"
column = 1
when = { 0 = ["CAP"] }
over_range = ["----"]
source = "a script"
[[channel]]
name = "current"
quantity = "current"
unit = "A"
column = 1
when = { 0 = ["AMP"] }
source = "a script"
"""
    loaded, problems = read(text, "columns.toml")
    assert not problems
    lines = iter([b"CAP; 44.7\n", b"CAP;----\n", b"AMP;9.5\n"])
    peer = PtyPeer(tmp_path / "port", lambda request: [(0, next(lines, b"OFF;0\n"))], request_size=2)
    peer.plug()
    inbox = Inbox()
    async with Fleet([InstrumentSpec("meter", loaded, peer.url)], VisitClock(), inbox):
        await inbox.until(lambda: len(inbox.frames) >= 3)
    peer.unplug()
    assert set(peer.heard) == {b"Q\n"}
    assert [(s.channel, s.value, s.flag) for frame in inbox.frames for s in frame.samples] == [
        ("capacitance", 44.7, ""),
        ("capacitance", None, Flag.OVER_RANGE),
        ("current", 9.5, ""),
    ]


class Level:
    """A source whose value the test sets (SI)."""

    value = 12.34

    def read(self) -> float:
        return self.value


async def test_the_simulated_clamp_meter_moves_from_current_to_capacitance(tmp_path: Path) -> None:
    level, inbox = Level(), Inbox()
    port = PtyPort(tmp_path / "clamp")
    port.plug()
    meter = ClampMeter(level)
    stream = LineStream(meter, port)
    spec = InstrumentSpec("clamp", profile.load("clamp-meter-line"), port.address)
    async with Fleet([spec], VisitClock(), inbox):
        second = 0.0

        async def speak(channel: str) -> None:
            nonlocal second
            async with asyncio.timeout(60):
                while not inbox.values("clamp", channel):
                    second += 0.5
                    stream.advance(second)
                    await asyncio.sleep(0.01)

        await speak("current")
        level.value = 44.7e-6
        meter.select("CAP")
        await speak("capacitance")
        stream.faults.inject("damaged")
        stream.advance(second + 1)
        level.value = 230.0
        meter.select("ACV")
        await speak("voltage")
    port.close()
    assert set(inbox.values("clamp", "current")) == {12.34}
    assert set(inbox.values("clamp", "capacitance")) == {44.7}
    assert set(inbox.values("clamp", "voltage")) == {230.0}
