"""Link URLs: where an instrument is to be found.

serial:///dev/ttyUSB0?baud=9600      a serial port by path (or by a symbolic link to one)
usb://0403:6001:A1B2C3:0             a serial adapter by VID:PID:SERIAL:INTERFACE, wherever it is plugged in
tcp://192.0.2.7:502                  a TCP port; Modbus TCP for a Modbus profile
rtu+tcp://192.0.2.7:4196             Modbus RTU frames through a serial-to-network adapter
ble://AA:BB:CC:DD:EE:FF              a Bluetooth LE address
relay://attic.local:8931             an instrument of a relay, under the same id there
entered:                             a person
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from urllib.parse import parse_qsl, unquote, urlsplit

import msgspec

from .errors import LinkError
from .toml_text import near

RELAY_PORT = 8931
SCHEMES = ("serial", "usb", "tcp", "rtu+tcp", "ble", "relay", "entered")
_USB = re.compile(r"[0-9A-Fa-f]{4}:[0-9A-Fa-f]{4}:[^:@]*:\d+(@[-.\d]+)?")
_BLE = re.compile(r"([0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}")
_PORTS = {"tcp": 502, "rtu+tcp": 0, "relay": RELAY_PORT}  # 502 is the registered port of Modbus TCP
_OPTIONS: Mapping[str, type] = {
    "baud": int,
    "bytesize": int,
    "parity": str,
    "stopbits": float,
    "timeout_s": float,
    "framing": str,
}


class LinkAddress(msgspec.Struct, frozen=True):
    """A link URL taken apart. `place` is the path, identity, host or radio address; `options` override a profile's."""

    scheme: str
    place: str
    port: int = 0
    options: Mapping[str, int | float | str] = {}

    @property
    def key(self) -> str:
        """Equal for all instruments that share one bus."""
        return f"{self.scheme}://{self.place}" + (f":{self.port}" if self.port else "")


def _wrong(url: str, problem: str, remedy: str) -> LinkError:
    return LinkError(url or "link", problem, remedy=remedy, permanent=True)


def _options(url: str, query: str) -> dict[str, int | float | str]:
    options: dict[str, int | float | str] = {}
    for key, text in parse_qsl(query, keep_blank_values=True):
        kind = _OPTIONS.get(key)
        if kind is None:
            raise _wrong(
                url, f"the option {key!r} is not known", f"{near(key, _OPTIONS)}Use one of {', '.join(_OPTIONS)}"
            )
        try:
            options[key] = kind(text)
        except ValueError:
            raise _wrong(url, f"{key}={text} is not a number", f"Write {key}=9600, for example") from None
    return options


def parse_link(url: str) -> LinkAddress:
    """Take a link URL apart. Raises LinkError (permanent: trying again will not help) with the remedy."""
    scheme, colon, rest = url.partition(":")
    if not colon or scheme not in SCHEMES:
        hint = "" if colon else "Begin with the kind of link, such as serial:///dev/ttyUSB0. "
        remedy = f"{hint}{near(scheme, SCHEMES)}Known kinds: {', '.join(SCHEMES)}"
        raise _wrong(url, f"{scheme!r} is no kind of link that is known here", remedy)
    if scheme == "entered":
        return LinkAddress("entered", rest.strip("/"))
    body, _, query = rest.removeprefix("//").partition("?")
    options = _options(url, query)
    if scheme == "serial":
        path = unquote(body)
        if not path.startswith("/"):
            raise _wrong(url, "the path of the port is missing", "Write three slashes: serial:///dev/ttyUSB0")
        return LinkAddress(scheme, path, options=options)
    if scheme == "usb":
        if not _USB.fullmatch(body):
            raise _wrong(
                url,
                "this is no VID:PID:SERIAL:INTERFACE",
                "Write it as `lineset find` shows it: usb://0403:6001:A1B2C3:0",
            )
        return LinkAddress(scheme, body, options=options)
    if scheme == "ble":
        if not _BLE.fullmatch(body):
            raise _wrong(url, "this is no Bluetooth address", "Write it like ble://AA:BB:CC:DD:EE:FF")
        return LinkAddress(scheme, body.upper(), options=options)
    try:
        parts = urlsplit("//" + body)
        host, port = parts.hostname, parts.port or _PORTS[scheme]
    except ValueError as error:
        raise _wrong(url, f"the address is wrong ({error})", f"Write it like {scheme}://192.0.2.7:502") from None
    if not host or not port:
        raise _wrong(url, "the host or the port is missing", f"Write it like {scheme}://192.0.2.7:502")
    return LinkAddress(scheme, host, port, options)
