"""SCPI instruments over TCP: a hand-written meter that reads no profile of ours, and the simulated bench meter."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from driver_peers import Inbox

from lineset_drivers import profile
from lineset_drivers.clock import VisitClock
from lineset_drivers.fleet import Fleet
from lineset_drivers.frame import Flag, State
from lineset_drivers.instrument import InstrumentSpec
from lineset_drivers.profile import Profile, read
from lineset_simulators.meters import BenchMeter
from lineset_simulators.scpi_server import ScpiServer
from lineset_simulators.tcp_port import TcpPort

TEXT = """
[profile]
name = "stranger"
protocol = "scpi"
source = "a script"
poll_s = 0.05
stale_after_s = 1.0
[link]
timeout_s = 0.15
[scpi]
errors = "{errors}"
setup = ["SYST:REM"]
[identity]
match = "ACME,METER,(?P<serial>[^,]*),.*"
[[channel]]
name = "voltage"
quantity = "voltage"
unit = "V"
query = "READ?"
source = "a script"
[[channel]]
name = "frequency"
quantity = "frequency"
unit = "Hz"
query = "READ?"
column = 1
source = "a script"
"""


def stranger(errors: str = "text") -> Profile:
    loaded, problems = read(TEXT.replace("{errors}", errors), "stranger.toml")
    assert not problems
    return loaded


Reply = Callable[[str], list[tuple[float, bytes]]]


@asynccontextmanager
async def meter(reply: Reply) -> AsyncIterator[tuple[str, list[str]]]:
    """A TCP server that answers each line by `reply`; gives its link and what it heard."""
    heard: list[str] = []
    writers: list[asyncio.StreamWriter] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.append(writer)
        while line := await reader.readline():
            heard.append(line.decode().strip())
            for delay, answer in reply(heard[-1]):
                asyncio.get_running_loop().call_later(delay, writer.write, answer)
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    yield f"tcp://127.0.0.1:{server.sockets[0].getsockname()[1]}", heard
    server.close()
    for writer in writers:
        writer.close()
    await asyncio.sleep(0.01)


def good(query: str) -> list[tuple[float, bytes]]:
    return {
        "*IDN?": [(0, b"ACME,METER,SN7,1.0\n")],
        "READ?": [(0, b"+2.40100000E+02,+6.00E+01\n")],
    }.get(query, [])


async def test_several_numbers_in_one_answer_make_one_frame() -> None:
    inbox = Inbox()
    async with meter(good) as (link, heard), Fleet([InstrumentSpec("meter", stranger(), link)], VisitClock(), inbox):
        await inbox.until(lambda: len(inbox.frames) >= 2)
    frame = inbox.frames[0]
    assert frame.raw == b"+2.40100000E+02,+6.00E+01\n"
    assert [(s.channel, s.value, s.unit) for s in frame.samples] == [("voltage", 240.1, "V"), ("frequency", 60.0, "Hz")]
    assert heard[:4] == ["*CLS", "SYST:REM", "*IDN?", "READ?"]
    assert inbox.told("meter")[-1].identity == "SN7"


async def test_overload_and_not_a_number() -> None:
    # SCPI-99 volume 1, 7.2.1: 9.9E37 is infinity, 9.91E37 not-a-number
    inbox = Inbox()

    def reply(query: str) -> list[tuple[float, bytes]]:
        return [(0, b"9.9E37,9.91E37\n")] if query == "READ?" else good(query)

    async with meter(reply) as (link, _), Fleet([InstrumentSpec("meter", stranger(), link)], VisitClock(), inbox):
        await inbox.until(lambda: inbox.frames)
    assert [s.flag for s in inbox.frames[0].samples] == [Flag.OVER_RANGE, Flag.INVALID]


async def test_a_late_answer_is_never_taken_for_the_next_one() -> None:
    inbox, asked = Inbox(), 0

    def reply(query: str) -> list[tuple[float, bytes]]:
        nonlocal asked
        if query != "READ?":
            return good(query)
        asked += 1
        return [(0.25, b"111,60\n")] if asked == 3 else [(0.0, b"222,60\n")]

    async with meter(reply) as (link, _), Fleet([InstrumentSpec("meter", stranger(), link)], VisitClock(), inbox):
        await inbox.until(lambda: asked >= 7)
    assert set(inbox.values("meter", "voltage")) == {222.0}


async def test_a_short_answer_is_refused() -> None:
    inbox = Inbox()

    def reply(query: str) -> list[tuple[float, bytes]]:
        return [(0, b"240\n")] if query == "READ?" else good(query)

    async with meter(reply) as (link, heard), Fleet([InstrumentSpec("meter", stranger(), link)], VisitClock(), inbox):
        await inbox.until(lambda: heard.count("READ?") >= 3)
    assert not inbox.frames


async def test_another_instrument_is_not_read() -> None:
    inbox = Inbox()

    def reply(query: str) -> list[tuple[float, bytes]]:
        return [(0, b"OTHER,SCOPE,1,1\n")]

    async with meter(reply) as (link, heard), Fleet([InstrumentSpec("meter", stranger(), link)], VisitClock(), inbox):
        told = await inbox.reaches("meter", State.SEEKING, "another instrument answers")
    assert "'OTHER,SCOPE,1,1'" in told.reason
    assert "READ?" not in heard
    assert not inbox.frames


async def test_silence_is_asked_about_and_told() -> None:
    inbox = Inbox()

    def reply(query: str) -> list[tuple[float, bytes]]:
        if query == "SYST:ERR?":
            return [(0, b'-113,"Undefined header"\n')]
        return good(query) if query == "*IDN?" else []

    async with (
        meter(reply) as (link, heard),
        Fleet([InstrumentSpec("meter", stranger("syst-err"), link)], VisitClock(), inbox),
    ):
        await inbox.until(lambda: heard.count("SYST:ERR?") >= 2)
        assert heard.count("READ?") >= 2
    assert not inbox.frames


async def test_a_meter_that_falls_silent_is_lost_and_found_again() -> None:
    inbox, alive = Inbox(), True
    async with (
        meter(lambda query: good(query) if alive else []) as (link, _),
        Fleet([InstrumentSpec("meter", stranger(), link)], VisitClock(), inbox),
    ):
        await inbox.reaches("meter", State.LINKED)
        alive = False
        told = await inbox.reaches("meter", State.LOST, "no answer to")
        assert "power" in told.reason
        alive = True
        await inbox.reaches("meter", State.LINKED)


async def test_the_simulated_bench_meter_is_followed_as_its_function_is_switched() -> None:
    inbox = Inbox()
    bench = BenchMeter({"VOLT:AC": 240.2, "CURR:AC": 1.5, "CAP": 45e-6}.get)
    served = ScpiServer(bench)
    port = TcpPort(served.receive)
    port.on_gone = served.gone
    await port.plug()
    loaded = profile.load("bench-meter")
    async with Fleet([InstrumentSpec("bench", loaded, port.address)], VisitClock(rate=20.0), inbox):
        await inbox.until(lambda: inbox.values("bench", "voltage"))
        assert inbox.told("bench")[-1].identity == "SN0017"
        bench.command(b"CONF:CAP")
        await inbox.until(lambda: inbox.values("bench", "capacitance"))
        bench.command(b"CONF:RES")  # open leads
        await inbox.until(lambda: inbox.values("bench", "resistance"))
    port.close()
    # nothing of ours has switched the meter: a meter switched while on a live circuit is a danger
    assert {s.channel: s.value for f in inbox.frames for s in f.samples}["capacitance"] == 45e-6
    assert {len(frame.samples) for frame in inbox.frames} == {1}
    assert inbox.frames[-1].samples[0].flag == Flag.OVER_RANGE
    assert {s.value for f in inbox.frames for s in f.samples if s.channel == "voltage"} == {240.2}
