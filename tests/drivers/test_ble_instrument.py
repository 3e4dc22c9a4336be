"""GATT and BTHome instruments through the real Bluetooth library on a simulated service: from adverts to frames.

One peripheral in here is nothing but hand-written bytes and reads no profile (`scripted_clamp`).
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from simulated_radio import BEACON, CLAMP, PROBE, Fixed, Inbox, bus, needs_bus

from lineset_drivers import profile as profiles
from lineset_drivers.ble_instrument import BleDriver, build
from lineset_drivers.clock import VisitClock
from lineset_drivers.frame import Flag, Sample, State
from lineset_drivers.instrument import Context, InstrumentSpec
from lineset_drivers.profile import Profile
from lineset_simulators.ble_instruments import AirBeacon, Battery, ClampMeterBle, air_probe
from lineset_simulators.bluez import SimulatedBluez
from lineset_simulators.bluez_peripheral import Characteristic, Peripheral, Service
from lineset_simulators.bus import Bus

__all__ = ["bus"]  # a fixture
pytestmark = needs_bus

KEY = bytes(range(16))
CLAMP_READING = "7d9e0002-6c1c-4b8f-9d0a-5f2a4f4f0001"


@pytest.fixture
async def bluez(bus: Bus) -> AsyncIterator[SimulatedBluez]:
    simulated = SimulatedBluez(disconnect_s=0.02)
    await simulated.start()
    yield simulated
    await simulated.kill()


@contextlib.asynccontextmanager
async def running(inbox: Inbox, *specs: InstrumentSpec, rate: float = 1.0) -> AsyncIterator[BleDriver]:
    driver = build(specs, Context(VisitClock(rate=rate), inbox))
    task = asyncio.create_task(driver.run())
    try:
        yield driver
    finally:
        task.cancel()
        await asyncio.wait({task})
        assert task.cancelled()


def spec(name: str, address: str, **options: object) -> InstrumentSpec:
    return InstrumentSpec(id=name, profile=profiles.load(name), link=f"ble://{address}", options=options)


def changed(profile: Profile, tmp_path: Path, *replace: tuple[str, str]) -> Profile:
    """The profile with some of its text replaced."""
    text = profile.text
    for old, new in replace:
        assert old in text
        text = text.replace(old, new)
    file = tmp_path / f"{profile.name}.toml"
    file.write_text(text, encoding="utf-8")
    return profiles.load(file)


def probe(*, temperature: float | None = 23.94, battery: int = 87) -> Peripheral:
    sources = {"temperature": Fixed(temperature), "humidity": Fixed(51.2), "barometer": Fixed(98_765.4)}
    peripheral = air_probe(PROBE, sources, battery=Battery(battery), interval_s=0.05)
    peripheral.advert_s = 0.02
    return peripheral


def scripted_clamp(*payloads: str) -> Peripheral:
    """Nothing but bytes: the characteristic gives one payload after another, then the last for ever."""
    rest = [bytes.fromhex(payload) for payload in payloads]

    def value() -> bytes:
        return rest.pop(0) if len(rest) > 1 else rest[0]

    reading = Characteristic(CLAMP_READING, value, ("notify",), notify_s=0.02)
    service = Service("7d9e0001-6c1c-4b8f-9d0a-5f2a4f4f0001", [reading])
    return Peripheral(CLAMP, "Script", [Service(0x1801, []), service], advert_s=0.02)


class TestAirProbe:
    async def test_readings_identity_and_battery(self, bluez: SimulatedBluez) -> None:
        bluez.add(probe())
        inbox = Inbox()
        async with running(inbox, spec("air-probe", PROBE)):
            frame = await inbox.until_value("temperature", 23.94)
            assert frame.instrument == "air-probe"
            assert frame.raw == bytes.fromhex("5a09")
            assert frame.samples == (Sample("temperature", 23.94, "degC", Flag.OK),)
            assert (await inbox.until_value("humidity", 51.2)).samples[0].unit == "%RH"
            await inbox.until_value("barometer", 98_765.4)
            linked = await inbox.until_state("air-probe", State.LINKED)
            assert (linked.identity, linked.battery) == ("AP-0001", 87.0)
            assert inbox.states[0].state is State.SEEKING
            # it notifies: far more frames than the poll of the profile, every 15 s, would give
            await inbox.until(lambda: len(inbox.frames) > 20)

    async def test_no_value_yet_is_flagged(self, bluez: SimulatedBluez) -> None:
        bluez.add(probe(temperature=None))
        inbox = Inbox()
        async with running(inbox, spec("air-probe", PROBE)):
            frame = await inbox.until_value("temperature", None)
            assert frame.samples[0].flag == Flag.NOT_KNOWN

    async def test_silence_is_polled_and_is_no_fault(self, bluez: SimulatedBluez) -> None:
        peripheral = probe()
        for characteristic in peripheral.services[1].characteristics:
            characteristic.notify_s = None  # as with a value-changed trigger: a steady value sends nothing
        bluez.add(peripheral)
        inbox = Inbox()
        async with running(inbox, spec("air-probe", PROBE), rate=60.0):  # 15 s of the profile are 0.25 s here
            await inbox.until(lambda: len([f for f in inbox.frames if f.samples[0].channel == "barometer"]) >= 4)
        assert State.STALE not in {state.state for state in inbox.states}

    async def test_a_dropped_link_is_lost_and_taken_up_again(self, bluez: SimulatedBluez) -> None:
        bluez.add(probe())
        inbox = Inbox()
        async with running(inbox, spec("air-probe", PROBE)):
            await inbox.until_state("air-probe", State.LINKED)
            told, frames = len(inbox.states), len(inbox.frames)
            bluez.drop(PROBE)
            lost = await inbox.until_state("air-probe", State.LOST, "link broke", after=told)
            assert "nearer" in lost.reason
            await inbox.until_state("air-probe", State.LINKED, after=told)
            await inbox.until_value("humidity", 51.2, after=frames)

    async def test_switched_off_radio_is_told_and_survived(self, bluez: SimulatedBluez) -> None:
        bluez.add(probe())
        inbox = Inbox()
        async with running(inbox, spec("air-probe", PROBE)):
            await inbox.until_state("air-probe", State.LINKED)
            told = len(inbox.states)
            bluez.power(False)
            await inbox.until_state("air-probe", State.LOST, "Switch Bluetooth on", after=told)
            bluez.power(True)
            await inbox.until_state("air-probe", State.LINKED, after=told)

    async def test_a_service_that_dies_is_told_and_survived(self, bluez: SimulatedBluez) -> None:
        bluez.add(probe())
        inbox = Inbox()
        async with running(inbox, spec("air-probe", PROBE)):
            await inbox.until_state("air-probe", State.LINKED)
            told = len(inbox.states)
            await bluez.kill()
            await inbox.until_state("air-probe", State.LOST, "Bluetooth service", after=told)
            await bluez.start()
            await inbox.until_state("air-probe", State.LINKED, after=told)

    async def test_another_serial_number_is_refused(self, bluez: SimulatedBluez) -> None:
        bluez.add(probe())
        inbox = Inbox()
        wanted = InstrumentSpec(
            id="air-probe", profile=profiles.load("air-probe"), link=f"ble://{PROBE}", serial="AP-9999"
        )
        async with running(inbox, wanted):
            await inbox.until_state("air-probe", State.SEEKING, "serial number is AP-0001")
        assert not inbox.frames

    async def test_a_profile_of_something_else_says_what_is_missing(self, bluez: SimulatedBluez) -> None:
        bluez.add(probe())
        inbox = Inbox()
        async with running(inbox, spec("clamp-meter-ble", PROBE)):
            await inbox.until_state("clamp-meter-ble", State.SEEKING, f"no characteristic {CLAMP_READING}")

    async def test_two_of_one_kind_are_told_apart_by_their_descriptions(
        self, bluez: SimulatedBluez, tmp_path: Path
    ) -> None:
        supply = air_probe(PROBE, {"temperature": Fixed(13.5), "humidity": Fixed(88.0)}, interval_s=0.05)
        other = air_probe(PROBE, {"temperature": Fixed(24.0), "humidity": Fixed(50.0)}, interval_s=0.05)
        second = other.services[1].characteristics[0]
        second.descriptors[-1].value = b"Return air"
        supply.services[1].characteristics = [*supply.services[1].characteristics, second]
        supply.advert_s = 0.02
        bluez.add(supply)
        found = changed(
            profiles.load("air-probe"),
            tmp_path,
            ('characteristic = "0x2A6E"', 'characteristic = "0x2A6E"\ndescription = "Return air"'),
            ('characteristic = "0x2A6D"', 'characteristic = "0x2A6E"\ninstance = 0'),
            ('quantity = "pressure_absolute"\nunit = "Pa"', 'quantity = "temperature"\nunit = "degF"'),
            ("range = [30000, 110000]", "range = [-40, 185]"),
        )
        inbox = Inbox()
        async with running(inbox, InstrumentSpec(id="air-probe", profile=found, link=f"ble://{PROBE}")):
            await inbox.until_value("temperature", 24.0)
            frame = await inbox.until(
                lambda: next((f for f in inbox.frames if f.samples[0].channel == "barometer"), None)
            )
            # 13.5 degC is 56.3 degF: the standard says degC, the profile wants degF
            assert frame.samples[0].value == pytest.approx(56.3)


class TestClampMeter:
    async def test_one_meter_moved_from_function_to_function(self, bluez: SimulatedBluez) -> None:
        source = Fixed(12.34)
        meter = ClampMeterBle(source)
        peripheral = meter.peripheral(CLAMP, interval_s=0.02)
        peripheral.advert_s = 0.02
        bluez.add(peripheral)
        inbox = Inbox()
        async with running(inbox, spec("clamp-meter-ble", CLAMP)):
            frame = await inbox.until_value("current", 12.34)
            assert len(frame.samples) == 1, "what the switch does not point at is not reported"
            assert frame.raw == bytes.fromhex("0100d20400fe")
            source.value = 45.2e-6
            meter.select("CAP")
            assert (await inbox.until_value("capacitance", 45.2)).samples[0].unit == "uF"
            source.value = 241.7
            meter.select("ACV")
            await inbox.until_value("voltage", 241.7)
            meter.hold(True)
            await inbox.until(lambda: any(s.flag == Flag.HELD for f in inbox.frames for s in f.samples))
            source.value = None
            meter.select("RES")
            over = await inbox.until_value("resistance", None)
            assert over.samples[0].flag == Flag.OVER_RANGE

    async def test_hand_written_bytes(self, bluez: SimulatedBluez) -> None:
        # FLOAT by hand: exponent -1 (ff), mantissa 2345 (29 09 00) is 234.5; -2, 500 is 5.00; 0x007FFFFF not a number
        bluez.add(scripted_clamp("0200290900ff", "0100f40100fe", "0103f40100fe", "0200ffff7f00"))
        inbox = Inbox()
        async with running(inbox, spec("clamp-meter-ble", CLAMP)):
            await inbox.until(lambda: len(inbox.frames) >= 4)
        assert [frame.samples[0] for frame in inbox.frames[:4]] == [
            Sample("voltage", 234.5, "V", Flag.OK),
            Sample("current", 5.0, "A", Flag.OK),
            Sample("current", None, "A", Flag.OVER_RANGE),
            Sample("voltage", None, "V", Flag.INVALID),
        ]

    async def test_payloads_that_do_not_fit_are_no_readings(self, bluez: SimulatedBluez) -> None:
        bluez.add(scripted_clamp("01", "0100d20400fe00", "0900d20400fe", "0100d20400fe"))
        inbox = Inbox()
        async with running(inbox, spec("clamp-meter-ble", CLAMP)):
            await inbox.until_state("clamp-meter-ble", State.SEEKING, "switched to something")
            await inbox.until_value("current", 12.34)
        assert all(frame.raw == bytes.fromhex("0100d20400fe") for frame in inbox.frames)

    async def test_one_that_sends_nonsense_goes_stale_with_the_reason(self, bluez: SimulatedBluez) -> None:
        bluez.add(scripted_clamp("0100d20400fe", "0100"))
        inbox = Inbox()
        async with running(inbox, spec("clamp-meter-ble", CLAMP), rate=20.0):
            stale = await inbox.until_state("clamp-meter-ble", State.STALE)
            assert "does not fit the profile" in stale.reason

    async def test_a_full_inbox_costs_counted_frames_only(self, bluez: SimulatedBluez) -> None:
        bluez.add(scripted_clamp("0100d20400fe"))
        inbox = Inbox()
        inbox.full = True
        async with running(inbox, spec("clamp-meter-ble", CLAMP)) as driver:
            instrument = driver._running[0]
            await inbox.until_state("clamp-meter-ble", State.LINKED)
            while not instrument.outlet._lost:
                await asyncio.sleep(0.02)  # nothing tells when the backlog is full
            inbox.full = False
            await inbox.until(lambda: inbox.losses and inbox.frames)
        assert inbox.losses[0].kind == "stream_dropped"


class TestAirBeacon:
    async def test_plain(self, bluez: SimulatedBluez) -> None:
        beacon = AirBeacon(Fixed(35.21), Fixed(40.5), battery=Battery(64))
        bluez.add(beacon.peripheral(BEACON, advert_s=0.02))
        inbox = Inbox()
        async with running(inbox, spec("air-beacon", BEACON)):
            frame = await inbox.until_value("temperature", 35.21)
            assert Sample("humidity", 40.5, "%RH", Flag.OK) in frame.samples
            await inbox.until_state("air-beacon", State.LINKED)
            await inbox.until(lambda: len(inbox.frames) >= 3)
            await inbox.until(lambda: any(state.battery == 64.0 for state in inbox.states))
        # each measurement is advertised three times and counts once
        assert len({frame.raw for frame in inbox.frames}) == len(inbox.frames)

    async def test_encrypted(self, bluez: SimulatedBluez, tmp_path: Path) -> None:
        beacon = AirBeacon(Fixed(35.21), Fixed(40.5), key=KEY)
        bluez.add(beacon.peripheral(BEACON, advert_s=0.02))
        found = changed(profiles.load("air-beacon"), tmp_path, ("encrypted = false", "encrypted = true"))
        inbox = Inbox()
        keyed = InstrumentSpec(id="air-beacon", profile=found, link=f"ble://{BEACON}", options={"bindkey": KEY.hex()})
        async with running(inbox, keyed):
            frame = await inbox.until_value("temperature", 35.21)
            assert frame.raw[0] == 0x41

    async def test_wrong_key_replay_and_plain_packets_are_told(self, bluez: SimulatedBluez) -> None:
        beacon = AirBeacon(Fixed(35.21), Fixed(40.5), key=KEY, repeats=1, counter=1000)
        bluez.add(beacon.peripheral(BEACON, advert_s=0.02))
        inbox = Inbox()
        async with running(inbox, spec("air-beacon", BEACON, bindkey="ff" * 16)):
            await inbox.until_state("air-beacon", State.SEEKING, "Check the bind key")
        assert not inbox.frames
        inbox = Inbox()
        async with running(inbox, spec("air-beacon", BEACON, bindkey=KEY.hex(), timeout_s=0.02), rate=200.0):
            await inbox.until_state("air-beacon", State.LINKED)
            beacon.counter = 3  # from now on all of it was heard before
            stale = await inbox.until_state("air-beacon", State.STALE)
            assert "packet counter" in stale.reason
            beacon.key = None
            # it may have been lost for the counter's sake already; then the new reason is told
            await inbox.until_state("air-beacon", State.LOST, "plain packet")

    async def test_no_key_where_one_is_needed(self, bluez: SimulatedBluez) -> None:
        bluez.add(AirBeacon(Fixed(20.0), Fixed(40.0), key=KEY).peripheral(BEACON, advert_s=0.02))
        inbox = Inbox()
        async with running(inbox, spec("air-beacon", BEACON)):
            await inbox.until_state("air-beacon", State.SEEKING, "bind key")

    async def test_carried_away_it_goes_stale_then_lost_and_comes_back(self, bluez: SimulatedBluez) -> None:
        bluez.add(AirBeacon(Fixed(20.0), Fixed(40.0)).peripheral(BEACON, advert_s=0.02))
        inbox = Inbox()
        async with running(inbox, spec("air-beacon", BEACON, timeout_s=0.02), rate=200.0):  # 60 s of the profile, 0.3 s
            await inbox.until_state("air-beacon", State.LINKED)
            bluez.vanish(BEACON)
            await inbox.until_state("air-beacon", State.STALE, "not heard")
            await inbox.until_state("air-beacon", State.LOST, "not heard")
            told = len(inbox.states)
            bluez.appear(BEACON)
            await inbox.until_state("air-beacon", State.LINKED, after=told)


class TestTogether:
    async def test_one_that_never_answers_does_not_delay_the_others(self, bluez: SimulatedBluez) -> None:
        dead = scripted_clamp("00")
        dead.connectable = False
        bluez.add(dead)
        bluez.add(probe())
        bluez.add(AirBeacon(Fixed(35.21), Fixed(40.5)).peripheral(BEACON, advert_s=0.02))
        inbox = Inbox()
        specs = [spec("clamp-meter-ble", CLAMP), spec("air-probe", PROBE), spec("air-beacon", BEACON)]
        async with running(inbox, *specs):
            await inbox.until_state("air-probe", State.LINKED)
            await inbox.until_state("air-beacon", State.LINKED)
            assert {s.state for s in inbox.states if s.instrument == "clamp-meter-ble"} == {State.SEEKING}

    async def test_wrong_set_up_is_told_and_the_others_run(self, bluez: SimulatedBluez, tmp_path: Path) -> None:
        bluez.add(probe())
        air = profiles.load("air-probe")
        encrypted = changed(profiles.load("air-beacon"), tmp_path, ("encrypted = false", "encrypted = true"))
        volts = changed(air, tmp_path, ('quantity = "temperature"\nunit = "degC"', 'quantity = "voltage"\nunit = "V"'))
        inbox = Inbox()
        specs = [
            InstrumentSpec(id="good", profile=air, link=f"ble://{PROBE}"),
            InstrumentSpec(id="twice", profile=air, link=f"ble://{PROBE}"),
            InstrumentSpec(id="not-a-radio", profile=air, link="tcp://127.0.0.1:502"),
            InstrumentSpec(id="no-address", profile=air, link="ble://12:34"),
            InstrumentSpec(id="no-key", profile=encrypted, link=f"ble://{BEACON}"),
            InstrumentSpec(id="short-key", profile=encrypted, link=f"ble://{BEACON}", options={"bindkey": "00"}),
            InstrumentSpec(id="volts", profile=volts, link=f"ble://{CLAMP}"),
        ]
        async with running(inbox, *specs):
            await inbox.until_state("good", State.LINKED)
        for name, text in {
            "twice": "good is connected to at this address",
            "not-a-radio": "for a Bluetooth instrument",
            "no-address": "no Bluetooth address",
            "no-key": "no key is configured",
            "short-key": "must be 16 bytes",
            "volts": "Temperature is in degC, which is no voltage",
        }.items():
            states = [state for state in inbox.states if state.instrument == name]
            assert len(states) == 1
            assert states[0].state is State.SEEKING
            assert text in states[0].reason

    async def test_a_fault_of_ours_in_one_stays_with_that_one(
        self, bluez: SimulatedBluez, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        bluez.add(probe())
        bluez.add(scripted_clamp("0100d20400fe"))
        inbox = Inbox()
        async with running(inbox, spec("air-probe", PROBE), spec("clamp-meter-ble", CLAMP)) as driver:

            async def broken() -> None:
                raise ZeroDivisionError("invented")

            monkeypatch.setattr(driver._running[1], "_seek", broken)
            await inbox.until_state("clamp-meter-ble", State.SEEKING, "report it with the log")
            await inbox.until_state("air-probe", State.LINKED)
