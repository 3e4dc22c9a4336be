"""The real drivers on the whole bench of the invented visit: every channel shows the plant's truth.

The instruments' maps are written by hand and the drivers read profiles: a slip in byte order or scale on either side
shows here.
"""

from __future__ import annotations

import asyncio
import shutil
from pathlib import Path

import msgspec
import pytest
from driver_peers import Inbox

from lineset_drivers import profile
from lineset_drivers.clock import VisitClock
from lineset_drivers.fleet import Fleet
from lineset_drivers.frame import Flag
from lineset_drivers.instrument import InstrumentSpec
from lineset_drivers.quantity import Quantity, to_si
from lineset_simulators.control import listing
from lineset_simulators.rig import Rig
from lineset_simulators.scenario import load, read

SCENARIOS = Path(__file__).parents[2] / "demo" / "scenarios"
# what a channel may differ from the truth, in SI: twice what the instruments promise, for lags and their own errors
ALLOWED = {
    Quantity.PRESSURE_GAUGE: 40e3,
    Quantity.TEMPERATURE: 1.5,
    Quantity.RELATIVE_HUMIDITY: 4.0,
    Quantity.PRESSURE_DIFFERENCE: 6.0,
    Quantity.PRESSURE_ABSOLUTE: 200.0,
    Quantity.VOLTAGE: 3.0,
    Quantity.CURRENT: 0.4,
    Quantity.POWER: 60.0,
    Quantity.FREQUENCY: 0.2,
    Quantity.ENERGY: 40_000.0,
}


def spec(rig: Rig, name: str) -> InstrumentSpec:
    station = rig.stations[name]
    given = SCENARIOS / "profiles" / f"{station.model}.toml"
    of = profile.load(given if given.exists() else station.model)
    unit = station.plan.unit if of.protocol == "modbus" else None
    return InstrumentSpec(name, of, station.link, unit=unit)


@pytest.mark.parametrize("radio", [True, False], ids=["radio", "no radio"])
async def test_every_channel_shows_the_plants_truth(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, radio: bool
) -> None:
    if radio and shutil.which("dbus-daemon") is None:
        pytest.skip("dbus-daemon is not installed on this machine")
    if not radio:
        monkeypatch.setenv("PATH", str(tmp_path))
    rig = Rig(load(SCENARIOS / "spring_visit.toml"), tmp_path, speed=20.0)
    rig.plant.command("blower", True)
    rig.plant.command("outdoor_unit", True)
    rig.plant.step(900.0)
    await rig.start()
    if radio:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", rig.bus_address)
    rig.place("clamp", "compressor_common_current")
    rig.place("bench", "capacitor_herm_voltage")
    playing = asyncio.create_task(rig.play())
    while rig.plant.time_s < 915.0:  # until the meters' own lag is over
        await asyncio.sleep(0.02)
    inbox = Inbox()
    expected = {
        (name, channel): point
        for name, station in rig.stations.items()
        for channel, point in station.plan.channels.items()
        if channel in {c.name for c in spec(rig, name).profile.channels}
    }
    expected |= {("clamp", "current"): "compressor_common_current", ("bench", "voltage"): "capacitor_herm_voltage"}
    assert len(expected) >= 20

    def latest() -> dict[tuple[str, str], tuple[float, str]]:
        found = {}
        for name in rig.stations:
            for frame in inbox.of(name):
                for sample in frame.samples:
                    if sample.value is not None and not sample.flag:
                        found[name, sample.channel] = (sample.value, sample.unit)
        return found

    try:
        async with Fleet([spec(rig, name) for name in rig.stations], VisitClock(rate=20.0), inbox):
            try:
                await inbox.until(lambda: expected.keys() <= latest().keys(), timeout=60.0)
            except TimeoutError:
                reasons = {name: [state.reason for state in inbox.told(name)][-1:] for name in rig.stations}
                pytest.fail(f"no value of {sorted(expected.keys() - latest().keys())}; {reasons}")
            values, truth = latest(), rig.plant.senses()
        for (name, channel), point in expected.items():
            quantity = next(c.quantity for c in spec(rig, name).profile.channels if c.name == channel)
            value = to_si(*values[name, channel], quantity)
            assert value == pytest.approx(truth[point], abs=ALLOWED.get(quantity, 0.05)), (name, channel, point)
    finally:
        playing.cancel()
        await asyncio.gather(playing, return_exceptions=True)
        await rig.close()


