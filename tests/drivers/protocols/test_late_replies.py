"""Whatever a line loses, damages, delays or doubles: an answer is always the answer to the question in flight.

Each question is answered by its own number, so that a mix-up shows. A bus in these tests does what the drivers may
count on: what arrives while nothing is asked is given to the codec before the next question, and on a line without
transaction numbers nothing is later than the quiet period.
"""

from __future__ import annotations

import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset_drivers.errors import Damaged, Silence
from lineset_drivers.protocols import scpi
from lineset_drivers.protocols.modbus import HOLDING, Answer, Conversation, Request, crc16

FATES = ("prompt", "lost", "late", "doubled", "damaged", "cut", "noisy", "echoed")
fates = st.lists(st.sampled_from(FATES), min_size=1, max_size=30)


def reply(request: Request, number: int, framing: str, sent: bytes) -> bytes:
    body = bytes((request.unit, request.function, 2)) + number.to_bytes(2, "big")
    if framing == "tcp":
        return sent[:4] + struct.pack(">H", len(body)) + body
    return body + struct.pack("<H", crc16(body))


@pytest.mark.parametrize("framing", ["rtu", "tcp"])
@given(fates)
def test_modbus(framing: Any, fates: list[str]) -> None:
    talk = Conversation(framing)
    request = Request(1, HOLDING, 0, 1)
    late: list[bytes] = []
    answered = 0
    for number, fate in enumerate(fates):
        if talk.broken:
            talk.reset()
            late.clear()
        if talk.quiet:
            for data in late:
                assert talk.receive(data) == []
            late.clear()
            talk.quiet_over()
        sent = talk.ask(request)
        if framing == "tcp":  # here the late may come whenever they like: also before the true answer
            for data in late:
                assert talk.receive(data) == []
            late.clear()
        said = reply(request, number, framing, sent)
        arrives = {
            "prompt": said,
            "lost": b"",
            "late": b"",
            "doubled": said + said,
            "damaged": said[:-3] + bytes((said[-3] ^ 0xFF,)) + said[-2:] if framing == "rtu" else said,
            "cut": said[:-1],
            "noisy": b"\x00\xff" + said if framing == "rtu" else said,
            "echoed": sent + said if framing == "rtu" else said,
        }[fate]
        events = talk.receive(arrives) or [talk.timed_out()]
        if fate == "late":
            late.append(said)
        elif fate == "cut" and framing == "tcp":
            late.append(said[-1:])  # a stream loses nothing
        assert len(events) == 1
        event = events[0]
        if isinstance(event, Answer):
            assert event.registers == (number,)
            answered += 1
        else:
            kinds = {"damaged": Damaged, "cut": Damaged, "lost": Silence, "late": Silence}
            assert type(event.error) is kinds[fate]
    orderly = ("prompt", "doubled", "noisy", "echoed") + (("damaged",) if framing == "tcp" else ())
    assert answered == sum(fate in orderly for fate in fates)


@pytest.mark.parametrize("errors", ["text", "esr", "syst-err"])
@given(st.lists(st.sampled_from(("prompt", "lost", "late", "doubled")), min_size=1, max_size=30))
def test_scpi(errors: Any, fates: list[str]) -> None:
    talk = scpi.Conversation(errors=errors)
    healthy = {"esr": b"0\n", "syst-err": b'0,"No error"\n'}
    late: list[bytes] = []
    answered = 0
    for number, fate in enumerate(fates):
        if talk.quiet:
            for data in late:
                assert talk.receive(data) == []
            late.clear()
            assert talk.quiet_over() == b""
        talk.ask("READ?")
        said = b"%d\n" % number
        events: list[Any] = list(talk.receive({"prompt": said, "doubled": said + said}.get(fate, b"")))
        if fate == "late":
            late.append(said)
        if not events:
            failure = talk.timed_out()
            if failure is None:
                for data in late:
                    assert talk.receive(data) == []  # or it would be the answer to the question why
                late.clear()
                assert talk.quiet_over() != b""
                (failure,) = talk.receive(healthy[errors])  # type: ignore[assignment]
            assert failure is not None
            assert type(failure.error) is Silence
            continue
        assert [event.text for event in events] == [str(number)]
        answered += 1
    assert answered == sum(fate in ("prompt", "doubled") for fate in fates)
