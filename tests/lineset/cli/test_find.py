"""`lineset find`: real pseudo-terminals, TCP and a simulated radio; and snippets that a configuration takes."""

from __future__ import annotations

import asyncio
import json
import os
import re
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from cli_process import said
from driver_peers import PtyPeer, rtu

from lineset.cli.find_words import data, lines, snippets
from lineset.station.config import read
from lineset_drivers import profile as profiles
from lineset_drivers.errors import LinkError
from lineset_drivers.radio_survey import HeardInstrument, RadioSurvey
from lineset_drivers.survey import Answered, Found
from lineset_simulators.bluez import SimulatedBluez
from lineset_simulators.bluez_peripheral import Peripheral
from lineset_simulators.bus import VARIABLE, dbus_daemon, private_bus

KNOWN = [profiles.load(name) for name in profiles.names()]


def _transducer(request: bytes) -> list[tuple[float, bytes]]:
    """Unit 1: model code 528 at holding register 0, serial number 4100217 from register 2 (invented)."""
    if request[:4] == b"\x01\x03\x00\x00":
        return [(0.0, rtu(1, 3, 2, 0x02, 0x10))]
    if request[:4] == b"\x01\x03\x00\x02":
        return [(0.0, rtu(1, 3, 4, 0x00, 0x3E, 0x90, 0x79))]
    # exception 2, illegal data address: MODBUS Application Protocol Specification V1.1b3, section 7
    return [(0.0, rtu(1, request[1] | 0x80, 2))] if request[0] == 1 else []


@pytest.fixture
async def port(tmp_path: Path) -> AsyncIterator[PtyPeer]:
    peer = PtyPeer(tmp_path / "port", _transducer)
    peer.plug()
    yield peer
    peer.unplug()


def _instruments(texts: list[str]) -> list[tuple[str, str, str, int | None, str]]:
    """What a station's configuration makes of the snippets."""
    config = read("\n\n".join(['[station]\nname = "van-1"', *texts]))
    return [(i.spec.id, i.spec.profile.name, i.spec.link, i.spec.unit, i.spec.serial) for i in config.instruments]


async def test_what_answers_is_told_with_a_snippet_that_a_configuration_takes(port: PtyPeer) -> None:
    code, out, err = await said("find", "--no-ports", "--no-radio", "--link", port.url)
    assert code == 0, out + err
    assert 'fits pressure-transducer-2ch: unit 1, it says "528", serial number 4100217' in out
    assert "Caution: Refrigerant under pressure" in out
    assert "looking at" in err
    assert "port: pressure-transducer-2ch" in err
    text = out[out.index("[[instrument]]") : out.index("Caution:")]
    assert _instruments([text]) == [("pressure-transducer-2ch", "pressure-transducer-2ch", port.url, 1, "4100217")]


