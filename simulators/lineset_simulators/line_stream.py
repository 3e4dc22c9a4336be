"""An instrument that sends lines by itself, on a serial port or to all who connect."""

from __future__ import annotations

from typing import Protocol

from lineset_simulators.faults import Faults
from lineset_simulators.port import Line


class Speaker(Protocol):
    """An instrument that has a line to say every `line_interval_s` visit seconds."""

    line_interval_s: float

    def line(self) -> bytes: ...


class LineStream:
    """Says its instrument's lines on a port as visit time goes by; `advance` is called by whoever keeps that time."""

    def __init__(self, speaker: Speaker, port: Line) -> None:
        self.speaker = speaker
        self.port = port
        self.faults = Faults()
        self._due_s: float | None = None

    def advance(self, visit_s: float) -> None:
        """Send the lines that are due by `visit_s`; after a long pause only one, not all that were missed."""
        if self._due_s is None:
            self._due_s = visit_s
        if visit_s < self._due_s:
            return
        interval = self.speaker.line_interval_s
        self._due_s += interval * (1 + int((visit_s - self._due_s) / interval))
        self._say(self.speaker.line())

    def _say(self, line: bytes) -> None:
        fault = self.faults.take()
        kind = "" if fault is None else fault.kind
        if kind in ("short", "truncated"):
            line = line[: len(line) // 2] + (b"\r\n" if kind == "short" else b"")
        elif kind == "damaged":
            line = line[:5] + bytes((line[5] ^ 0x01,)) + line[6:]
        elif kind == "noise":
            line = b"\x00\xff\x55" + line
        elif kind == "foreign":
            line = b"$XX,1*1D\r\n"
        if kind not in ("silence", "exception", "late"):  # a stream that is late or refuses says nothing
            self.port.send(line)
