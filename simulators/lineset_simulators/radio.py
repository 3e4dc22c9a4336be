"""Simulated Bluetooth LE instruments: their services, characteristics and adverts, byte by byte.

air-probe       GATT, address given by the scenario
    0x181A Environmental Sensing   0x2A6E temperature, sint16, 0.01 degC;  0x2A6F humidity, uint16, 0.01 %RH;
                                   0x2A6D pressure, uint32, 0.1 Pa; all read and notify, every 2 visit seconds
    0x180F Battery                 0x2A19 level, uint8, per cent
    0x180A Device Information      0x2A29 "INVENTED", 0x2A24 "AIR PROBE", 0x2A25 serial number
clamp-meter-ble GATT, a service of our own (UUIDs below)
    one characteristic, notify twice a visit second: function uint8 (1 A, 2 V, 3 uF, 4 Ohm),
    status uint8 (bit 0 held, bit 1 over range), value FLOAT of IEEE 11073-20601, little endian
air-beacon      BTHome version 2 adverts, service data 0xFCD2, plain, every 5 visit seconds:
    40, packet id 00 nn, battery 01 nn, temperature 02 sint16 0.01 degC, humidity 03 uint16 0.01 %RH

All inventions but for the layouts of the Bluetooth SIG and of BTHome (bthome.io/format).
"""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping

from lineset_simulators.bluez_peripheral import Characteristic, Peripheral, Service
from lineset_simulators.instruments import Source
from lineset_simulators.meters import ClampMeter

CLAMP_SERVICE = "7d9e0001-6c1c-4b8f-9d0a-5f2a4f4f0001"
CLAMP_READING = "7d9e0002-6c1c-4b8f-9d0a-5f2a4f4f0001"
_FUNCTIONS = {"ACA": 1, "ACV": 2, "CAP": 3, "RES": 4}
AIR_NOTIFY_S, CLAMP_NOTIFY_S, ADVERT_S = 2.0, 0.5, 5.0
"""visit seconds"""


def _information(model: str, serial: str) -> Service:
    texts = {0x2A29: b"INVENTED", 0x2A24: model.encode(), 0x2A25: serial.encode()}
    return Service(0x180A, [Characteristic(uuid, lambda text=text: text) for uuid, text in texts.items()])  # type: ignore[misc]


def _battery(percent: int) -> Service:
    return Service(0x180F, [Characteristic(0x2A19, lambda: bytes((percent,)), flags=("read", "notify"))])


def _packed(layout: str, source: Source, step: float, unknown: int) -> bytes:
    value = source.read()
    return struct.pack(layout, unknown if value is None else round(value / step))


def air_probe(address: str, temperature: Source, humidity: Source, barometer: Source, speed: float) -> Peripheral:
    """The GATT air probe; `speed` is visit seconds for each real one."""

    def damp() -> bytes:
        percent = humidity.read()
        return struct.pack("<H", 0xFFFF if percent is None else round(min(max(percent, 0.0), 100.0) * 100))

    both = ("read", "notify")
    pause = AIR_NOTIFY_S / speed
    sensing = Service(
        0x181A,
        [
            Characteristic(0x2A6E, lambda: _packed("<h", temperature, 0.01, -0x8000), both, notify_s=pause),
            Characteristic(0x2A6F, damp, both, notify_s=pause),
            Characteristic(0x2A6D, lambda: _packed("<I", barometer, 0.1, 0), both, notify_s=pause),
        ],
    )
    return Peripheral(
        address=address,
        name="air probe",
        services=[sensing, _battery(88), _information("AIR PROBE", address[-5:])],
        advertised=(0x181A,),
    )


def float_11073(value: float, decimals: int) -> bytes:
    """A FLOAT of IEEE 11073-20601: exponent in the high byte, 24 bits of mantissa, little endian; infinite: over."""
    if math.isinf(value):
        return struct.pack("<I", 0x007FFFFE if value > 0 else 0x00800002)
    mantissa = round(value * 10**decimals)
    return struct.pack("<I", (-decimals & 0xFF) << 24 | mantissa & 0xFFFFFF)


def clamp_meter(address: str, meter: ClampMeter, speed: float) -> Peripheral:
    """The clamp meter that notifies; it shows what `meter` shows."""

    def reading() -> bytes:
        mode = meter.modes[meter.mode]
        value = meter.source.read()
        shown = math.inf if value is None else value * mode.factor
        over = abs(shown) > mode.full_scale
        number = float_11073(math.inf if over else shown, mode.digits)
        return bytes((_FUNCTIONS[meter.mode], int(meter.held) | over << 1)) + number

    live = Characteristic(CLAMP_READING, reading, ("read", "notify"), notify_s=CLAMP_NOTIFY_S / speed)
    return Peripheral(
        address=address,
        name="clamp meter",
        services=[Service(CLAMP_SERVICE, [live]), _battery(64), _information("CLAMP METER", address[-5:])],
    )


def air_beacon(address: str, temperature: Source, humidity: Source, speed: float) -> Peripheral:
    """The BTHome beacon."""
    sent = 0

    def advert() -> Mapping[int, bytes] | None:
        nonlocal sent
        celsius, percent = temperature.read(), humidity.read()
        if celsius is None or percent is None:
            return None
        sent = (sent + 1) & 0xFF
        damp = round(min(max(percent, 0.0), 100.0) * 100)
        # object ids in rising order, as the format demands
        data = bytes((0x40, 0x00, sent, 0x01, 91, 0x02)) + struct.pack("<h", round(celsius * 100))
        return {0xFCD2: data + b"\x03" + struct.pack("<H", damp)}

    return Peripheral(
        address=address, name="air beacon", service_data=advert, advert_s=ADVERT_S / speed, connectable=False
    )


def set_pace(peripheral: Peripheral, speed: float) -> None:
    """Make the peripheral keep its visit seconds at another speed."""
    peripheral.advert_s = ADVERT_S / speed if peripheral.name == "air beacon" else peripheral.advert_s
    for service in peripheral.services:
        for characteristic in service.characteristics:
            if characteristic.notify_s is not None:
                pause = CLAMP_NOTIFY_S if characteristic.uuid == CLAMP_READING else AIR_NOTIFY_S
                characteristic.notify_s = pause / speed
