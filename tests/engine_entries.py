"""Entries for the engine's tests: an invented system with gauges, pipe probes, a power meter and a clamp meter."""

from __future__ import annotations

from collections.abc import Iterator

from lineset.contract import entry as e
from lineset.engine.fold import Engine
from lineset_drivers.frame import Sample

NS = 1_000_000_000
WALL_NS = 1_790_000_000 * NS  # 2026-09-21 UTC, arbitrary


def channel(name: str, quantity: str, unit: str, **more: object) -> e.ChannelRecord:
    return e.ChannelRecord(name=name, quantity=quantity, unit=unit, **more)  # type: ignore[arg-type]


GAUGES = e.Introduced(
    instrument="gauges",
    profile="p",
    profile_sha256="0",
    stale_after_s=5.0,
    channels=(
        channel("low", "pressure_gauge", "psig", absolute=1.0, resolution=0.1, low=-14.7, high=500.0),
        channel("high", "pressure_gauge", "psig", absolute=2.0, resolution=0.1, low=-14.7, high=800.0),
    ),
)
PIPES = e.Introduced(
    instrument="pipes",
    profile="p",
    profile_sha256="0",
    stale_after_s=5.0,
    channels=(
        channel("t1", "temperature", "degF", absolute=1.0, resolution=0.1),
        channel("t2", "temperature", "degF", absolute=1.0, resolution=0.1),
    ),
)
POWER = e.Introduced(
    instrument="power",
    profile="p",
    profile_sha256="0",
    stale_after_s=5.0,
    channels=(
        channel("power", "power", "W", reading_pct=0.5, resolution=1.0),
        channel("voltage", "voltage", "V", reading_pct=0.5, resolution=0.1),
    ),
)
CLAMP = e.Introduced(
    instrument="clamp",
    profile="p",
    profile_sha256="0",
    stale_after_s=5.0,
    channels=(
        channel("current", "current", "A", reading_pct=2.0, counts=5.0, resolution=0.01),
        channel("voltage", "voltage", "V", reading_pct=1.0, counts=5.0, resolution=0.1),
    ),
)
SYSTEM = e.SystemRecord(id="main", refrigerant="R-410A", metering_device="txv")


class Bench:
    """Pushes entries into an engine and keeps both, so that they can be replayed."""

    def __init__(self, engine: Engine | None = None) -> None:
        self.engine = engine or Engine("test")
        self.seq = 0
        self.t_s = 0.0
        self.inputs: list[tuple[int, int, e.InputBody]] = []
        self.rows: list[tuple[int, int, str, bytes]] = []

    def push(self, body: e.InputBody, t_s: float | None = None) -> list[e.OutputBody]:
        if t_s is not None:
            self.t_s = t_s
        t = round(self.t_s * NS)
        self.seq += 1
        seq = self.seq
        self.inputs.append((seq, t, body))
        self.rows.append((seq, t, e.kind_of(body), e.encode(body)))
        outputs = self.engine.push(seq, t, body)
        for output in outputs:
            self.seq += 1
            self.rows.append((self.seq, t, e.kind_of(output), e.encode(output)))
        return outputs

    def open(self, *instruments: e.Introduced, systems: tuple[e.SystemRecord, ...] = (SYSTEM,)) -> Bench:
        opened = e.Opened(
            station="s", visit="v", wall_ns=WALL_NS, version="0", fingerprint="test", systems=systems, phase="before"
        )
        self.push(opened)
        for instrument in instruments or (GAUGES, PIPES, POWER, CLAMP):
            self.push(instrument)
        return self

    def place(self, instrument: str, channel_name: str, point: str) -> list[e.OutputBody]:
        return self.push(e.Placed(instrument=instrument, channel=channel_name, system="main", point=point))

    def frame(self, instrument: str, t_s: float | None = None, **values: float | None) -> list[e.OutputBody]:
        samples = tuple(Sample(name, value, "") for name, value in values.items())
        return self.push(e.Framed(instrument=instrument, raw=b"", samples=samples), t_s)

    def steady(self, instrument: str, seconds: float, *, every: float = 0.5, **values: float) -> list[e.OutputBody]:
        """Frames with a live last digit, for so long."""
        out: list[e.OutputBody] = []
        for n in range(round(seconds / every)):
            wobble = (0.0, 0.1, 0.0, -0.1)[n % 4] * (0.1 if instrument == "clamp" else 1.0)
            shaken = {name: value + wobble for name, value in values.items()}
            out += self.frame(instrument, self.t_s + every, **shaken)
        return out

    def running(self, seconds: float, *, low: float = 120.0, high: float = 360.0) -> list[e.OutputBody]:
        """Everything steady with the system running, for so long."""
        out: list[e.OutputBody] = []
        for n in range(round(seconds * 2)):
            wobble = (0.0, 0.1, 0.0, -0.1)[n % 4]
            self.t_s += 0.5
            out += self.frame("gauges", low=low + wobble, high=high - wobble)
            out += self.frame("pipes", t1=52.0 + wobble, t2=98.0 - wobble)
            out += self.frame("power", power=2800.0 + 10 * wobble, voltage=240.0 + wobble)
        return out

    def standing(self, seconds: float) -> list[e.OutputBody]:
        """Everything steady with the system at rest."""
        out: list[e.OutputBody] = []
        for n in range(round(seconds * 2)):
            wobble = (0.0, 0.1, 0.0, -0.1)[n % 4]
            self.t_s += 0.5
            out += self.frame("gauges", low=220.0 + wobble, high=221.0 - wobble)
            out += self.frame("pipes", t1=76.0 + wobble, t2=76.0 - wobble)
            out += self.frame("power", power=0.0, voltage=240.0 + wobble)
        return out

    def place_all(self) -> Bench:
        for instrument, name, point in (
            ("gauges", "low", "vapor_service_pressure"),
            ("gauges", "high", "liquid_service_pressure"),
            ("pipes", "t1", "vapor_line_temperature"),
            ("pipes", "t2", "liquid_line_temperature"),
            ("power", "power", "power"),
            ("power", "voltage", "line_voltage"),
        ):
            self.place(instrument, name, point)
        return self


def kinds(outputs: list[e.OutputBody], cls: type) -> Iterator[object]:
    return (output for output in outputs if isinstance(output, cls))


def settled(outputs: list[e.OutputBody]) -> dict[str, e.Settled]:
    return {output.name: output for output in outputs if isinstance(output, e.Settled)}


def unsettled(outputs: list[e.OutputBody]) -> dict[str, e.Unsettled]:
    return {output.name: output for output in outputs if isinstance(output, e.Unsettled)}
