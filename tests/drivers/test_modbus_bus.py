"""The Modbus bus on real pseudo-terminals, against peers that follow a byte script and read no profile of ours."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from driver_peers import Inbox, PtyPeer, rtu

from lineset_drivers.clock import VisitClock
from lineset_drivers.fleet import Fleet
from lineset_drivers.frame import Flag, State
from lineset_drivers.instrument import InstrumentSpec
from lineset_drivers.profile import Profile, read

TEXT = """
[profile]
name = "stranger"
protocol = "modbus"
source = "a byte script"
poll_s = 0.05
stale_after_s = 1.0
[link]
timeout_s = 0.15
[[channel]]
name = "temperature"
quantity = "temperature"
unit = "degC"
function = "input"
address = 7
type = "int16"
scale = 0.1
invalid = [0x8000]
range = [-50, 200]
source = "a byte script"
"""
IDENTITY = """
[identity]
function = "holding"
address = 0
match = "4660"
[identity.serial]
function = "holding"
address = 1
type = "uint32"
"""


def profile(more: str = "", **changes: str) -> Profile:
    text = TEXT + more
    for key, value in changes.items():
        text = "\n".join(f"{key} = {value}" if line.startswith(f"{key} = ") else line for line in text.splitlines())
    loaded, problems = read(text, "stranger.toml")
    assert not problems
    return loaded


PROFILE = profile()
ASKED = rtu(1, 4, 0, 7, 0, 1)  # function 4, address 7, one register: what this profile must lead to


def value(tenths: int, unit: int = 1) -> bytes:
    return rtu(unit, 4, 2, *(tenths & 0xFFFF).to_bytes(2, "big"))


@pytest.fixture
def inbox() -> Inbox:
    return Inbox()


@pytest.fixture
async def peer(tmp_path: Path) -> AsyncIterator[PtyPeer]:
    peer = PtyPeer(tmp_path / "port")
    peer.plug()
    yield peer
    peer.unplug()


def spec(peer: PtyPeer, name: str = "probe", *, of: Profile = PROFILE, unit: int = 1, **more: object) -> InstrumentSpec:
    return InstrumentSpec(name, of, peer.url, unit=unit, **more)  # type: ignore[arg-type]


async def test_a_reply_becomes_a_frame_with_its_bytes(inbox: Inbox, peer: PtyPeer) -> None:
    peer.script = lambda request: [(0, value(234))]
    clock = VisitClock(start=10**12)
    async with Fleet([spec(peer)], clock, inbox):
        await inbox.until(lambda: len(inbox.frames) >= 3)
        now = clock.now()
    assert set(peer.heard) == {ASKED}
    frame = inbox.frames[0]
    assert frame.raw == value(234)
    assert frame.instrument == "probe"
    assert [(s.channel, s.value, s.unit, s.flag) for s in frame.samples] == [("temperature", 23.4, "degC", "")]
    assert 10**12 < frame.t < now
    assert inbox.told("probe")[-1].state is State.LINKED
    assert inbox.told("probe")[-1].link == f"{peer.url} unit 1"


async def test_codes_and_ends_of_scale_are_flagged(inbox: Inbox, peer: PtyPeer) -> None:
    raw = iter([0x8000, 2500, -600])
    peer.script = lambda request: [(0, value(next(raw, 234)))]
    async with Fleet([spec(peer)], VisitClock(), inbox):
        # the first answer serves to see that anyone is there
        await inbox.until(lambda: len(inbox.frames) >= 3)
    assert [(s.value, s.flag) for f in inbox.frames[:3] for s in f.samples] == [
        (250.0, Flag.OVER_RANGE),
        (-60.0, Flag.UNDER_RANGE),
        (23.4, Flag.OK),
    ]


@pytest.mark.parametrize("late_s", [0.16, 0.2, 0.25, 0.29])
async def test_a_late_reply_is_never_taken_for_the_next_one(inbox: Inbox, peer: PtyPeer, late_s: float) -> None:
    """Same unit, function and count: nothing in the bytes tells the late reply from the next one.

    The instrument answers in order, so a question asked too soon would be met by the answer to the one before.
    """
    loop = asyncio.get_running_loop()
    answered, free_at = 0, 0.0

    def script(request: bytes) -> list[tuple[float, bytes]]:
        nonlocal answered, free_at
        answered += 1
        late = answered == 4
        free_at = max(free_at, loop.time() + (late_s if late else 0.0))
        return [(free_at - loop.time(), value(111 if late else 222))]

    peer.script = script
    async with Fleet([spec(peer)], VisitClock(), inbox):
        await inbox.until(lambda: answered >= 8)
    assert set(inbox.values("probe", "temperature")) == {22.2}


async def test_a_short_reply_is_refused_and_said_so(inbox: Inbox, peer: PtyPeer) -> None:
    wide = profile(type='"float32"')
    peer.script = lambda request: [(0, rtu(1, 4, 2, 0x41, 0xBB))]  # one register; two were asked for
    async with Fleet([spec(peer, of=wide)], VisitClock(), inbox):
        told = await inbox.reaches("probe", State.SEEKING, "1 of 2 registers")
    assert not inbox.frames
    assert "profile" in told.reason


async def test_damage_is_told_from_silence(inbox: Inbox, peer: PtyPeer) -> None:
    whole = value(234)
    peer.script = lambda request: [(0, whole[:-1] + bytes((whole[-1] ^ 1,)))] if request[0] == 1 else []
    specs = [spec(peer, "damaged"), spec(peer, "silent", unit=2)]
    async with Fleet(specs, VisitClock(), inbox):
        damaged = await inbox.reaches("damaged", State.SEEKING, "damaged reply")
        silent = await inbox.reaches("silent", State.SEEKING, "not a byte came back")
    assert "CRC" in damaged.reason
    assert "cable" in damaged.reason
    assert "power" in silent.reason
    assert not inbox.frames


async def test_one_damaged_reply_costs_one_poll_and_no_state(inbox: Inbox, peer: PtyPeer) -> None:
    answered = 0

    def script(request: bytes) -> list[tuple[float, bytes]]:
        nonlocal answered
        answered += 1
        return [(0, b"\x01\x04\x02\x00\x00\x00\x00")] if answered == 5 else [(0, value(234))]

    peer.script = script
    async with Fleet([spec(peer)], VisitClock(), inbox):
        await inbox.until(lambda: answered >= 9)
    assert set(inbox.values("probe", "temperature")) == {23.4}
    assert [s.state for s in inbox.told("probe")] == [State.SEEKING, State.LINKED]


async def test_an_exception_reply_is_told_in_words(inbox: Inbox, peer: PtyPeer) -> None:
    peer.script = lambda request: [(0, rtu(1, 0x84, 2))]
    async with Fleet([spec(peer)], VisitClock(), inbox):
        told = await inbox.reaches("probe", State.SEEKING, "ILLEGAL DATA ADDRESS")
    assert "check profile and unit number" in told.reason


async def test_a_dead_unit_does_not_slow_its_neighbours(inbox: Inbox, tmp_path: Path) -> None:
    """Two buses run side by side, so that the machine's load falls on both: alone, and beside two dead units."""
    fast = profile(poll_s="0.02")
    peers = [PtyPeer(tmp_path / name) for name in ("alone", "crowded")]
    for peer in peers:
        peer.plug()
        peer.script = lambda request: [(0, value(234))] if request[0] == 1 else []
    specs = [
        spec(peers[0], "alone", of=fast),
        spec(peers[1], "neighbour", of=fast),
        spec(peers[1], "dead", of=fast, unit=2),
        spec(peers[1], "gone", of=fast, unit=3),
    ]
    async with Fleet(specs, VisitClock(), inbox):
        await inbox.reaches("dead", State.SEEKING, "not a byte")
        await inbox.reaches("gone", State.SEEKING, "not a byte")
        before = {name: len(inbox.of(name)) for name in ("alone", "neighbour")}
        asked = len([r for r in peers[1].heard if r[0] != 1])
        await inbox.until(lambda: len(inbox.of("alone")) >= before["alone"] + 150)
        probes = len([r for r in peers[1].heard if r[0] != 1]) - asked
    done = {name: len(inbox.of(name)) - before[name] for name in before}
    ratio = done["neighbour"] / done["alone"]
    # a tenth of the bus's time may go to the dead; time-out and quiet period of one probe are 0.3 s of these 3 s
    assert ratio > 0.75, (ratio, done)
    assert probes >= 1  # and they are not forgotten
    for peer in peers:
        peer.unplug()


