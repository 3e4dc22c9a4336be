"""Modbus RTU on a line that damages, echoes, babbles and answers late: whole, byte by byte, with a tail, cut."""

from __future__ import annotations

import struct
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from wire_cuts import bytewise, cuts, feed, told

from lineset_drivers.errors import (
    Damaged,
    Foreign,
    Garbled,
    InstrumentError,
    ProfileError,
    Refused,
    Short,
    Silence,
)
from lineset_drivers.protocols.modbus import (
    COIL,
    EXCEPTIONS,
    HOLDING,
    INPUT,
    Answer,
    Conversation,
    Failure,
    Request,
    crc16,
    encode_rtu,
    silent_interval_s,
)
from lineset_drivers.protocols.modbus.rtu import NOISE_LIMIT

ASK = Request(1, INPUT, 0, 2)
SAID = bytes.fromhex("01 04 04 04 9C 0C 20 3E 42")  # CRC as pymodbus works it out


def frame(unit: int, function: int, *data: int) -> bytes:
    body = bytes((unit, function, *data))
    return body + struct.pack("<H", crc16(body))


def asked(request: Request = ASK) -> Conversation:
    talk = Conversation("rtu", where="serial:/dev/ttyUSB0")
    talk.ask(request)
    return talk


Feed = Callable[[bytes], list[bytes]]
WAYS: list[Feed] = [lambda data: [data], bytewise, lambda data: [data[:3], b"", data[3:]]]
ways = pytest.mark.parametrize("way", WAYS, ids=["whole", "bytewise", "in-two"])


@ways
def test_answer(way: Feed) -> None:
    (answer,) = feed(asked().receive, way(SAID))
    assert answer == Answer(ASK, SAID[3:-2], SAID)
    assert answer.registers == (0x049C, 0x0C20)
    assert answer.bits == ()


@ways
def test_not_enough_yet_is_no_event(way: Feed) -> None:
    for size in range(len(SAID)):
        talk = asked()
        assert feed(talk.receive, way(SAID[:size])) == []
        assert talk.request == ASK


@ways
@pytest.mark.parametrize("tail", [SAID, SAID[:4], b"\x00", b"\xff" * 30])
def test_tail_is_no_second_answer_and_a_whole_frame_of_it_makes_the_line_quiet(way: Feed, tail: bytes) -> None:
    talk = asked()
    (answer,) = feed(talk.receive, way(SAID + tail))
    assert answer.raw == SAID
    assert talk.discarded == len(tail)
    assert talk.quiet == (len(tail) >= 5)


@ways
@pytest.mark.parametrize(
    "noise", [b"\x00", b"\xff\xfe\x01", b"\x01", b"\x01\x04", b"\x01\x04\x04", b"\x01\x84", b"\x55" * 40]
)
def test_noise_before_the_answer(way: Feed, noise: bytes) -> None:
    (answer,) = feed(asked().receive, way(noise + SAID))
    assert answer.raw == SAID


@ways
def test_own_question_echoed_by_the_adapter(way: Feed) -> None:
    talk = asked()
    for _ in range(3):
        (answer,) = feed(talk.receive, way(encode_rtu(ASK) + SAID))
        assert answer.raw == SAID
        assert talk.echoes
        assert not talk.quiet
        talk.ask(ASK)


@pytest.mark.parametrize("function", [HOLDING, INPUT])
def test_an_echo_is_told_from_a_reply_of_the_same_beginning(function: int) -> None:
    """A question for one register at 0x02xx begins like a reply of one register; its CRC may even fit by chance."""
    chances = []
    for unit in range(1, 248):
        for low in range(256):
            question = encode_rtu(Request(unit, function, 0x0200 | low, 1))
            if not crc16(question[:7]):
                chances.append(Request(unit, function, 0x0200 | low, 1))
    for request in [Request(9, function, 0x0207, 1), *chances]:
        talk = Conversation("rtu")
        other = Request(request.unit, function, 0, 1)
        talk.ask(other)
        said = frame(request.unit, function, 2, 0x12, 0x34)
        assert chances, "there is no such question any more: drop this test"
        assert len(talk.receive(encode_rtu(other) + said)) == 1  # from here on the adapter is known to echo
        for way in (*WAYS, lambda data: [data[:7], data[7:]]):
            talk.ask(request)
            (answer,) = feed(talk.receive, way(encode_rtu(request) + said))
            assert answer.registers == (0x1234,)


