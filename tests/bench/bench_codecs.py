"""How fast the wired codecs are, beside pymodbus's decoder in the same run. Compare ratios: times are the machine's.

    python tests/bench/bench_codecs.py [--seconds 0.1] [--json]

Each line is a median over alternating rounds, so that a busy machine slows both sides alike. Ours is timed with the
question (`ask`) and the answer (`receive`) and, where it says so, with the decoding into samples; pymodbus's framer is
timed with the answer alone.
"""

from __future__ import annotations

import argparse
import json
import statistics
import struct
import time
from collections.abc import Callable
from typing import Any

from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU

from lineset_drivers.channel import Channel, Field, Query, Register
from lineset_drivers.frame import Flag
from lineset_drivers.protocols import scpi
from lineset_drivers.protocols.lines import LineFramer, LineStream, Pattern, append_checksum
from lineset_drivers.protocols.modbus import INPUT, Answer, Conversation, Request, compile_polls, crc16
from lineset_drivers.quantity import Quantity

ROUNDS = 7
Call = Callable[[], Any]


def rate(call: Call, seconds: float) -> float:
    """Calls a second of CPU time, over about `seconds`."""
    count = 64
    while True:
        start = time.process_time()
        for _ in range(count):
            call()
        spent = time.process_time() - start
        if spent >= seconds / 2:
            return count / spent
        count *= 2


def compare(ours: Call, theirs: Call | None, seconds: float) -> tuple[float, float | None]:
    """Median rates of both, measured in turns."""
    rounds = [(rate(ours, seconds), rate(theirs, seconds) if theirs else 0.0) for _ in range(ROUNDS)]
    return statistics.median(a for a, _ in rounds), statistics.median(b for _, b in rounds) if theirs else None


def channels(count: int) -> list[Channel]:
    return [
        Channel(
            name=f"t{n}",
            title=f"Probe {n}",
            quantity=Quantity.TEMPERATURE,
            unit="degC",
            where=Register("input", n, "int16"),
            source="invented",
            scale=0.1,
            codes={-32768: Flag.INVALID},
        )
        for n in range(count)
    ]


def reply(request: Request, framing: str) -> bytes:
    values = struct.pack(f">{request.count}H", *((n * 2477) & 0x7FFF for n in range(request.count)))
    pdu = bytes((request.function, len(values))) + values
    if framing == "tcp":
        return struct.pack(">HHHB", 1, 0, len(pdu) + 1, request.unit) + pdu
    frame = bytes((request.unit,)) + pdu
    return frame + struct.pack("<H", crc16(frame))


def modbus(framing: str, count: int, with_samples: bool) -> tuple[Call, Call]:
    poll = compile_polls(channels(count))[0]
    request, decode = poll.request, poll.decode
    frame = reply(request, framing)
    talk = Conversation(framing)  # type: ignore[arg-type]
    framer = (FramerRTU if framing == "rtu" else FramerSocket)(DecodePDU(is_server=False))

    def ours() -> Any:
        sent = talk.ask(request)
        (answer,) = talk.receive(frame if framing == "rtu" else sent[:2] + frame[2:])
        assert isinstance(answer, Answer)
        return decode(answer) if with_samples else answer.registers

    def theirs() -> Any:
        pdu = framer.handleFrame(frame, request.unit, 0)[1]
        assert pdu is not None
        return pdu.registers

    assert with_samples or list(ours()) == theirs()
    return ours, theirs


def in_pieces() -> tuple[Call, Call]:
    """A reply that a serial port delivers in three pieces."""
    request = Request(1, INPUT, 0, 8)
    frame = reply(request, "rtu")
    pieces = [frame[:4], frame[4:13], frame[13:]]
    talk = Conversation("rtu")
    framer = FramerRTU(DecodePDU(is_server=False))

    def ours() -> Any:
        talk.ask(request)
        return next(event for piece in pieces for event in talk.receive(piece)).registers

    def theirs() -> Any:
        buffer, pdu = b"", None
        for piece in pieces:
            buffer += piece
            used, pdu = framer.handleFrame(buffer, 1, 0)
            buffer = buffer[used:]
        assert pdu is not None
        return pdu.registers

    assert list(ours()) == theirs()
    return ours, theirs


def line() -> Call:
    current = Channel("current", "", Quantity.CURRENT, "A", Field("current", unit_group="unit"), "invented")
    stream = LineStream(
        LineFramer(b"\r\n", drop_first=False),
        Pattern([current], pattern=r"\$M,ACA,(?P<current>[^,]*),(?P<unit>\w+)", checksum="xor8-hex"),
    )
    data = append_checksum(b"$M,ACA,+012.34,A", "xor8-hex") + b"\r\n"
    assert stream.receive(data)[0].samples[0].value == 12.34  # type: ignore[union-attr]
    return lambda: stream.receive(data)


def bench_meter() -> Call:
    asks = scpi.plan_queries([Channel("v", "", Quantity.VOLTAGE, "V", Query("READ?"), "invented")])
    talk = scpi.Conversation()

    def ours() -> Any:
        talk.ask("READ?")
        return asks[0].decode(talk.receive(b"+1.20417000E+02\n")[0])  # type: ignore[arg-type]

    return ours


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=0.1, help="CPU seconds of one measurement of one side")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    data = bytes(range(253))
    cases: list[tuple[str, Call, Call | None]] = [
        ("CRC of 253 bytes", lambda: crc16(data), lambda: FramerRTU.compute_CRC(data)),
        *((f"RTU reply of {n} registers", *modbus("rtu", n, False)) for n in (2, 8, 125)),
        ("RTU reply of 8 registers in 3 pieces", *in_pieces()),
        *((f"TCP reply of {n} registers", *modbus("tcp", n, False)) for n in (2, 8, 125)),
        ("RTU poll of 8 channels to samples", *modbus("rtu", 8, True)),
        ("RTU poll of 60 channels to samples", *modbus("rtu", 60, True)),
        ("line with checksum to sample", line(), None),
        ("SCPI query to sample", bench_meter(), None),
    ]
    results = []
    for name, ours, theirs in cases:
        mine, other = compare(ours, theirs, options.seconds)
        results.append({"case": name, "per_s": round(mine), "pymodbus_per_s": other and round(other)})
        if not options.json:
            ratio = "" if other is None else f"{other:>12,.0f}/s pymodbus   {mine / other:5.1f} times as fast"
            print(f"{name:<38}{mine:>12,.0f}/s   {ratio}")
    if options.json:
        print(json.dumps(results, indent=2))


if __name__ == "__main__":
    main()