KEY = "000102030405060708090a0b0c0d0e0f"  # invented
RADIO = {
    "instrument": [
        {"id": "clamp", "model": "clamp-meter-ble", "link": "ble:C0:FF:EE:00:00:03", "on": "line_voltage"},
        {
            "id": "supply",
            "model": "air-probe",
            "link": "ble:C0:FF:EE:00:00:01",
            "channels": {"temperature": "supply_air_temperature"},
            "battery": 77,
        },
        {
            "id": "return",
            "model": "air-beacon",
            "link": "ble:C0:FF:EE:00:00:02",
            "channels": {"temperature": "return_air_temperature", "humidity": "return_air_humidity"},
            "bindkey": KEY,
        },
    ]
}


@pytest.mark.skipif(shutil.which("dbus-daemon") is None, reason="dbus-daemon is not installed on this machine")
async def test_instruments_on_the_radio_keep_pace_hold_encrypt_and_tell_their_battery(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = Rig(read(RADIO), tmp_path, speed=20.0)
    await rig.start()
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", rig.bus_address)
    rows = {str(row["id"]): row for row in listing(rig)}
    keyed = {"bindkey": rows["return"]["bindkey"]}
    specs = [spec(rig, "clamp"), spec(rig, "supply"), msgspec.structs.replace(spec(rig, "return"), options=keyed)]
    playing = asyncio.create_task(rig.play())
    inbox = Inbox()

    def values(name: str, channel: str) -> list[float]:
        return [value for value in inbox.values(name, channel) if value is not None]

    async def paces(name: str, channel: str, more: int, least_s: float, most_s: float) -> None:
        """So many values in so many visit seconds; again when the machine was too busy to be in time."""
        found = []
        for _ in range(8):
            found.append(await visit_seconds_for(name, channel, more))
            assert found[-1] > least_s
            if found[-1] < most_s:
                return
        raise AssertionError(f"{more} values of {name}/{channel} took {found} visit seconds, never under {most_s:g}")

    async def visit_seconds_for(name: str, channel: str, more: int) -> float:
        first = len(values(name, channel)) + 1
        await inbox.until(lambda: len(values(name, channel)) >= first, timeout=60.0)
        began = rig.plant.time_s
        await inbox.until(lambda: len(values(name, channel)) >= first + more, timeout=60.0)
        return rig.plant.time_s - began

    try:
        async with Fleet(specs, VisitClock(rate=20.0), inbox):
            await inbox.until(lambda: all(inbox.of(name) for name in rig.stations), timeout=60.0)
            await visit_seconds_for("return", "humidity", 1)
            truth = rig.plant.senses()
            assert values("return", "temperature")[-1] == pytest.approx(truth["return_air_temperature"], abs=0.3)
            assert values("clamp", "voltage")[-1] == pytest.approx(truth["line_voltage"], abs=1.0)
            assert not values("supply", "humidity")  # no point: the sensor reads nothing
            await inbox.until(lambda: any(state.battery == 77.0 for state in inbox.told("supply")))
            # a value every 2 visit seconds from the probe and every 5 from the beacon, however fast the visit is played
            await paces("supply", "temperature", 10, 16.0, 30.0)
            rig.set_speed(80.0)
            await paces("supply", "temperature", 10, 16.0, 30.0)
            await paces("return", "temperature", 4, 15.0, 40.0)
            rig.do({"do": "hold", "instrument": "clamp"})
            await inbox.until(lambda: any(s.flag == Flag.HELD for f in inbox.of("clamp")[-2:] for s in f.samples))
            rig.do({"do": "battery", "instrument": "supply", "value": 8})
            await inbox.until(lambda: any(state.battery == 8.0 for state in inbox.told("supply")))
    finally:
        playing.cancel()
        await asyncio.gather(playing, return_exceptions=True)
        await rig.close()