@ways
def test_damage_is_told_from_silence_at_once(way: Feed) -> None:
    for at in range(3, len(SAID)):
        talk = asked()
        broken = SAID[:at] + bytes((SAID[at] ^ 0x40,)) + SAID[at + 1 :]
        (failure,) = feed(talk.receive, way(broken))
        assert isinstance(failure, Failure)
        assert isinstance(failure.error, Damaged)
        assert "CRC" in str(failure.error)
        assert failure.raw == broken
        assert talk.quiet
        assert talk.request is None


@ways
def test_damage_in_the_head_shows_when_time_is_up(way: Feed) -> None:
    for at in range(3):
        talk = asked()
        assert feed(talk.receive, way(SAID[:at] + bytes((SAID[at] ^ 0x80,)) + SAID[at + 1 :])) == []
        assert isinstance(talk.timed_out().error, Damaged)


@ways
def test_a_false_start_does_not_cost_the_answer_behind_it(way: Feed) -> None:
    for noise in (SAID[:3], SAID[:5], SAID[:-1], SAID[:3] * 2):
        (answer,) = feed(asked().receive, way(noise + SAID))
        assert isinstance(answer, Answer), noise
        assert answer.raw == SAID


@ways
@pytest.mark.parametrize("code", [*EXCEPTIONS, 99])
def test_refused(way: Feed, code: int) -> None:
    talk = asked()
    (failure,) = feed(talk.receive, way(b"\x00" + frame(1, 0x84, code)))
    assert isinstance(failure.error, Refused)
    assert failure.error.code == code
    assert EXCEPTIONS.get(code, ("does not name", ""))[0] in failure.error.problem
    assert failure.error.remedy
    assert not talk.quiet
    talk.ask(ASK)  # a refusal is an orderly answer: no pause is due


@ways
def test_fewer_registers_than_asked_are_refused(way: Feed) -> None:
    talk = asked()
    (failure,) = feed(talk.receive, way(frame(1, INPUT, 2, 0x04, 0x9C)))
    assert type(failure.error) is Short
    assert "1 of 2 registers" in str(failure.error)
    assert talk.quiet


@ways
@pytest.mark.parametrize(
    "foreign",
    [
        frame(2, INPUT, 4, 0, 1, 0, 2),  # another unit
        frame(1, HOLDING, 4, 0, 1, 0, 2),  # another function
        frame(1, INPUT, 6, 0, 9, 0, 9, 0, 9),  # more than was asked
        frame(2, 0x84, 2),  # another unit refuses
        frame(1, 0x83, 2),  # an exception of another function
    ],
)
def test_foreign_is_never_the_answer(way: Feed, foreign: bytes) -> None:
    talk = asked()
    assert feed(talk.receive, way(foreign)) == []
    failure = talk.timed_out()
    assert type(failure.error) is Foreign, failure.error
    assert failure.raw == foreign
    # and while there is time, the true answer may still come behind it (Serial Line V1.02, 2.4.1, from memory)
    talk = asked()
    (answer,) = feed(talk.receive, way(foreign + SAID))
    assert answer.raw == SAID


def test_silence_and_silence_behind_an_echo() -> None:
    talk = asked()
    failure = talk.timed_out()
    assert type(failure.error) is Silence
    assert failure.raw == b""
    assert "not a byte" in str(failure.error)
    talk.quiet_over()
    talk.ask(ASK)
    talk.receive(encode_rtu(ASK))
    failure = talk.timed_out()
    assert type(failure.error) is Silence
    assert "adapter and port work" in str(failure.error)


