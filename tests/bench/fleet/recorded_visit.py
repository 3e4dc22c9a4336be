"""A short invented visit as a journal holds it, through the engine once, to be replayed under many stations' names.

Two pressures, two pipe temperatures and power of a system that starts: ten readings a second, with a photo and a part
wanted on the way.
"""

from __future__ import annotations

import hashlib
import math
import random

import msgspec

import lineset
from lineset.contract import entry as e
from lineset.engine.fingerprint import fingerprint
from lineset.engine.fold import Engine
from lineset.equipment.system import SystemRecord
from lineset.journal.row import Row
from lineset_drivers.frame import Sample

NS = 1_000_000_000
EVERY_S = 0.5
START_S = 10.0
PHOTO = b"\xff\xd8\xff\xe0 invented, not much of a picture" + bytes(range(256)) * 200


def recorded(seconds: float) -> list[Row]:
    """The rows of the visit, opened at wall time 0; `as_own` gives it a station, a name and a time."""
    engine, rows = Engine(fingerprint()), []
    seq = 0

    def push(t_s: float, body: e.InputBody) -> None:
        nonlocal seq
        t = round(t_s * NS)
        while (deadline := engine.next_deadline()) is not None and deadline < t:
            put(deadline, e.Tick())
        put(t, body)

    def put(t: int, body: e.InputBody) -> None:
        nonlocal seq
        seq += 1
        rows.append(Row(seq, t, e.kind_of(body), e.encode(body)))
        for output in engine.push(seq, t, body):
            seq += 1
            rows.append(Row(seq, t, e.kind_of(output), e.encode(output)))
        engine.take_live()

    push(0.0, _opened("a-station", "a-visit", 0))
    for body in (*_instruments(), *_placements()):
        push(0.0, body)
    push(0.2, e.Phased(phase="before", reason="invented", missing=("invented",)))
    chance = random.Random(1)
    for n in range(1, int(seconds / EVERY_S)):
        for delay, instrument, values in _sent(n * EVERY_S, chance):
            samples = tuple(Sample(name, value, unit) for name, (value, unit) in values.items())
            raw = b"".join(round(value * 10).to_bytes(4, "big", signed=True) for value, _ in values.values())
            push(n * EVERY_S + delay, e.Framed(instrument=instrument, raw=raw, samples=samples))
        if n == int(seconds / EVERY_S) // 2:
            sha256 = hashlib.sha256(PHOTO).hexdigest()
            blob = e.Blob(sha256=sha256, media_type="image/jpeg", size=len(PHOTO), part=0, parts=1, data=PHOTO)
            push(n * EVERY_S + 0.1, blob)
            push(n * EVERY_S + 0.1, e.Observed(system="main", sign="capacitor_bulged", photo=sha256, by="bench"))
    push(seconds, e.Closed(by="bench", reason="invented", missing=("invented",)))
    return rows


def as_own(rows: list[Row], station: str, visit: str, wall_ns: int) -> list[Row]:
    """The visit as that station would have recorded it from that moment on: its first entry says who it is."""
    return [msgspec.structs.replace(rows[0], body=e.encode(_opened(station, visit, wall_ns))), *rows[1:]]


def readings(rows: list[Row]) -> int:
    """How many values instruments sent."""
    decoded = (e.decode(row.body) for row in rows if row.kind == "frame")
    return sum(len(body.samples) for body in decoded if isinstance(body, e.Framed))


def _opened(station: str, visit: str, wall_ns: int) -> e.Opened:
    return e.Opened(
        station=station,
        visit=visit,
        wall_ns=wall_ns,
        version=lineset.__version__,
        fingerprint=fingerprint(),
        systems=(SystemRecord(id="main", refrigerant="R-410A"),),
        technician="bench",
    )


def _instruments() -> list[e.Introduced]:
    def channel(name: str, quantity: str, unit: str, absolute: float, resolution: float) -> e.ChannelRecord:
        return e.ChannelRecord(name=name, quantity=quantity, unit=unit, absolute=absolute, resolution=resolution)

    def introduced(name: str, *channels: e.ChannelRecord) -> e.Introduced:
        text = f"an invented profile of {name}"
        sha256 = hashlib.sha256(text.encode()).hexdigest()
        return e.Introduced(
            instrument=name, profile="invented", profile_sha256=sha256, profile_text=text, channels=channels
        )

    return [
        introduced(
            "gauges",
            channel("low", "pressure_gauge", "psig", 1.0, 0.1),
            channel("high", "pressure_gauge", "psig", 2.0, 0.1),
        ),
        introduced(
            "pipes", channel("t1", "temperature", "degF", 1.0, 0.1), channel("t2", "temperature", "degF", 1.0, 0.1)
        ),
        introduced("meter", channel("power", "power", "W", 10.0, 1.0)),
    ]


def _placements() -> list[e.Placed]:
    return [
        e.Placed(instrument=instrument, channel=channel, system="main", point=point, by="bench")
        for instrument, channel, point in (
            ("gauges", "low", "vapor_service_pressure"),
            ("gauges", "high", "liquid_service_pressure"),
            ("pipes", "t1", "vapor_line_temperature"),
            ("pipes", "t2", "liquid_line_temperature"),
            ("meter", "power", "power"),
        )
    ]


def _sent(t_s: float, chance: random.Random) -> tuple[tuple[float, str, dict[str, tuple[float, str]]], ...]:
    pulled = 1.0 - math.exp(-(t_s - START_S) / 30.0) if t_s > START_S else 0.0
    return (
        (
            0.0,
            "gauges",
            {
                "low": (round(190.0 - 60.0 * pulled + chance.gauss(0, 0.2), 1), "psig"),
                "high": (round(190.0 + 180.0 * pulled + chance.gauss(0, 0.3), 1), "psig"),
            },
        ),
        (
            0.01,
            "pipes",
            {
                "t1": (round(75.0 - 20.0 * pulled + chance.gauss(0, 0.1), 1), "degF"),
                "t2": (round(75.0 + 20.0 * pulled + chance.gauss(0, 0.1), 1), "degF"),
            },
        ),
        (0.02, "meter", {"power": (round(2500.0 + chance.gauss(0, 5)) if t_s > START_S else 0.0, "W")}),
    )
