"""Modbus TCP: late transactions, foreign ones, short replies, and streams that are something else."""

from __future__ import annotations

import struct
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from wire_cuts import bytewise, cuts, feed, told

from lineset_drivers.errors import Damaged, Foreign, Garbled, InstrumentError, Refused, Short, Silence
from lineset_drivers.protocols.modbus import COIL, HOLDING, INPUT, Answer, Conversation, Failure, Request

ASK = Request(1, HOLDING, 100, 2)


def frame(transaction: int, unit: int, *pdu: int) -> bytes:
    return struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + bytes(pdu)


SAID = frame(1, 1, HOLDING, 4, 0, 7, 0, 8)


def asked(request: Request = ASK) -> Conversation:
    talk = Conversation("tcp", where="tcp://127.0.0.1:502")
    talk.ask(request)
    return talk


Feed = Callable[[bytes], list[bytes]]
WAYS: list[Feed] = [lambda data: [data], bytewise, lambda data: [data[:8], b"", data[8:]]]
ways = pytest.mark.parametrize("way", WAYS, ids=["whole", "bytewise", "in-two"])


@ways
def test_answer_and_the_tail_is_dropped(way: Feed) -> None:
    for tail in (b"", SAID, SAID[:5], SAID[:9]):
        talk = asked()
        (answer,) = feed(talk.receive, way(SAID + tail))
        assert isinstance(answer, Answer)
        assert answer.raw == SAID
        assert answer.registers == (7, 8)
        talk.ask(ASK)
        rest = SAID[len(tail) :] if tail else b""  # what was cut off comes later, and is late
        (answer,) = feed(talk.receive, way(rest + frame(2, 1, HOLDING, 4, 0, 9, 0, 9)))
        assert answer.registers == (9, 9)
        assert talk.late == (1 if tail else 0)


@ways
def test_not_enough_yet(way: Feed) -> None:
    for size in range(len(SAID)):
        assert feed(asked().receive, way(SAID[:size])) == []


@ways
def test_a_late_reply_is_dropped_and_no_pause_is_due(way: Feed) -> None:
    talk = asked()
    assert isinstance(talk.timed_out().error, Silence)
    assert not talk.quiet
    talk.ask(ASK)
    (answer,) = feed(talk.receive, way(SAID + frame(2, 1, HOLDING, 4, 0, 1, 0, 2)))
    assert answer.registers == (1, 2)
    assert talk.late == 1


@ways
def test_half_a_reply_at_the_time_out_is_damage_and_its_rest_is_late(way: Feed) -> None:
    talk = asked()
    assert feed(talk.receive, way(SAID[:10])) == []
    failure = talk.timed_out()
    assert type(failure.error) is Damaged
    assert "only 10 bytes" in str(failure.error)
    talk.ask(ASK)
    (answer,) = feed(talk.receive, way(SAID[10:] + frame(2, 1, HOLDING, 4, 0, 1, 0, 2)))
    assert answer.registers == (1, 2)


@ways
@pytest.mark.parametrize(
    ("pdu", "unit", "error"),
    [
        ((HOLDING | 0x80, 2), 1, Refused),
        ((HOLDING, 2, 0, 7), 1, Short),
        ((HOLDING, 6, 0, 7, 0, 8, 0, 9), 1, Foreign),
        ((INPUT, 4, 0, 7, 0, 8), 1, Foreign),
        ((INPUT | 0x80, 2), 1, Foreign),
        ((HOLDING, 4, 0, 7, 0, 8), 2, Foreign),
        ((HOLDING, 4, 0, 7, 0), 1, Garbled),
        ((HOLDING, 3, 0, 7, 0, 8), 1, Garbled),
        ((HOLDING | 0x80, 2, 0), 1, Garbled),
    ],
)
def test_each_wrong_reply_has_its_error(
    way: Feed, pdu: tuple[int, ...], unit: int, error: type[InstrumentError]
) -> None:
    talk = asked()
    (failure,) = feed(talk.receive, way(frame(1, unit, *pdu)))
    assert isinstance(failure, Failure)
    assert type(failure.error) is error
    assert failure.raw == frame(1, unit, *pdu)
    assert str(failure.error).startswith("tcp://127.0.0.1:502 unit 1: ")
    talk.ask(ASK)