def test_part_of_a_reply_is_damage_and_says_how_much_came() -> None:
    talk = asked()
    talk.receive(SAID[:6])
    failure = talk.timed_out()
    assert type(failure.error) is Damaged
    assert "only 6 of 9 bytes" in str(failure.error)


@ways
def test_what_is_no_modbus_names_the_settings_to_check(way: Feed) -> None:
    talk = asked()
    assert feed(talk.receive, way(b"\xe0\x18\xf9\x06\x98" * 2)) == []
    failure = talk.timed_out()
    assert type(failure.error) is Garbled
    assert "speed, parity" in str(failure.error)


@ways
def test_noise_up_to_the_limit_still_finds_the_answer(way: Feed) -> None:
    (answer,) = feed(asked().receive, way(b"\x33" * (NOISE_LIMIT - 1) + SAID))
    assert answer.raw == SAID
    (failure,) = feed(asked().receive, way(b"\x33" * NOISE_LIMIT + SAID))
    assert type(failure.error) is Garbled


@ways
def test_a_false_start_that_ends_in_the_true_one(way: Feed) -> None:
    """Unit and function are the same number, so the true start looks like two: the earlier one counts."""
    request = Request(4, INPUT, 0, 2)
    said = frame(4, INPUT, 4, 0, 7, 0, 8)
    for overlap in (1, 2, 3):
        talk = asked(request)
        (answer,) = feed(talk.receive, way(said[:3] + b"\x00" * (6 - overlap) + said))
        assert isinstance(answer, Answer)
        assert answer.raw == said


@ways
def test_babble_does_not_last_until_the_time_out(way: Feed) -> None:
    talk = asked()
    (failure,) = feed(talk.receive, way(b"\x33" * (NOISE_LIMIT + 100)))
    assert type(failure.error) is Garbled
    assert len(failure.raw) == NOISE_LIMIT
    assert talk.quiet


def test_a_late_reply_is_never_the_next_one() -> None:
    other = Request(1, INPUT, 10, 2)  # same unit, function and count: its reply looks the same
    talk = asked()
    assert isinstance(talk.timed_out().error, Silence)
    with pytest.raises(RuntimeError, match="quiet"):
        talk.ask(other)
    assert talk.receive(SAID) == []  # late
    assert talk.discarded == len(SAID)
    talk.quiet_over()
    talk.ask(other)
    truth = frame(1, INPUT, 4, 0, 7, 0, 8)
    (answer,) = talk.receive(truth)
    assert answer.registers == (7, 8)


def test_a_frame_that_nobody_asked_for_makes_the_line_quiet() -> None:
    """Two late replies in a row would otherwise leave every later answer one question behind, for ever."""
    talk = asked()
    talk.receive(SAID)
    assert talk.receive(b"\x00") == []  # a glitch is none
    assert not talk.quiet
    assert talk.receive(SAID) == []
    assert talk.quiet
    talk.quiet_over()
    talk.ask(ASK)


def test_one_question_at_a_time() -> None:
    talk = asked()
    with pytest.raises(RuntimeError, match="in flight"):
        talk.ask(ASK)
    talk.receive(SAID)
    with pytest.raises(RuntimeError, match="nothing was asked"):
        talk.timed_out()
    talk.ask(ASK)
    talk.reset()
    talk.ask(ASK)