async def test_a_unit_that_dies_is_found_again(inbox: Inbox, peer: PtyPeer) -> None:
    alive = True
    peer.script = lambda request: [(0, value(234))] if alive else []
    async with Fleet([spec(peer)], VisitClock(), inbox):
        await inbox.reaches("probe", State.LINKED)
        alive = False
        await inbox.reaches("probe", State.LOST, "not a byte came back")
        alive = True
        await inbox.reaches("probe", State.LINKED)


async def test_another_kind_of_instrument_is_not_read(inbox: Inbox, peer: PtyPeer) -> None:
    def script(request: bytes) -> list[tuple[float, bytes]]:
        return [(0, value(234))] if request[1] == 4 else [(0, rtu(1, 3, 2, 0x43, 0x21))]

    peer.script = script
    async with Fleet([spec(peer, of=profile(IDENTITY))], VisitClock(), inbox):
        told = await inbox.reaches("probe", State.SEEKING, "another kind of instrument answers as unit 1")
    assert "17185" in told.reason  # 0x4321
    assert not inbox.frames
    assert ASKED not in peer.heard


async def test_the_serial_number_becomes_the_identity_and_another_one_is_refused(inbox: Inbox, peer: PtyPeer) -> None:
    def script(request: bytes) -> list[tuple[float, bytes]]:
        if request[1] == 4:
            return [(0, value(234))]
        return [(0, rtu(1, 3, 4, 0, 0, 0x30, 0x39) if request[3] == 1 else rtu(1, 3, 2, 0x12, 0x34))]

    peer.script = script
    async with Fleet([spec(peer, of=profile(IDENTITY))], VisitClock(), inbox):
        told = await inbox.reaches("probe", State.LINKED)
        assert (told.identity, told.identity_weak) == ("12345", False)
    frames = len(inbox.frames)
    async with Fleet([spec(peer, of=profile(IDENTITY), serial="777")], VisitClock(), inbox):
        await inbox.reaches("probe", State.SEEKING, "its serial number is 12345, and 777 is configured")
    assert len(inbox.frames) == frames