@ways
def test_a_transaction_that_was_never_asked_is_foreign(way: Feed) -> None:
    talk = asked()
    assert feed(talk.receive, way(frame(777, 1, HOLDING, 4, 0, 7, 0, 8))) == []
    failure = talk.timed_out()
    assert type(failure.error) is Foreign
    assert "never asked" in str(failure.error)


@ways
def test_what_is_no_modbus_tcp_wants_a_new_connection(way: Feed) -> None:
    talk = asked()
    (failure,) = feed(talk.receive, way(b"HTTP/1.1 400 Bad Request\r\n"))
    assert type(failure.error) is Garbled
    assert talk.broken
    with pytest.raises(RuntimeError, match="broken"):
        talk.ask(ASK)
    assert talk.receive(SAID) == []
    talk.reset()
    talk.ask(ASK)
    assert len(talk.receive(SAID)) == 1


@ways
@pytest.mark.parametrize("length", [0, 1, 2, 255, 0xFFFF])
def test_a_length_that_no_frame_has_breaks_the_stream(way: Feed, length: int) -> None:
    """An ADU has at most 260 bytes (V1.1b3, 4.1, from memory), the header's first six among them."""
    talk = asked()
    (failure,) = feed(talk.receive, way(struct.pack(">HHHB", 1, 0, length, 1)))
    assert type(failure.error) is Garbled
    assert talk.broken


def test_the_longest_reply_is_taken() -> None:
    talk = asked(Request(1, HOLDING, 0, 125))
    assert talk.receive(frame(1, 1, HOLDING, 250, *[0] * 250))[0].registers == (0,) * 125


def test_noise_between_questions_breaks_the_stream_too() -> None:
    talk = asked()
    talk.receive(SAID)
    assert talk.receive(b"\x00\x01\xff\xff\x00\x05\x01\x03") == []
    assert talk.broken


def test_transactions_go_round_without_zero() -> None:
    talk = Conversation("tcp")
    seen = []
    for _ in range(0x10001):
        sent = talk.ask(ASK)
        seen.append(int.from_bytes(sent[:2], "big"))
        talk.timed_out()
    assert seen[0] == 1
    assert seen[0xFFFE:] == [0xFFFF, 1, 2]
    assert 0 not in seen


def test_bits() -> None:
    talk = asked(Request(1, COIL, 0, 10))
    (answer,) = talk.receive(frame(1, 1, COIL, 2, 0b00000101, 0b10))
    assert answer.bits == (True, False, True, *[False] * 6, True)
    assert answer.registers == ()


def test_unknown_framing() -> None:
    with pytest.raises(ValueError, match="rtu or tcp"):
        Conversation("ascii")  # type: ignore[arg-type]


pieces = st.one_of(
    st.binary(max_size=12),
    st.sampled_from([SAID, SAID[:9], frame(2, 1, HOLDING, 4, 0, 1, 0, 2), frame(1, 1, 0x83, 2), frame(9, 1, 3, 0)]),
)


@given(st.lists(pieces, max_size=5).map(b"".join), st.data())
def test_events_do_not_depend_on_the_cuts(stream: bytes, data: st.DataObject) -> None:
    outcomes = []
    for way in ([stream], bytewise(stream), data.draw(cuts(stream))):
        talk = asked()
        events = feed(talk.receive, way)
        assert len(events) <= 1
        if not events:
            events.append(talk.timed_out())
        if events and isinstance(events[0], Failure) and talk.broken:
            events = [events[0]._replace(raw=b"")]  # how much of a broken stream had come is not to be compared
        outcomes.append((told(events), talk.late, talk.broken))
    assert outcomes[0] == outcomes[1] == outcomes[2]