@pytest.mark.parametrize(
    ("request_", "key"),
    [
        (Request(0, INPUT, 0, 1), "unit"),
        (Request(248, INPUT, 0, 1), "unit"),
        (Request(1, 6, 0, 1), "function"),
        (Request(1, INPUT, 0, 126), "count"),
        (Request(1, INPUT, 0, 0), "count"),
        (Request(1, COIL, 0, 2001), "count"),
        (Request(1, INPUT, 65535, 2), "address"),
        (Request(1, INPUT, -1, 2), "address"),
    ],
)
def test_what_cannot_be_asked_is_said_before_it_is_sent(request_: Request, key: str) -> None:
    talk = Conversation("rtu")
    with pytest.raises(ProfileError) as caught:
        talk.ask(request_)
    assert caught.value.key == key
    assert talk.request is None
    talk.ask(ASK)


def test_silent_interval() -> None:
    # MODBUS over Serial Line V1.02, 2.5.1.1 (from memory): 3.5 characters; 1.750 ms above 19200
    assert silent_interval_s(9600) == pytest.approx(3.5 * 11 / 9600)
    assert silent_interval_s(115200) == 0.00175


pieces = st.one_of(
    st.binary(max_size=8),
    st.sampled_from(
        [
            SAID,
            SAID[:5],
            encode_rtu(ASK),
            frame(2, INPUT, 4, 0, 1, 0, 2),
            frame(1, INPUT, 2, 0, 1),
            frame(1, INPUT, 6, 0, 1, 0, 2, 0, 3),
            frame(1, 0x84, 2),
            SAID[:-1] + b"\x00",
            bytes((1, 4, 4, 1, 4, 4, 1, 4)),
        ]
    ),
)
streams = st.lists(pieces, max_size=6).map(b"".join)


@given(streams, st.data())
def test_events_do_not_depend_on_the_cuts(stream: bytes, data: st.DataObject) -> None:
    outcomes = []
    for way in ([stream], bytewise(stream), data.draw(cuts(stream))):
        talk = asked()
        events = feed(talk.receive, way)
        assert len(events) <= 1
        if not events:
            events.append(talk.timed_out())
        outcomes.append((told(events), talk.quiet, talk.discarded, talk.echoes))
    assert outcomes[0] == outcomes[1] == outcomes[2]


@given(st.binary(max_size=700))
def test_garbage_is_never_an_answer_and_never_breaks_the_reader(garbage: bytes) -> None:
    talk = asked()
    for event in feed(talk.receive, bytewise(garbage)):
        if isinstance(event, Answer):  # one time in 2^40 hypothesis could write a right frame; then it must be one
            assert not crc16(event.raw)
            assert event.raw[:3] == SAID[:3]
        else:
            assert isinstance(event.error, InstrumentError)
    if talk.request is not None:
        assert isinstance(talk.timed_out().error, InstrumentError)
    assert talk.receive(SAID) == []
    if talk.quiet:
        talk.quiet_over()
    talk.ask(ASK)
    (answer,) = talk.receive(SAID)
    assert answer.raw == SAID


@given(st.binary(max_size=100).filter(lambda noise: b"\x01" not in noise), st.integers(1, 125), st.data())
def test_resynchronises_after_noise(noise: bytes, count: int, data: st.DataObject) -> None:
    request = Request(1, HOLDING, 0, count)
    said = frame(1, HOLDING, 2 * count, *data.draw(st.binary(min_size=2 * count, max_size=2 * count)))
    talk = asked(request)
    (answer,) = feed(talk.receive, data.draw(cuts(noise + said)))
    assert answer.raw == said


@given(st.integers(0, len(SAID) * 8 - 1), st.integers(0, len(SAID) * 8 - 1))
def test_one_or_two_flipped_bits_are_never_an_answer(first: int, second: int) -> None:
    """Any two flipped bits show in this CRC in frames so short."""
    broken = bytearray(SAID)
    for bit in {first, second}:
        broken[bit // 8] ^= 1 << bit % 8
    talk = asked()
    events = talk.receive(bytes(broken)) or [talk.timed_out()]
    assert isinstance(events[0], Failure)
    assert isinstance(events[0].error, Damaged | Garbled | Foreign | Short)
