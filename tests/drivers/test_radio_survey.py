"""Which profiles fit an advert, and a survey on a real message bus with a simulated Bluetooth service."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from lineset_drivers import profile as profiles
from lineset_drivers.protocols.gatt import full_uuid
from lineset_drivers.radio_survey import HeardInstrument, fit, survey_radio
from lineset_drivers.transports.ble import Heard
from lineset_simulators.bluez import SimulatedBluez
from lineset_simulators.bluez_peripheral import Peripheral
from lineset_simulators.bus import VARIABLE, dbus_daemon, private_bus

KNOWN = [profiles.load(name) for name in profiles.names()]
ADDRESS = "02:00:00:00:00:21"
# BTHome v2 service data, by hand from the table at bthome.io/format: 0x40 version 2, plain; 0x02 temperature
# 2106 hundredths of a degree; 0x03 humidity 4000 hundredths of a per cent
PLAIN = bytes.fromhex("40 02 3a08 03 a00f")


def _heard(name: str = "", services: tuple[int, ...] = (), data: Mapping[int, bytes] | None = None) -> Heard:
    data = {full_uuid(uuid): value for uuid, value in (data or {}).items()}
    return Heard(ADDRESS, name, -60, frozenset(full_uuid(uuid) for uuid in services), data)


def test_a_gatt_profile_fits_by_an_advertised_service() -> None:
    # 0x181A Environmental Sensing, 0x180D Heart Rate: Bluetooth SIG, Assigned Numbers, 3.4.1
    assert fit(_heard("x", (0x181A,)), KNOWN).profiles == ("air-probe",)
    assert fit(_heard("x", (0x180D,)), KNOWN).profiles == ()


def test_a_bthome_profile_fits_by_what_its_advert_holds() -> None:
    found = fit(_heard("x", data={0xFCD2: PLAIN}), KNOWN)
    assert found.profiles == ("air-beacon",)
    assert found.told == "temperature 21.06 degC, humidity 40 %RH"
    assert not found.encrypted
    assert fit(_heard("x", data={0xFCD2: bytes.fromhex("40 01 5a")}), KNOWN).profiles == ()  # battery alone
    assert fit(_heard("x", data={0xFCD2: b""}), KNOWN).profiles == ()


def test_an_encrypted_advert_fits_only_a_profile_with_a_key() -> None:
    text = profiles.load("air-beacon").text.replace("encrypted = false", "encrypted = true")
    locked, problems = profiles.read(text.replace("air-beacon", "locked-beacon"), "locked-beacon.toml")
    assert problems == []
    found = fit(_heard("x", data={0xFCD2: bytes.fromhex("41") + bytes(14)}), [*KNOWN, locked])
    assert (found.profiles, found.encrypted, found.told) == (("locked-beacon",), True, "")


def test_a_name_goes_before_a_service() -> None:
    text = profiles.load("air-probe").text.replace("[gatt]", '[gatt]\nname_match = "AP-.*"')
    named, problems = profiles.read(text.replace('"air-probe"', '"named-probe"'), "named-probe.toml")
    assert problems == []
    assert fit(_heard("AP-7", (0x181A,)), [*KNOWN, named]).profiles == ("named-probe", "air-probe")
    assert fit(_heard("XY-7", (0x181A,)), [*KNOWN, named]).profiles == ("air-probe",)


needs_bus = pytest.mark.skipif(dbus_daemon() is None, reason="dbus-daemon is not installed")


@needs_bus
async def test_who_advertises_is_heard_and_the_fitting_come_first() -> None:
    with private_bus():
        bluez = SimulatedBluez()
        await bluez.start()
        try:
            bluez.add(Peripheral("02:00:00:00:00:31", "stranger", advert_s=0.05))
            bluez.add(Peripheral(ADDRESS, "beacon", service_data=lambda: {0xFCD2: PLAIN}, advert_s=0.05))
            told: list[HeardInstrument] = []
            found = await survey_radio(KNOWN, 0.8, tell=told.append)
        finally:
            await bluez.kill()
    assert found.problem is None
    assert [each.address for each in found.heard] == [ADDRESS, "02:00:00:00:00:31"]
    assert found.heard[0].profiles == ("air-beacon",)
    assert found.heard[0].link == f"ble://{ADDRESS}"
    assert {each.address for each in told} == {ADDRESS, "02:00:00:00:00:31"}


@needs_bus
@pytest.mark.parametrize(
    ("has_adapter", "powered", "words"),
    [(False, True, "no Bluetooth radio"), (True, False, "switched off")],
)
async def test_a_radio_that_cannot_be_used_is_told(has_adapter: bool, powered: bool, words: str) -> None:
    with private_bus():
        bluez = SimulatedBluez(has_adapter=has_adapter, powered=powered)
        await bluez.start()
        try:
            found = await survey_radio(KNOWN, 5.0)
        finally:
            await bluez.kill()
    assert found.problem is not None
    assert words in found.problem.problem
    assert found.heard == ()


async def test_without_a_message_bus_there_is_no_service(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, "unix:path=/nowhere/at/all")
    found = await survey_radio(KNOWN, 5.0)
    assert found.problem is not None
    assert "service is not running" in found.problem.problem