async def test_an_unplugged_port_is_lost_and_taken_up_again(inbox: Inbox, peer: PtyPeer) -> None:
    peer.script = lambda request: [(0, value(234))]
    async with Fleet([spec(peer)], VisitClock(), inbox):
        await inbox.reaches("probe", State.LINKED)
        peer.unplug()
        await inbox.reaches("probe", State.LOST, "the port is gone")
        peer.plug()
        await inbox.reaches("probe", State.LINKED)


async def test_channels_far_apart_come_in_one_frame(inbox: Inbox, peer: PtyPeer) -> None:
    more = """
[[channel]]
name = "far"
quantity = "voltage"
unit = "V"
function = "holding"
address = 900
source = "a byte script"
"""
    answers = {4: value(234), 3: rtu(1, 3, 2, 0, 230)}
    peer.script = lambda request: [(0, answers[request[1]])]
    async with Fleet([spec(peer, of=profile(more))], VisitClock(), inbox):
        await inbox.until(lambda: len(inbox.frames) >= 2)
    frame = inbox.frames[0]
    assert {s.channel: s.value for s in frame.samples} == {"temperature": 23.4, "far": 230.0}
    assert frame.raw == answers[3] + answers[4]


async def test_a_register_that_is_refused_costs_its_own_channel_only(inbox: Inbox, peer: PtyPeer) -> None:
    more = """
[[channel]]
name = "missing"
quantity = "voltage"
unit = "V"
function = "holding"
address = 900
source = "a byte script"
"""
    answers = {4: value(234), 3: rtu(1, 0x83, 2)}
    peer.script = lambda request: [(0, answers[request[1]])]
    loaded = profile(
        more + IDENTITY.replace("holding", "input").replace("address = 0", "address = 7").split("[identity.s")[0]
    )
    loaded_text = loaded.text.replace('match = "4660"', 'match = "234"')
    loaded = read(loaded_text, "stranger.toml")[0]
    async with Fleet([spec(peer, of=loaded)], VisitClock(), inbox):
        await inbox.until(lambda: len(inbox.frames) >= 2)
    assert [s.channel for s in inbox.frames[0].samples] == ["temperature"]


