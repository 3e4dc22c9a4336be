"""The real drivers on the whole bench of the invented visit: every channel shows the plant's truth.

The instruments' maps are written by hand and the drivers read profiles: a slip in byte order or scale on either side
shows here.
"""

from __future__ import annotations

import asyncio
import shutil
from pathlib import Path

import pytest
from driver_peers import Inbox

from lineset_drivers import profile
from lineset_drivers.clock import VisitClock
from lineset_drivers.fleet import Fleet
from lineset_drivers.instrument import InstrumentSpec
from lineset_drivers.quantity import Quantity, to_si
from lineset_simulators.rig import Rig
from lineset_simulators.scenario import load

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
                await inbox.until(lambda: expected.keys() <= latest().keys(), timeout=8.0)
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
