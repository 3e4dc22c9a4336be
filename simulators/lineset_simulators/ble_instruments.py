"""The simulated Bluetooth LE instruments, written by hand as a maker's manual would have them, reading no profile.

All are inventions; values come from `Source`s in SI. Bytes on the air are little-endian. Periods are those at a pace of
1: a bench that plays a visit faster sets `Peripheral.pace`.

name (also the profile's)   what it speaks                                     function
air-probe                   Environmental Sensing, Battery, Device Information  air_probe
clamp-meter-ble             a service of our own                                clamp_meter (a ClampMeterBle)
air-beacon                  BTHome v2 adverts, plain or encrypted               air_beacon (an AirBeacon)
"""

from __future__ import annotations

import struct
from collections.abc import Mapping

from lineset_simulators.bluez_peripheral import Characteristic, Descriptor, Peripheral, Service
from lineset_simulators.instruments import Source
from lineset_simulators.meters import Mode


def _device_information(model: str, serial: str) -> Service:
    texts = {0x2A29: "Invented", 0x2A24: model, 0x2A25: serial, 0x2A26: "1.0"}
    return Service(0x180A, [Characteristic(uuid, lambda t=text: t.encode()) for uuid, text in texts.items()])  # type: ignore[misc]


class Battery:
    """A battery whose level, in per cent, can be set while it is in use."""

    def __init__(self, percent: int = 90) -> None:
        self.percent = percent

    def service(self) -> Service:
        level = Characteristic(0x2A19, lambda: bytes([self.percent]), ("read", "notify"))
        return Service(0x180F, [level])


def _generic_attribute() -> Service:
    return Service(0x1801, [Characteristic(0x2A05, lambda: b"", ("indicate",))])


def air_probe(
    address: str,
    sources: Mapping[str, Source],
    *,
    battery: Battery | None = None,
    interval_s: float = 2.0,
    name: str = "Air probe",
    serial: str = "AP-0001",
) -> Peripheral:
    """air-probe: sources `temperature` (Cel), `humidity` (%RH), `barometer` (Pa, absolute).

    service  characteristic  type    unit       not known  meaning
    0x181A   0x2A6E          sint16  0.01 degC  0x8000     air temperature, -40 to 85 degC
    0x181A   0x2A6F          uint16  0.01 %     0xFFFF     relative humidity
    0x181A   0x2A6D          uint32  0.1 Pa                barometric pressure, absolute
    0x180F   0x2A19          uint8   1 %                   battery
    0x180A   0x2A29 0x2A24 0x2A25 0x2A26                   maker, model, serial number, firmware

    Reads and notifies every `interval_s` seconds. Temperature and humidity carry the ES Measurement (0x290C),
    Valid Range (0x2906) and User Description (0x2901) descriptors. Accuracy 0.3 K, 2 %RH, 100 Pa.
    """

    def temperature() -> bytes:
        value = sources["temperature"].read()
        return b"\x00\x80" if value is None else struct.pack("<h", round(min(max(value, -40.0), 85.0) * 100))

    def humidity() -> bytes:
        value = sources["humidity"].read()
        return b"\xff\xff" if value is None else struct.pack("<H", round(min(max(value, 0.0), 100.0) * 100))

    def barometer() -> bytes:
        value = sources["barometer"].read()
        return struct.pack("<I", 0 if value is None else round(value * 10))

    # flags, instantaneous, no averaging period, seconds between new values, air, 0.5 % uncertainty
    every = max(1, round(interval_s)).to_bytes(3, "little")
    measured = Descriptor(0x290C, bytes.fromhex("0000 01 000000") + every + bytes.fromhex("01 01"))
    both = ("read", "notify")
    sensing = [
        Characteristic(
            0x2A6E,
            temperature,
            both,
            [measured, Descriptor(0x2906, struct.pack("<hh", -4000, 8500)), Descriptor(0x2901, b"Air temperature")],
            interval_s,
        ),
        Characteristic(
            0x2A6F,
            humidity,
            both,
            [measured, Descriptor(0x2906, struct.pack("<HH", 0, 10000)), Descriptor(0x2901, b"Relative humidity")],
            interval_s,
        ),
    ]
    if "barometer" in sources:
        sensing.append(Characteristic(0x2A6D, barometer, both, [measured], interval_s))
    return Peripheral(
        address,
        name,
        [
            _generic_attribute(),
            Service(0x181A, sensing),
            (battery or Battery()).service(),
            _device_information("AP1", serial),
        ],
        advertised=(0x181A,),
    )


CLAMP_SERVICE = "7d9e0001-6c1c-4b8f-9d0a-5f2a4f4f0001"
CLAMP_READING = "7d9e0002-6c1c-4b8f-9d0a-5f2a4f4f0001"