async def test_a_full_inbox_skips_polls_and_counts_them(inbox: Inbox, peer: PtyPeer) -> None:
    peer.script = lambda request: [(0, value(234))]
    async with Fleet([spec(peer)], VisitClock(), inbox):
        await inbox.until(lambda: len(inbox.frames) >= 3)
        inbox.full = True
        await asyncio.sleep(0.3)  # time for polls to be skipped; how many does not matter
        asked = len(peer.heard)
        await asyncio.sleep(0.2)
        # at most the one frame that waits was asked for: no polling into a full inbox
        assert len(peer.heard) - asked <= 1
        inbox.full = False
        await inbox.until(lambda: inbox.losses)
        await inbox.until(lambda: len(inbox.frames) >= 6)
    assert {loss.kind for loss in inbox.losses} == {"poll_skipped"}
    assert 4 <= sum(loss.count for loss in inbox.losses) < 100  # one a period, and no spinning
    stamps = [frame.t for frame in inbox.frames]
    assert stamps == sorted(stamps)


async def test_polls_follow_the_visit_clock(inbox: Inbox, tmp_path: Path) -> None:
    """At ten times the speed, ten times the polls: compared with a bus at real speed, side by side."""
    peers = [PtyPeer(tmp_path / name) for name in ("one", "ten")]
    for peer in peers:
        peer.plug()
        peer.script = lambda request: [(0, value(234))]
    slow = profile(poll_s="0.2")
    async with (
        Fleet([spec(peers[0], "one", of=slow)], VisitClock(), inbox),
        Fleet([spec(peers[1], "ten", of=slow)], VisitClock(rate=10.0), inbox),
    ):
        await inbox.until(lambda: len(inbox.of("one")) >= 6)
    ratio = len(inbox.of("ten")) / len(inbox.of("one"))
    assert 5 < ratio < 15
    stamps = [frame.t for frame in inbox.of("ten")]
    assert (stamps[-1] - stamps[0]) / (len(stamps) - 1) == pytest.approx(0.2e9, rel=0.5)
    for peer in peers:
        peer.unplug()


async def test_silence_within_the_polls_goes_stale_before_it_is_lost(inbox: Inbox, peer: PtyPeer) -> None:
    """A bus kept busy by babble: the port is open and nothing new comes."""
    quiet = False
    peer.script = lambda request: [(0.0, b"\xff" * 40)] if quiet else [(0, value(234))]
    async with Fleet([spec(peer, of=profile(stale_after_s="0.2"))], VisitClock(), inbox):
        await inbox.reaches("probe", State.LINKED)
        quiet = True
        await inbox.until(lambda: inbox.told("probe")[-1].state in (State.STALE, State.LOST))
        await inbox.reaches("probe", State.LOST, "no Modbus reply")


async def test_a_unit_number_that_cannot_be_costs_that_instrument_only(inbox: Inbox, peer: PtyPeer) -> None:
    peer.script = lambda request: [(0, value(234))]
    async with Fleet([spec(peer, "nobody", unit=0), spec(peer)], VisitClock(), inbox):
        await inbox.reaches("probe", State.LINKED)
    assert "Use a unit from 1 to 247" in inbox.told("nobody")[-1].reason
    assert {request[0] for request in peer.heard} == {1}


async def test_an_adapter_that_echoes_is_understood(inbox: Inbox, peer: PtyPeer) -> None:
    peer.script = lambda request: [(0, request + value(234))]
    async with Fleet([spec(peer)], VisitClock(), inbox):
        await inbox.until(lambda: len(inbox.frames) >= 3)
    assert set(inbox.values("probe", "temperature")) == {23.4}


async def test_one_bus_serves_six_units_fairly(inbox: Inbox, peer: PtyPeer) -> None:
    """Six units that together want more than the bus can give: none is left behind."""
    peer.script = lambda request: [(0.005, value(234, request[0]))]
    fast = profile(poll_s="0.001")
    specs = [spec(peer, f"u{n}", of=fast, unit=n) for n in range(1, 7)]
    async with Fleet(specs, VisitClock(), inbox):
        for s in specs:
            await inbox.reaches(s.id, State.LINKED)
        start = len(inbox.frames)
        await inbox.until(lambda: len(inbox.frames) >= start + 60)
    counts = [sum(frame.instrument == s.id for frame in inbox.frames[start : start + 60]) for s in specs]
    assert max(counts) - min(counts) <= 1, counts
