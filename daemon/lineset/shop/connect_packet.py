"""A page's first MQTT packet, read and written anew: its token is taken out, the broker's credentials are put in.

So no page ever holds a password of the broker. Sans-IO: bytes in, a login or bytes out (MQTT 3.1.1, section 3.1).
"""

from __future__ import annotations

from dataclasses import dataclass

MOST = 4096  # bytes of a CONNECT that a page sends
_CONNECT = 0x10
_HEAD = b"\x00\x04MQTT\x04"  # the protocol's name and its level, 3.1.1
_CLEAN, _WILL, _PASSWORD, _USER = 0x02, 0x04, 0x40, 0x80


class NotAConnect(ValueError):
    """What came first is no CONNECT as a page of ours sends it."""


@dataclass(frozen=True, slots=True)
class Connect:
    """A page's CONNECT: who it says it is, and what followed it at once."""

    client_id: str
    keepalive_s: int
    token: str
    rest: bytes


def read_connect(data: bytes) -> Connect | None:
    """The CONNECT at the head of `data`; None while it is not whole. Raises NotAConnect."""
    if data[:1] and data[0] != _CONNECT:
        raise NotAConnect("the first packet is no CONNECT")
    length, at = 0, 1
    while True:
        if at >= len(data):
            return None
        length |= (data[at] & 0x7F) << (7 * (at - 1))
        at += 1
        if not data[at - 1] & 0x80:
            break
        if at > 3:
            raise NotAConnect("it is too long")
    if length > MOST:
        raise NotAConnect("it is too long")
    if len(data) < at + length:
        return None
    body, rest = data[at : at + length], data[at + length :]
    if not body.startswith(_HEAD) or len(body) < len(_HEAD) + 3:
        raise NotAConnect("it is not of MQTT 3.1.1")
    flags, keepalive = body[len(_HEAD)], int.from_bytes(body[len(_HEAD) + 1 : len(_HEAD) + 3], "big")
    if not flags & _CLEAN or flags & _WILL or not flags & _USER or not flags & _PASSWORD or flags & 0x01:
        raise NotAConnect("it has a will, or no token, or asks for a session that lasts")
    texts, at = [], len(_HEAD) + 3
    for _ in range(3):
        size = int.from_bytes(body[at : at + 2], "big")
        text = body[at + 2 : at + 2 + size]
        if len(text) != size or at + 2 > len(body):
            raise NotAConnect("it ends too early")
        texts.append(text)
        at += 2 + size
    if at != len(body):
        raise NotAConnect("it goes on too long")
    try:
        client_id, _, token = (text.decode() for text in texts)
    except UnicodeDecodeError as error:
        raise NotAConnect("it is not of UTF-8") from error
    return Connect(client_id, keepalive, token, rest)


def write_connect(client_id: str, keepalive_s: int, username: str, password: str) -> bytes:
    """A CONNECT with a clean session; without user name where the broker wants none."""
    flags = _CLEAN | (_USER | _PASSWORD if username else 0)
    body = _HEAD + bytes([flags]) + keepalive_s.to_bytes(2, "big")
    for text in (client_id, *((username, password) if username else ())):
        encoded = text.encode()
        body += len(encoded).to_bytes(2, "big") + encoded
    size, length = b"", len(body)
    while True:
        size += bytes([length & 0x7F | (0x80 if length > 0x7F else 0)])
        length >>= 7
        if not length:
            return bytes([_CONNECT]) + size + body
