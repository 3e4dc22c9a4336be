"""An SCPI instrument on a port: splits what it hears into commands and sends the replies."""

from __future__ import annotations

import asyncio
import re

from lineset_simulators.faults import Faults
from lineset_simulators.meters import BenchMeter
from lineset_simulators.port import Line

_LONGEST_COMMAND = 1024


class ScpiServer:
    """A bench meter's conversation. Give `receive` and `gone` to a port as `on_data` and `on_gone`.

    Commands end with LF (CR before it is ignored); several in one line are parted by semicolons.
    """

    def __init__(self, meter: BenchMeter) -> None:
        self.meter = meter
        self.faults = Faults()
        self._heard: dict[Line, bytes] = {}

    def gone(self, line: Line) -> None:
        self._heard.pop(line, None)

    def receive(self, line: Line, data: bytes) -> None:
        *commands, rest = (self._heard.get(line, b"") + data).split(b"\n")
        self._heard[line] = rest[-_LONGEST_COMMAND:]
        for command in commands:
            # IEEE 488.2, 8.4.1: replies to the queries of one message are joined by semicolons
            replies = [reply for part in re.split(rb"\s*;\s*", command) if (reply := self.meter.command(part))]
            if replies:
                self._reply(line, b";".join(reply.rstrip(b"\n") for reply in replies) + b"\n")

    def _reply(self, line: Line, reply: bytes) -> None:
        fault = self.faults.take()
        kind = "" if fault is None else fault.kind
        if kind in ("short", "truncated"):
            reply = reply[: len(reply) // 2] + (b"\n" if kind == "short" else b"")
        elif kind in ("damaged", "noise"):
            reply = b"\xff?" + reply
        elif kind == "exception":
            reply = b"ERROR -200\n"
        elif kind == "foreign":
            reply = b"INVENTED,OTHER METER,SN0999,0.01\n"
        if fault is not None and kind == "late":
            asyncio.get_running_loop().call_later(fault.delay_s, line.send, reply)
        elif kind != "silence":
            line.send(reply)