async def test_a_port_that_another_program_holds_is_told_with_its_name(port: PtyPeer) -> None:
    holder = await asyncio.create_subprocess_exec(
        sys.executable, "-c",
        f"import serial, sys; p = serial.Serial({str(port.link)!r}, exclusive=True); print('held', flush=True); "
        "sys.stdin.read()",
        stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        assert holder.stdout is not None
        assert await holder.stdout.readline() == b"held\n"
        code, out, err = await said("find", "--no-ports", "--no-radio", "--link", port.url)
    finally:
        holder.kill()
        await holder.wait()
    assert code == 3
    told = re.search(r"in use by the program \S+ \(process (\d+)\)", " ".join(out.split()))
    assert told is not None
    assert int(told[1]) in (holder.pid, os.getpid())  # the far end is this test, which has the port open too
    assert "nothing that fits a profile was found" in err


async def test_rtu_behind_a_network_adapter_is_found_by_its_address_alone() -> None:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while request := await reader.read(64):
                for _, answer in _transducer(request):
                    writer.write(answer)
        finally:
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    number = server.sockets[0].getsockname()[1]
    async with server:
        code, out, _ = await said("find", "--no-ports", "--no-radio", "--tcp", f"127.0.0.1:{number}")
    assert code == 0
    assert f'link = "rtu+tcp://127.0.0.1:{number}"' in out


async def test_a_refused_address_and_no_radio_are_sentences_and_cost_the_others_nothing(
    port: PtyPeer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(VARIABLE, "unix:path=/nowhere/at/all")
    places = ("--tcp", "127.0.0.1:1", "--link", port.url)
    code, out, err = await said("find", "--no-ports", "--seconds", "1", *places, "--json")
    found = json.loads(out)
    assert code == 0
    assert "the host is there but refuses this port" in found["places"][0]["problem"]
    assert found["places"][1]["answers"][0]["profile"] == "pressure-transducer-2ch"
    assert "service is not running" in found["bluetooth"]["problem"]["problem"]
    assert "the radio: the computer's Bluetooth service is not running" in err
    assert _instruments(found["snippets"])[0][1:3] == ("pressure-transducer-2ch", port.url)


@pytest.mark.skipif(dbus_daemon() is None, reason="dbus-daemon is not installed")
async def test_adverts_are_heard_and_strangers_cannot_write_on_the_terminal() -> None:
    beacon = {0xFCD2: bytes.fromhex("40 02 3a08 03 a00f")}  # BTHome v2, as in test_radio_survey
    with private_bus():
        bluez = SimulatedBluez()
        await bluez.start()
        try:
            bluez.add(Peripheral("02:00:00:00:00:41", "by the duct", service_data=lambda: beacon, advert_s=0.05))
            bluez.add(Peripheral("02:00:00:00:00:42", "evil\x1b[2Jname", advert_s=0.05))
            code, out, err = await said("find", "--seconds", "1.2", "--no-ask")
        finally:
            await bluez.kill()
    assert code == 0
    assert "fits air-beacon: temperature 21.06 degC, humidity 40 %RH" in out
    assert "heard by the duct: fits air-beacon" in err
    assert "evil?[2Jname" in out
    assert "\x1b" not in out + err
    text = out[out.index("[[instrument]]") : out.rindex("ble://02:00:00:00:00:41") + 24]
    assert _instruments([text]) == [("air-beacon", "air-beacon", "ble://02:00:00:00:00:41", None, "")]


async def test_wrong_words() -> None:
    code, _, err = await said("find", "--tcp", ":502")
    assert code == 2
    assert "the host or the port is missing" in err
    code, _, err = await said("find", "--link", "ble://02:00:00:00:00:41")
    assert code == 2
    assert "only serial://, tcp:// and rtu+tcp://" in err


def test_snippets_have_ids_of_their_own_and_say_what_is_unsure() -> None:
    places = [
        Found("usb://0403:6001::0@1-1.2", "/dev/ttyUSB0", "serial adapter", weak=True,
              answers=(Answered("thermocouple-4ch", 2, "1028", '4"2\\'), Answered("thermocouple-4ch", 3, "1028"),
                       Answered("thermocouple-8ch", 3, "1028"))),
        Found("serial:///dev/ttyS0", "/dev/ttyS0", problem="the port is in use by another program. Close that program"),
    ]  # fmt: skip
    heard = RadioSurvey((HeardInstrument("02:00:00:00:00:51", "a\nb", -70, ("air-beacon",), encrypted=True),))
    texts = snippets(places, heard)
    assert [row[0] for row in _instruments(texts)] == ["thermocouple-4ch", "thermocouple-4ch-2", "air-beacon"]
    assert _instruments(texts)[0][4] == '4"2\\'
    assert "# or profile thermocouple-8ch, which it answers too" in texts[1]
    assert "# the adapter has no serial number" in texts[0]
    assert "put its own key in place of the zeros" in texts[2]
    config = read("\n\n".join(texts))
    assert config.instruments[2].spec.options["bindkey"] == "0" * 32
    assert data(places, heard)["bluetooth"]["heard"][0]["link"] == "ble://02:00:00:00:00:51"


def test_a_silent_radio_and_no_port_are_sentences() -> None:
    nobody = "\n".join(lines([], RadioSurvey(), KNOWN, radio_listened=True))
    assert "no serial port is plugged in" in nobody
    assert "nobody was heard" in nobody
    off = RadioSurvey(problem=LinkError("Bluetooth", "the radio is switched off", remedy="Switch it on"))
    assert "  the radio is switched off. Switch it on" in list(lines([], off, KNOWN, radio_listened=True))


def test_many_strangers_are_counted() -> None:
    heard = RadioSurvey(tuple(HeardInstrument(f"02:00:00:00:01:{n:02X}", rssi=-n) for n in range(40)))
    text = "\n".join(lines([], heard, KNOWN, radio_listened=True))
    assert "40 that fit no profile" in text
    assert "and 28 weaker ones" in text
