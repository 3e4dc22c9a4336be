"""Link URLs taken apart, and what is said of wrong ones."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset_drivers.errors import LinkError
from lineset_drivers.link import SCHEMES, LinkAddress, parse_link


@pytest.mark.parametrize(
    ("url", "address"),
    [
        ("serial:///dev/ttyUSB0", LinkAddress("serial", "/dev/ttyUSB0")),
        ("serial:/dev/ttyUSB0", LinkAddress("serial", "/dev/ttyUSB0")),
        (
            "serial:///dev/ttyS0?baud=19200&parity=E",
            LinkAddress("serial", "/dev/ttyS0", 0, {"baud": 19200, "parity": "E"}),
        ),
        ("serial:///tmp/with%20blank", LinkAddress("serial", "/tmp/with blank")),
        ("usb://0403:6001:A1B2C3:0", LinkAddress("usb", "0403:6001:A1B2C3:0")),
        ("usb://0403:6001::1@1-1.2", LinkAddress("usb", "0403:6001::1@1-1.2")),
        ("tcp://192.0.2.7", LinkAddress("tcp", "192.0.2.7", 502)),
        ("tcp://meter.example:1502?timeout_s=1.5", LinkAddress("tcp", "meter.example", 1502, {"timeout_s": 1.5})),
        ("tcp://[2001:db8::7]:502", LinkAddress("tcp", "2001:db8::7", 502)),
        ("rtu+tcp://192.0.2.7:4196", LinkAddress("rtu+tcp", "192.0.2.7", 4196)),
        ("ble://aa:bb:cc:dd:ee:ff", LinkAddress("ble", "AA:BB:CC:DD:EE:FF")),
        ("entered:", LinkAddress("entered", "")),
    ],
)
def test_links(url: str, address: LinkAddress) -> None:
    assert parse_link(url) == address


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("/dev/ttyUSB0", "serial:///dev/ttyUSB0"),
        ("sreial:///dev/ttyUSB0", "Did you mean 'serial'"),
        ("serial://ttyUSB0", "three slashes"),
        ("serial:///dev/ttyUSB0?baut=9600", "Did you mean 'baud'"),
        ("serial:///dev/ttyUSB0?baud=fast", "not a number"),
        ("usb://0403", "VID:PID:SERIAL:INTERFACE"),
        ("tcp://:502", "missing"),
        ("tcp://host:70000", "address is wrong"),
        ("rtu+tcp://192.0.2.7", "missing"),
        ("ble://AA:BB", "Bluetooth address"),
        ("", "such as serial:///dev/ttyUSB0"),
    ],
)
def test_a_wrong_link_says_what_to_write(url: str, words: str) -> None:
    with pytest.raises(LinkError) as caught:
        parse_link(url)
    assert words in str(caught.value)
    assert caught.value.permanent


@given(st.text(max_size=40))
def test_any_text_is_a_link_or_a_link_error(text: str) -> None:
    with contextlib.suppress(LinkError):
        assert parse_link(text).scheme in SCHEMES