class ClampMeterBle:
    """clamp-meter-ble: a clamp meter with leads, which sends what its display shows.

    service 7d9e0001-6c1c-4b8f-9d0a-5f2a4f4f0001, characteristic 7d9e0002-..., reads and notifies, 6 bytes:

    offset  type    meaning
    0       uint8   function: 1 current (A), 2 voltage (V), 3 capacitance (uF), 4 resistance (Ohm)
    1       uint8   bit 0 display held, bit 1 over range (OL, open leads), bit 2 battery low
    2       FLOAT   the number as displayed (IEEE 11073-20601); not-a-number with OL

    Example: 01 00 D2 04 00 FE is 12.34 A.  Capacitance and resistance only with the power off and discharged.
    """

    functions: Mapping[str, tuple[int, Mode]] = {
        "ACA": (1, Mode("A", 1.0, 2, 600.0)),
        "ACV": (2, Mode("V", 1.0, 1, 1000.0)),
        "CAP": (3, Mode("uF", 1e6, 1, 2000.0)),
        "RES": (4, Mode("Ohm", 1.0, 1, 60e6)),
    }

    def __init__(self, source: Source, *, mode: str = "ACA", battery: Battery | None = None) -> None:
        self.source, self.mode = source, mode
        self.battery = battery or Battery()
        self._held: bytes | None = None

    def select(self, mode: str) -> None:
        """Turn the switch to `mode`; raises ValueError for one that it has not."""
        if mode not in self.functions:
            raise ValueError(f"the clamp meter has no mode {mode!r}; it has {', '.join(self.functions)}")
        self.mode, self._held = mode, None

    def hold(self, on: bool) -> None:
        """Press the hold key: the display keeps its number until pressed again."""
        self._held = self._display() if on else None

    def _display(self) -> bytes:
        function, mode = self.functions[self.mode]
        status = 0x04 if self.battery.percent < 10 else 0
        value = self.source.read()
        shown = None if value is None else value * mode.factor
        if shown is None or abs(shown) > mode.full_scale:
            return bytes([function, status | 0x02]) + bytes.fromhex("ffff7f00")
        digits = mode.digits
        while abs(shown) * 10**digits >= 8_388_600:  # what 24 bits hold
            digits -= 1
        number = round(shown * 10.0**digits) & 0xFFFFFF | (-digits & 0xFF) << 24
        return bytes([function, status]) + number.to_bytes(4, "little")

    def payload(self) -> bytes:
        """The characteristic's value now."""
        if self._held is not None:
            return self._held[:1] + bytes([self._held[1] | 0x01]) + self._held[2:]
        return self._display()

    def peripheral(
        self, address: str, *, interval_s: float = 0.5, name: str = "Clamp meter", serial: str = "CM-0001"
    ) -> Peripheral:
        """It as a peripheral that notifies every `interval_s` seconds."""
        reading = Characteristic(CLAMP_READING, self.payload, ("read", "notify"), notify_s=interval_s)
        services = [
            _generic_attribute(),
            Service(CLAMP_SERVICE, [reading]),
            self.battery.service(),
            _device_information("CM1", serial),
        ]
        return Peripheral(address, name, services)


class AirBeacon:
    """air-beacon: BTHome v2 adverts with packet id, battery, temperature and humidity; plain, or with a 16-byte key.

    object  type    unit       meaning
    0x00    uint8              packet id, one more with each new measurement
    0x01    uint8   1 %        battery
    0x02    sint16  0.01 degC  air temperature
    0x03    uint16  0.01 %     relative humidity

    A broken sensor's object is left out. Encrypted: AES-CCM as at bthome.io/encryption, the counter rises with the
    packet id. A measurement is advertised `repeats` times.
    """

    def __init__(
        self,
        temperature: Source,
        humidity: Source,
        *,
        key: bytes | None = None,
        battery: Battery | None = None,
        repeats: int = 3,
        counter: int = 1,
    ) -> None:
        self.temperature, self.humidity, self.key = temperature, humidity, key
        self.battery = battery or Battery()
        self.repeats, self.counter = repeats, counter
        self._sent = 0
        self._packet = b""

    def service_data(self, address: str) -> Mapping[int, bytes]:
        """The advert's service data now."""
        if self._sent % self.repeats == 0:
            self.counter += 1
            self._packet = self._measure(address)
        self._sent += 1
        return {0xFCD2: self._packet}

    def _measure(self, address: str) -> bytes:
        objects = bytes([0x00, self.counter & 0xFF, 0x01, self.battery.percent])
        celsius, percent = self.temperature.read(), self.humidity.read()
        if celsius is not None:
            objects += b"\x02" + struct.pack("<h", round(celsius * 100))
        if percent is not None:
            objects += b"\x03" + struct.pack("<H", round(min(max(percent, 0.0), 100.0) * 100))
        if self.key is None:
            return b"\x40" + objects
        from cryptography.hazmat.primitives.ciphers.aead import AESCCM

        counter = self.counter.to_bytes(4, "little")
        nonce = bytes.fromhex(address.replace(":", "")) + b"\xd2\xfc\x41" + counter
        sealed = AESCCM(self.key, tag_length=4).encrypt(nonce, objects, None)
        return b"\x41" + sealed[:-4] + counter + sealed[-4:]

    def peripheral(self, address: str, *, advert_s: float = 5.0 / 3.0, name: str = "") -> Peripheral:
        """It as a peripheral that advertises every `advert_s` seconds and cannot be connected to."""
        return Peripheral(
            address,
            name,
            service_data=lambda: self.service_data(address),
            advert_s=advert_s,
            connectable=False,
        )
