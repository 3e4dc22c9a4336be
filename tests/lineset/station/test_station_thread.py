"""The whole thread in one process: bytes on a real transport in, journaled frames, settled events on the broker."""

from __future__ import annotations

from pathlib import Path

import pytest
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice
from station_rig import (
    OVER,
    bodies,
    gauges_image,
    hearing,
    instrument,
    pipes_image,
    plug,
    station,
    station_text,
    visit_journal,
)

from lineset.journal.verify import verify

# R-410A: saturated at 3.0 degC and 877.22 kPa absolute, at 39.0 degC and 2360.4 kPa absolute.
# US DOE / NREL EnergyPlus 25.2 reference data set, FluidPropertiesRefData.idf, saturated pressure (rows SD0280 and
# SD0282 of tests/data/thermo/saturation.csv). Agreement of 0.3 K is taken for R-410A, see the README beside it.
P_LOW_PA, T_LOW_DEGC = 877_220.0, 3.0
P_HIGH_PA, T_HIGH_DEGC = 2_360_400.0, 39.0
AGREES_K = 0.3
ATMOSPHERE_PA = 101_325.0  # standard atmosphere, as the source's gauge figures take it
PSI_PA = 6894.757293168  # NIST SP 811, appendix B.8
LOW_PSIG = (P_LOW_PA - ATMOSPHERE_PA) / PSI_PA
HIGH_PSIG = (P_HIGH_PA - ATMOSPHERE_PA) / PSI_PA


async def test_from_register_image_to_settled_superheat_and_subcooling(tmp_path: Path) -> None:
    gauges, pipes = gauges_image(LOW_PSIG, HIGH_PSIG), pipes_image(T_LOW_DEGC + 6.0, T_HIGH_DEGC - 5.0)
    bus = plug(tmp_path / "bus", gauges, pipes)
    text = station_text(
        tmp_path / "data",
        instrument("gauges", "pressure-transducer-2ch", bus.url, "low vapor_service_pressure")
        + '[[placement]]\ninstrument = "gauges"\nchannel = "high"\npoint = "liquid_service_pressure"\n'
        + instrument("pipes", "thermocouple-4ch", bus.url, "t1 vapor_line_temperature", "t2 liquid_line_temperature"),
        speed=20,  # slow enough that a busy machine makes no reading stale
    )
    async with station(tmp_path, text) as running, hearing(running, "watch") as ear, hearing(running) as hand:
        assert (await hand.command("visit-open", {"visit": "v1", "systems": []}))["ok"]
        low = await ear.settled("v1", "at_rest", "vapor_service_pressure")
        superheat = await ear.settled("v1", "at_rest", "total_superheat")
        subcooling = await ear.settled("v1", "at_rest", "subcooling")
        now = ear.on("visit/v1/main/now")[-1].json
        live = ear.on("visit/v1/main/reading/vapor_service_pressure")[-1].json
        told = ear.on("instrument/gauges")[-1].json
        assert (await hand.command("force-close", OVER))["ok"]
    bus.unplug()

    # the register holds tenths of psi
    assert low["v"] == pytest.approx(P_LOW_PA - ATMOSPHERE_PA, abs=0.05 * PSI_PA + 1)
    assert (low["u"], low["instrument"], low["channel"], low["origin"]) == ("Pa", "gauges", "low", "instrument")
    assert low["interval95"][0] < low["v"] < low["interval95"][1]
    assert low["text"].endswith(" psig")
    assert superheat["v"] == pytest.approx(6.0, abs=AGREES_K)
    assert superheat["u"] == "K"
    assert superheat["origin"] == "derived"
    assert set(superheat["inputs"]) == {"vapor_service_pressure", "vapor_line_temperature"}
    assert superheat["inputs"]["vapor_line_temperature"] == pytest.approx(T_LOW_DEGC + 6.0)
    assert subcooling["v"] == pytest.approx(5.0, abs=AGREES_K)

    assert now["readings"]["vapor_line_temperature"]["v"] == pytest.approx(T_LOW_DEGC + 6.0)
    assert now["derived"]["subcooling"]["v"] == pytest.approx(5.0, abs=AGREES_K)
    assert live["v"] == pytest.approx(low["v"])
    assert (told["state"], told["placement"]["low"]) == ("linked", "main/vapor_service_pressure")
    assert told["identity"]

    journal = visit_journal(tmp_path / "data", "v1")
    assert verify(journal).ok
    frames = [(seq, body) for seq, body in bodies(journal, "frame") if body["instrument"] == "gauges"]
    raw = [body["samples"][0] for _, body in frames]
    assert raw[0][:3] == ["low", pytest.approx(LOW_PSIG, abs=0.05), "psig"]
    # what was heard is what stands in the journal under that seq
    kept = dict(bodies(journal, "settled"))
    for event in (low, superheat, subcooling):
        body = kept[event["seq"]]
        assert (body["name"], body["value"], body["low"]) == (event["name"], event["v"], event["interval95"][0])


async def test_a_strangers_modbus_server_needs_a_profile_and_nothing_else(tmp_path: Path) -> None:
    """A server of another project, with a register map that no profile of ours knows."""
    folder = tmp_path / "profiles"
    folder.mkdir()
    (folder / "crawlspace-box.toml").write_text(
        """
[profile]
name = "crawlspace-box"
protocol = "modbus"
source = "an invented map, served by pymodbus"
poll_s = 0.5

[[channel]]
name = "air"
quantity = "temperature"
unit = "degF"
function = "holding"
address = 40
type = "float32"
word_order = "little"
source = "invented"
range = [-40, 250]
accuracy = { absolute = 1.0 }

[[channel]]
name = "duct"
quantity = "pressure_difference"
unit = "inWC"
function = "input"
address = 7
type = "int16"
scale = 0.001
source = "invented"
accuracy = { reading_pct = 1.0 }
"""
    )
    # float32 75.2 is 0x42966666 (IEEE 754-2008, binary32); the low word is sent first
    device = SimDevice(
        1,
        (
            [SimData(0, datatype=DataType.BITS)],
            [SimData(0, datatype=DataType.BITS)],
            [SimData(40, values=[0x6666, 0x4296], datatype=DataType.REGISTERS)],
            [SimData(7, values=[512], datatype=DataType.REGISTERS)],
        ),
    )
    server = ModbusTcpServer(device, address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    port = server.transport.sockets[0].getsockname()[1]
    text = station_text(
        tmp_path / "data",
        instrument(
            "box", "crawlspace-box", f"tcp://127.0.0.1:{port}", "air return_air_temperature", "duct supply_static"
        ),
        speed=20,  # slow enough that a busy machine makes no reading stale
        more='profiles = "profiles"\n',
    )
    try:
        async with station(tmp_path, text) as running, hearing(running) as ear:
            assert (await ear.command("visit-open", {"visit": "v1", "systems": []}))["ok"]
            static = await ear.settled("v1", "at_rest", "supply_static")
            air = await ear.settled("v1", "at_rest", "return_air_temperature")
    finally:
        await server.shutdown()
    # NIST SP 811, appendix B.8: 1 inch of water (conventional) is 249.0889 Pa
    assert static["v"] == pytest.approx(0.512 * 249.0889, rel=1e-5)
    assert static["u"] == "Pa"
    assert air["v"] == pytest.approx((75.2 - 32.0) / 1.8, abs=1e-4)
    assert air["u"] == "Cel"
