"""Relay and station talk: however the bytes are cut, and never with what was altered, replayed or forged."""

from __future__ import annotations

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from wire_cuts import cuts

from lineset_drivers.frame import Sample
from lineset_drivers.protocols.relay import (
    MAX_MESSAGE,
    Kept,
    Message,
    Ping,
    Pong,
    Proof,
    RelayError,
    Session,
    Spooled,
    Welcome,
)

KEY = bytes(range(32))
SAMPLES = (Sample("low", 118.0, "psig"), Sample("high", None, "psig", "invalid"))
FRAME = Spooled(7, "b1", 123, 456, "gauges", b"\x01\x03", SAMPLES)


def greet(kept: int = 5, key: bytes = KEY) -> tuple[Session, Session]:
    station, relay = Session("station", "van", key, kept=kept), Session("relay", "attic", KEY)
    wire = station.opening()
    for _ in range(3):
        back = b"".join(each for each in relay.receive(wire) if isinstance(each, bytes))
        wire = b"".join(each for each in station.receive(back) if isinstance(each, bytes))
    return station, relay


def test_both_show_the_key_and_the_station_says_what_it_has() -> None:
    station, relay = greet(kept=41)
    assert station.open
    assert relay.open
    assert (station.peer, relay.peer, relay.peer_kept) == ("attic", "van", 41)


def test_another_key_is_found_by_the_station_before_it_says_anything() -> None:
    with pytest.raises(RelayError, match="another key"):
        greet(key=bytes(32))


def test_a_station_with_another_key_is_found_by_the_relay() -> None:
    relay = Session("relay", "attic", KEY)
    list(relay.receive(Session("station", "van", bytes(32)).opening()))
    body = msgspec.msgpack.encode(Proof(bytes(32), 0))
    with pytest.raises(RelayError, match="another key"):
        list(relay.receive(len(body).to_bytes(4, "big") + body))


@given(st.data())
def test_messages_arrive_however_they_are_cut(data: st.DataObject) -> None:
    station, relay = greet()
    sent: list[Message] = [FRAME, Pong(1, "b1", 5, 6), FRAME]
    wire = b"".join(relay.send(message) for message in sent)
    got = [message for piece in data.draw(cuts(wire)) for message in station.receive(piece)]
    assert got == sent


@given(st.data())
def test_an_altered_byte_is_always_found(data: st.DataObject) -> None:
    station, relay = greet()
    wire = bytearray(relay.send(FRAME) + relay.send(Pong(1, "b1", 5, 6)))
    at = data.draw(st.integers(0, len(wire) - 1))
    wire[at] ^= data.draw(st.integers(1, 255))
    got: list[Message | bytes] = []
    try:
        got += station.receive(bytes(wire))
    except RelayError:
        pass
    else:
        # a length made longer: the message never ends, and nothing false came of it
        assert at < 4 or len(got) < 2
    assert all(message in (FRAME, Pong(1, "b1", 5, 6)) for message in got)


def test_what_is_replayed_or_left_out_is_found() -> None:
    station, relay = greet()
    first = relay.send(FRAME)
    assert list(station.receive(first)) == [FRAME]
    with pytest.raises(RelayError, match="repeated or left out"):
        list(station.receive(first))
    station, relay = greet()
    relay.send(FRAME)
    second = relay.send(FRAME)
    with pytest.raises(RelayError, match="repeated or left out"):
        list(station.receive(second))


def test_a_message_of_one_end_cannot_be_given_back_to_it() -> None:
    station, relay = greet()
    with pytest.raises(RelayError):
        list(station.receive(station.send(Ping(1))))
    station, relay = greet()
    assert list(relay.receive(station.send(Kept(9)))) == [Kept(9)]


@given(st.binary(max_size=200))
def test_any_bytes_are_refused_or_waited_on_and_never_crash(noise: bytes) -> None:
    for session in (Session("relay", "attic", KEY), Session("station", "van", KEY), greet()[0]):
        try:
            got = list(session.receive(noise))
        except RelayError:
            continue
        assert not [message for message in got if not isinstance(message, bytes | Welcome)]


def test_a_length_beyond_reason_is_refused_at_once() -> None:
    with pytest.raises(RelayError, match="too long"):
        list(Session("relay", "attic", KEY).receive((MAX_MESSAGE + 1).to_bytes(4, "big")))


def test_a_short_key_is_refused() -> None:
    with pytest.raises(RelayError, match="shorter than"):
        Session("relay", "attic", b"short")
