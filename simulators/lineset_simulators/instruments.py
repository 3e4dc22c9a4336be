"""The simulated instruments: what each puts on the wire, written by hand and reading none of our profiles.

All are inventions; no map below is that of a product. Each class starts with its map, as a maker's manual would
print it; the code under it is nothing but that map. Values come from `Source`s in SI (Cel, Pa, A, V, W, Hz, F,
%RH, Ohm); `None` means that nothing is connected.

name (also the profile's)   link                                       class
pressure-transducer-2ch     Modbus RTU, unit 1, 9600 8N1               PressureTransducer
thermocouple-4ch            Modbus RTU, unit 2, 9600 8N1               Thermocouple4
thermocouple-8ch            Modbus TCP or RTU over TCP, unit 1         Thermocouple8
differential-pressure       Modbus TCP, unit 1                         StaticPressure
power-meter-1ph             Modbus TCP, unit 1                         PowerMeter
bench-meter                 SCPI, lines ended by LF, TCP or serial     meters.BenchMeter
clamp-meter-line            line stream, 9600 8N1 or TCP               meters.ClampMeter
air-probe-line              line stream, TCP (where no radio is)       meters.AirProbe
air-probe                   Bluetooth LE, notifications                ble_instruments.air_probe
air-beacon                  Bluetooth LE, BTHome adverts               ble_instruments.AirBeacon
clamp-meter-ble             Bluetooth LE, notifications                ble_instruments.ClampMeterBle

In Modbus maps an address is the one on the wire, counted from 0; "input" is function 4, "holding" function 3.
Bytes in a register are always high byte first, as the Modbus specification has it.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from typing import Protocol

PSI_PA = 6894.757293168  # NIST SP 811, appendix B.8
INWC_PA = 249.0889  # conventional inch of water, NIST SP 811, appendix B.8


class Source(Protocol):
    """What a channel of an instrument would sense now, in SI; None when nothing is connected."""

    def read(self) -> float | None: ...


class IllegalAddressError(Exception):
    """A register that the map does not hold: answered with Modbus exception code 2."""


def _int16(value: float | None, step: float, *, nothing: int, over: int, under: int) -> int:
    """`value` in units of `step` as a register, or the codes given for nothing connected and for out of scale."""
    if value is None or math.isnan(value):
        return nothing
    code = round(value / step)
    if code > 32000:
        return over
    if code < -32000:
        return under
    return code & 0xFFFF


def _float32(value: float | None, *, low_word_first: bool = False) -> tuple[int, int]:
    high, low = struct.unpack(">HH", struct.pack(">f", math.nan if value is None else value))
    return (low, high) if low_word_first else (high, low)


def _uint32(value: int) -> tuple[int, int]:
    return (value >> 16) & 0xFFFF, value & 0xFFFF


def _text(text: str, registers: int) -> tuple[int, ...]:
    """ASCII, two characters a register, the first one in the high byte, padded with NUL."""
    raw = text.encode("ascii").ljust(2 * registers, b"\0")[: 2 * registers]
    return struct.unpack(f">{registers}H", raw)


class RegisterMap:
    """An instrument that answers Modbus reads: subclasses fill `input` and `holding` images when asked."""

    unit = 1

    def __init__(self, channels: Mapping[str, Source]) -> None:
        unknown = set(channels) - set(self.channels)
        if unknown:
            raise ValueError(f"{type(self).__name__} has no channel {sorted(unknown)}; it has {list(self.channels)}")
        self._sources = dict(channels)

    channels: Mapping[str, str] = {}
    """channel name -> quantity"""

    def value(self, channel: str) -> float | None:
        source = self._sources.get(channel)
        return None if source is None else source.read()

    def input(self) -> dict[int, int]:
        return {}

    def holding(self) -> dict[int, int]:
        return {}

    def read(self, function: int, address: int, count: int) -> list[int]:
        """`count` registers from `address`; raises IllegalAddressError when the map has a hole there."""
        image = self.input() if function == 4 else self.holding()
        try:
            return [image[address + i] for i in range(count)]
        except KeyError as missing:
            raise IllegalAddressError(f"no register {missing}") from None


def _at(address: int, registers: tuple[int, ...]) -> dict[int, int]:
    return {address + i: register for i, register in enumerate(registers)}


class PressureTransducer(RegisterMap):
    """pressure-transducer-2ch: two sealed ports with vented reference (gauge pressure). Modbus RTU, unit 1.

    function  address  type    scale      channel   meaning
    input     0        int16   0.1 psig   low       low side port; 0x7FFF sensor open or not connected,
                                                    0x7FFE over range, 0x8001 under range
    input     1        int16   0.1 psig   high      high side port; codes as above
    input     2        uint16  bits       status    bit 0 low port faulty, bit 1 high port faulty
    holding   0        uint16             identity  model code 0x0210
    holding   1        uint16  0.01       firmware
    holding   2..3     uint32  high word first      serial number

    Range low -14.7 to 500 psig, high 0 to 800 psig. Accuracy 0.5 % of reading + 1.0 psi. Resolution 0.1 psi.
    Time constant 0.5 s. New value every 0.25 s.
    """

    unit = 1
    channels: Mapping[str, str] = {"low": "pressure_gauge", "high": "pressure_gauge"}

    def _code(self, channel: str, highest_psig: float) -> int:
        pascals = self.value(channel)
        psig = None if pascals is None else pascals / PSI_PA
        if psig is not None and psig > highest_psig:
            return 0x7FFE
        return _int16(psig, 0.1, nothing=0x7FFF, over=0x7FFE, under=0x8001)

    def input(self) -> dict[int, int]:
        low, high = self._code("low", 500), self._code("high", 800)
        return {0: low, 1: high, 2: (low == 0x7FFF) | (high == 0x7FFF) << 1}

    def holding(self) -> dict[int, int]:
        return {0: 0x0210, 1: 104} | _at(2, _uint32(4_100_217))


class Thermocouple4(RegisterMap):
    """thermocouple-4ch: four thermocouples on pipe clamps. Modbus RTU, unit 2.

    function  address  type    scale      channel     meaning
    input     0..3     int16   0.1 degC   t1..t4      0x8000 open thermocouple, 0x7FFF over range, 0x8001 under range
    input     4        int16   0.1 degC   reference   cold junction inside the case
    holding   0        uint16             identity    model code 0x0404
    holding   2..3     uint32  high word first        serial number

    Range -50 to 200 degC. Accuracy 0.5 K. Resolution 0.1 K. Time constant on a pipe 5 s. New value every 0.25 s.
    """

    unit = 2
    channels: Mapping[str, str] = {f"t{n}": "temperature" for n in (1, 2, 3, 4)} | {"reference": "temperature"}

    def input(self) -> dict[int, int]:
        names = ("t1", "t2", "t3", "t4", "reference")
        return {
            address: _int16(self.value(name), 0.1, nothing=0x8000, over=0x7FFF, under=0x8001)
            for address, name in enumerate(names)
        }

    def holding(self) -> dict[int, int]:
        return {0: 0x0404, 1: 210} | _at(2, _uint32(4_200_311))


class Thermocouple8(RegisterMap):
    """thermocouple-8ch: eight thermocouples. Modbus TCP or RTU over TCP, unit 1.

    function  address         type      scale  channel  meaning
    holding   100, 102 .. 114 float32   degC   t1..t8   LOW word first (byte order inside a word as usual);
                                                        not-a-number: open thermocouple
    holding   0..7            ascii            identity "TC8 INVENTED", NUL padded

    Range -50 to 400 degC. Accuracy 0.5 K. Resolution 0.01 K. Time constant 5 s on a pipe, 2 s in air.
    """

    channels: Mapping[str, str] = {f"t{n}": "temperature" for n in range(1, 9)}

    def holding(self) -> dict[int, int]:
        image = _at(0, _text("TC8 INVENTED", 8))
        for n in range(8):
            image |= _at(100 + 2 * n, _float32(self.value(f"t{n + 1}"), low_word_first=True))
        return image


class StaticPressure(RegisterMap):
    """differential-pressure: four differential pressure ports and a barometer. Modbus TCP, unit 1.

    function  address  type    scale         channel     meaning
    input     16..19   int16   0.001 inWC    p1..p4      + port above - port; 0x8000 sensor fault or not connected,
                                                         0x7FFF over range, 0x8001 under range
    input     20       uint16  0.1 hPa       barometer   absolute; 0xFFFF faulty
    holding   0        uint16                identity    model code 0x0804

    Range -2.5 to 2.5 inWC. Accuracy 1 % of reading + 0.003 inWC. Resolution 0.001 inWC. Time constant 1 s.
    Barometer 300 to 1100 hPa, accuracy 1 hPa.
    """

    channels: Mapping[str, str] = {f"p{n}": "pressure_difference" for n in (1, 2, 3, 4)} | {
        "barometer": "pressure_absolute"
    }

    def input(self) -> dict[int, int]:
        image = {}
        for n in range(4):
            pascals = self.value(f"p{n + 1}")
            inwc = None if pascals is None else pascals / INWC_PA
            code = _int16(inwc, 0.001, nothing=0x8000, over=0x7FFF, under=0x8001)
            if inwc is not None and abs(inwc) > 2.5:
                code = 0x7FFF if inwc > 0 else 0x8001
            image[16 + n] = code
        barometer = self.value("barometer")
        image[20] = 0xFFFF if barometer is None else round(barometer / 10)
        return image

    def holding(self) -> dict[int, int]:
        return {0: 0x0804, 1: 101}


class PowerMeter(RegisterMap):
    """power-meter-1ph: single-phase meter at the outdoor unit's disconnect (line to line). Modbus TCP, unit 1.

    function  address  type      scale  channel         meaning
    input     0        float32   V      voltage         high word first, as all float32 here; not-a-number: no value
    input     2        float32   A      current
    input     4        float32   W      power           active power
    input     6        float32   VA     apparent_power
    input     8        float32   Hz     frequency
    input     10       float32   1      power_factor
    input     12       uint32    Wh     energy          high word first; counts since first start
    holding   256..263 ascii            identity        "PM1 INVENTED", NUL padded

    Range 80 to 300 V, 0 to 100 A. Accuracy 0.5 % of reading + 0.1 V, + 0.02 A, + 2 W. Time constant 0.5 s.
    """

    channels: Mapping[str, str] = {
        "voltage": "voltage",
        "current": "current",
        "power": "power",
        "apparent_power": "apparent_power",
        "frequency": "frequency",
        "power_factor": "ratio",
        "energy": "energy",
    }

    def input(self) -> dict[int, int]:
        volts, amperes, watts = (self.value(name) for name in ("voltage", "current", "power"))
        # root mean square: what is shown is never below zero
        amperes = None if amperes is None else abs(amperes)
        va = None if volts is None or amperes is None else volts * amperes
        factor = None if va is None or watts is None else (watts / va if va > 1 else 0.0)
        image: dict[int, int] = {}
        for address, value in (
            (0, volts),
            (2, amperes),
            (4, watts),
            (6, va),
            (8, self.value("frequency")),
            (10, factor),
        ):
            image |= _at(address, _float32(value))
        joules = self.value("energy")
        return image | _at(12, _uint32(0 if joules is None else int(joules / 3600)))

    def holding(self) -> dict[int, int]:
        return _at(256, _text("PM1 INVENTED", 8))


MODBUS_INSTRUMENTS: dict[str, type[RegisterMap]] = {
    "pressure-transducer-2ch": PressureTransducer,
    "thermocouple-4ch": Thermocouple4,
    "thermocouple-8ch": Thermocouple8,
    "differential-pressure": StaticPressure,
    "power-meter-1ph": PowerMeter,
}
"""Instruments by the name that scenarios use."""
