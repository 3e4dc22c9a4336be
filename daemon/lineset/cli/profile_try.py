"""One instrument on its real link, by the fleet, printed as it comes: samples, raw bytes, states in sentences."""

from __future__ import annotations

import asyncio
import json
import signal
import sys

import typer

from lineset.cli.cautions import cautions
from lineset_drivers.clock import NS, VisitClock
from lineset_drivers.fleet import Fleet
from lineset_drivers.frame import Flag, Frame, InstrumentState, Loss, Sample
from lineset_drivers.instrument import InstrumentSpec
from lineset_drivers.quantity import SI_UNIT, to_si

RAW_SHOWN = 48  # bytes; the rest of a long frame is counted

FLAG_WORDS = {
    Flag.OVER_RANGE: "over range",
    Flag.UNDER_RANGE: "under range",
    Flag.INVALID: "no valid value",
    Flag.NOT_KNOWN: "no value yet",
    Flag.HELD: "on hold",
}


class Trial:
    """A sink that prints. `frames` counts what came, `valid` the samples with a number and no flag."""

    def __init__(self, spec: InstrumentSpec, *, as_json: bool = False) -> None:
        self._spec, self._json = spec, as_json
        self._clock = VisitClock()
        self._enough = asyncio.Event()
        self._news = asyncio.Event()
        self._count = 0
        self.frames = self.valid = 0
        self.last_reason = ""

    def introduce(self) -> None:
        """Say what is about to be tried, and the caution that goes with it."""
        profile = self._spec.profile
        unit = profile.link.unit if self._spec.unit is None else self._spec.unit
        which = f", unit {unit}" if profile.protocol == "modbus" else ""
        typer.echo(f"{profile.title} ({profile.name}) on {self._spec.link}{which}; nothing is recorded")
        for text in cautions({channel.quantity for channel in profile.channels}):
            typer.echo(f"Caution: {text}")

    async def run(self, count: int, patience_s: float) -> None:
        """Print frames until `count` came (0: until SIGINT), or none for `patience_s` real seconds."""
        self._count = count
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, self._enough.set)
        async with Fleet([self._spec], self._clock, self):
            ended = asyncio.create_task(self._enough.wait())
            while not ended.done():
                self._news.clear()
                news = asyncio.create_task(self._news.wait())
                done, _ = await asyncio.wait({ended, news}, timeout=patience_s, return_when=asyncio.FIRST_COMPLETED)
                news.cancel()
                if not done:
                    break
            ended.cancel()
            await asyncio.gather(ended, return_exceptions=True)

    # ------------------------------------------------------------------------------------------------------- Sink

    def frame(self, frame: Frame) -> bool:
        if self._enough.is_set():
            return True
        self.frames += 1
        self.valid += sum(1 for sample in frame.samples if sample.value is not None and not sample.flag)
        self._news.set()
        if self._json:
            row = {
                "t": round(frame.t / NS, 6),
                "raw": frame.raw.hex(),
                "samples": [
                    {"channel": s.channel, "value": s.value, "unit": s.unit, "flag": s.flag} for s in frame.samples
                ],
            }
            print(json.dumps(row), flush=True)
        else:
            self._show(frame)
        if self._count and self.frames >= self._count:
            self._enough.set()
        return True

    def _show(self, frame: Frame) -> None:
        raw = frame.raw[:RAW_SHOWN].hex(" ")
        more = f" ... {len(frame.raw)} bytes" if len(frame.raw) > RAW_SHOWN else ""
        print(f"\n{frame.t / NS:8.2f} s  {raw}{more}", flush=True)
        if frame.raw and all(32 <= byte < 127 or byte in b"\r\n" for byte in frame.raw):
            print(f"{'':12}{frame.raw.decode('ascii').strip()[:100]}")
        column = max((len(sample.channel) for sample in frame.samples), default=0)
        for sample in frame.samples:
            print(f"{'':12}{sample.channel:<{column}}  {self._value(sample)}", flush=True)

    def _value(self, sample: Sample) -> str:
        flag = FLAG_WORDS.get(Flag(sample.flag), sample.flag) if sample.flag else ""
        if sample.value is None:
            return flag or "no value"
        quantity = self._spec.profile.channel(sample.channel).quantity
        text = f"{sample.value:.6g} {sample.unit}"
        si = to_si(sample.value, sample.unit, quantity)
        if si != sample.value:
            text += f"  ({si:.6g} {SI_UNIT[quantity]})"
        return f"{text}  {flag}".rstrip()

    def state(self, state: InstrumentState) -> None:
        self.last_reason = state.reason
        who = f", it says {state.identity}" if state.identity else ""
        print(f"{state.t / NS:8.2f} s  {state.state}: {state.reason}{who}", file=sys.stderr, flush=True)

    def loss(self, loss: Loss) -> None:
        print(f"{loss.t / NS:8.2f} s  {loss.count} lost ({loss.kind})", file=sys.stderr, flush=True)
