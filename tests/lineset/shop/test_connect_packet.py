"""A page's CONNECT, read and written anew: whole, cut anywhere, and garbage."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.shop.connect_packet import MOST, NotAConnect, read_connect, write_connect

# By hand from MQTT 3.1.1, section 3.1: clean session, user "page", password "secret", keep-alive 15, client "c1".
BY_HAND = bytes.fromhex("101c 0004 4d515454 04 c2 000f 0002 6331 0004 70616765 0006 736563726574")


def test_by_hand() -> None:
    found = read_connect(BY_HAND + b"\x82")
    assert found is not None
    assert (found.client_id, found.keepalive_s, found.token, found.rest) == ("c1", 15, "secret", b"\x82")
    assert write_connect("c1", 15, "page", "secret") == BY_HAND


def test_a_cut_one_is_waited_for() -> None:
    for cut in range(len(BY_HAND)):
        assert read_connect(BY_HAND[:cut]) is None


@given(st.text(max_size=200), st.integers(0, 65535), st.text(min_size=1, max_size=200), st.text(max_size=300))
def test_what_is_written_is_read(client: str, keepalive: int, user: str, password: str) -> None:
    found = read_connect(write_connect(client, keepalive, user, password))
    assert found is not None
    assert (found.client_id, found.keepalive_s, found.token, found.rest) == (client, keepalive, password, b"")


@given(st.binary(max_size=80), st.booleans())
def test_garbage_is_refused_or_waited_for(data: bytes, like_one: bool) -> None:
    try:
        found = read_connect(b"\x10" + data if like_one else data)
    except NotAConnect:
        return
    assert found is None or found.token is not None


@pytest.mark.parametrize("flags", [0x80, 0xC0, 0xC6, 0xC3, 0x02])
def test_a_will_or_a_lasting_session_is_not_for_a_page(flags: int) -> None:
    with pytest.raises(NotAConnect):
        read_connect(BY_HAND[:9] + bytes([flags]) + BY_HAND[10:])


def test_one_that_is_too_long_is_not_waited_for() -> None:
    with pytest.raises(NotAConnect):
        read_connect(b"\x10\xff\xff\x03" + bytes(10))
    assert MOST < 0x3FFF * 128
