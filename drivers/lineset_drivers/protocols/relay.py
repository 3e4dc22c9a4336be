"""Between a relay and a station: messages over one TCP connection, each authenticated. Sans-IO, both ends.

A relay runs drivers where the station's radio does not reach, and keeps every frame until the station has stored it.
Each message is a length (4 bytes, big-endian), a MessagePack body, and, once both ends have shown that they hold the
same key, 16 bytes of HMAC-SHA256 over direction, number and body: nothing can be altered, replayed or left out. The
readings themselves are not secret and go in the clear, over the technician's own network.

Times: a frame carries the relay's own boot time, and its wall clock beside it; the station asks for both now and then
and brings frames to its own visit time. After a restart of the relay its boot time begins anew, and older frames are
placed by the wall clock.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Iterator
from typing import Literal

import msgspec

from ..errors import LinkError
from ..frame import InstrumentState, Sample

VERSION = 1
MAX_MESSAGE = 1 << 20
MAC = 16
_LENGTH = 4
_NONCE = 16
KEY_LEAST = 16  # bytes


class _Message(msgspec.Struct, frozen=True, array_like=True, gc=False, tag=True):
    pass


class Hello(_Message, frozen=True, tag="hello"):
    """Station to relay, first of all."""

    version: int
    station: str
    nonce: bytes


class Welcome(_Message, frozen=True, tag="welcome"):
    """Relay to station: who it is, and that it holds the key."""

    version: int
    relay: str
    nonce: bytes
    proof: bytes


class Proof(_Message, frozen=True, tag="proof"):
    """Station to relay: that it holds the key, and the number of the last frame that it has stored (-1: not known)."""

    proof: bytes
    kept: int


class Spooled(_Message, frozen=True, tag="frame"):
    """A frame with its number, and when it came: boot time of the relay's run `boot`, and wall time, both in ns."""

    seq: int
    boot: str
    boot_ns: int
    wall_ns: int
    instrument: str
    raw: bytes
    samples: tuple[Sample, ...]


class Dropped(_Message, frozen=True, tag="loss"):
    """Frames that even the relay had to drop, in order with the others."""

    seq: int
    boot: str
    boot_ns: int
    wall_ns: int
    instrument: str
    kind: str
    count: int


class Told(_Message, frozen=True, tag="state"):
    """How an instrument stands at the relay, now."""

    state: InstrumentState


class Kept(_Message, frozen=True, tag="kept"):
    """Station to relay: everything up to this number is stored, and need not be kept any longer."""

    through: int


class Ping(_Message, frozen=True, tag="ping"):
    """Asks for the relay's clocks; also says that the station is there."""

    id: int


class Pong(_Message, frozen=True, tag="pong"):
    """The relay's clocks as it answers."""

    id: int
    boot: str
    boot_ns: int
    wall_ns: int


Message = Hello | Welcome | Proof | Spooled | Dropped | Told | Kept | Ping | Pong
Role = Literal["station", "relay"]

_encoder = msgspec.msgpack.Encoder()
_decoder: msgspec.msgpack.Decoder[Message] = msgspec.msgpack.Decoder(Message)


class RelayError(LinkError):
    """The other end is not what it should be: another key, another program, a damaged or replayed message."""


def _proof(key: bytes, who: bytes, theirs: bytes, ours: bytes) -> bytes:
    return hmac.digest(key, b"lineset relay 1\n" + who + theirs + ours, hashlib.sha256)


class Session:
    """One end of one connection. `opening()` is what to send first; `receive` takes bytes as they come.

    Raises RelayError when the other end is not to be trusted; the connection is then to be closed.
    """

    def __init__(self, role: Role, name: str, key: bytes, *, kept: int = -1, where: str = "relay") -> None:
        if len(key) < KEY_LEAST:
            raise RelayError(
                where, f"the key is shorter than {KEY_LEAST} bytes", remedy="Make one: lineset relay --new-key"
            )
        self.role, self.name, self.peer = role, name, ""
        self.peer_kept = -1  # at the relay: what the station says that it has stored
        self.open = False
        self._key, self._kept, self._where = key, kept, where
        self._nonce = secrets.token_bytes(_NONCE)
        self._their_nonce = b""
        self._buffer = bytearray()
        self._sent = self._received = 0
        self._session_key = b""

    def opening(self) -> bytes:
        """What this end sends as soon as the connection is there."""
        if self.role == "relay":
            return b""
        return self._frame(_encoder.encode(Hello(VERSION, self.name, self._nonce)), secured=False)

    def send(self, message: Message) -> bytes:
        """The bytes of one message; only when `open`."""
        assert self.open
        return self._frame(_encoder.encode(message), secured=True)

    def receive(self, data: bytes) -> Iterator[Message | bytes]:
        """Messages that `data` completes; bytes among them are to be sent back as they are."""
        self._buffer += data
        while len(self._buffer) >= _LENGTH:
            size = int.from_bytes(self._buffer[:_LENGTH], "big")
            tail = MAC if self.open else 0
            if size > MAX_MESSAGE:
                raise self._bad("a message is too long")
            if len(self._buffer) < _LENGTH + size + tail:
                return
            body = bytes(self._buffer[_LENGTH : _LENGTH + size])
            mac = bytes(self._buffer[_LENGTH + size : _LENGTH + size + tail])
            del self._buffer[: _LENGTH + size + tail]
            if self.open and not hmac.compare_digest(mac, self._mac(self._other, self._received, body)):
                raise self._bad("a message was altered, repeated or left out on its way")
            if self.open:
                self._received += 1
            try:
                message = _decoder.decode(body)
            except msgspec.DecodeError as error:  # a ValidationError is one too
                raise self._bad("what it sends is not of this protocol") from error
            yield from self._take(message)

    def _take(self, message: Message) -> Iterator[Message | bytes]:
        if self.open:
            if isinstance(message, Hello | Welcome | Proof):
                raise self._bad("it began anew in the middle")
            yield message
        elif self.role == "relay" and isinstance(message, Hello) and not self._their_nonce:
            self._check(message.version, message.nonce)
            self.peer, self._their_nonce = message.station, message.nonce
            proof = _proof(self._key, b"relay", message.nonce, self._nonce)
            yield self._frame(_encoder.encode(Welcome(VERSION, self.name, self._nonce, proof)), secured=False)
        elif self.role == "station" and isinstance(message, Welcome):
            self._check(message.version, message.nonce)
            if not hmac.compare_digest(message.proof, _proof(self._key, b"relay", self._nonce, message.nonce)):
                raise self._wrong_key()
            self.peer, self._their_nonce = message.relay, message.nonce
            proof = _proof(self._key, b"station", message.nonce, self._nonce)
            yield self._frame(_encoder.encode(Proof(proof, self._kept)), secured=False)
            self._begin()
            yield message
        elif self.role == "relay" and isinstance(message, Proof) and self._their_nonce:
            if not hmac.compare_digest(message.proof, _proof(self._key, b"station", self._nonce, self._their_nonce)):
                raise self._wrong_key()
            self.peer_kept = message.kept
            self._begin()
            yield message
        else:
            raise self._bad("it does not begin as this protocol does")

    def _begin(self) -> None:
        first, second = sorted((self._nonce, self._their_nonce))
        self._session_key = hmac.digest(self._key, b"lineset relay session\n" + first + second, hashlib.sha256)
        self.open = True

    @property
    def _other(self) -> Role:
        return "relay" if self.role == "station" else "station"

    def _mac(self, sender: Role, number: int, body: bytes) -> bytes:
        text = sender.encode() + number.to_bytes(8, "big") + body
        return hmac.digest(self._session_key, text, hashlib.sha256)[:MAC]

    def _frame(self, body: bytes, *, secured: bool) -> bytes:
        framed = len(body).to_bytes(_LENGTH, "big") + body
        if secured:
            framed += self._mac(self.role, self._sent, body)
            self._sent += 1
        return framed

    def _check(self, version: int, nonce: bytes) -> None:
        if version != VERSION:
            raise self._bad(f"it speaks version {version} of the protocol, this end version {VERSION}; update both")
        if len(nonce) != _NONCE:
            raise self._bad("its greeting is malformed")

    def _bad(self, problem: str) -> RelayError:
        return RelayError(self._where, problem, remedy="The connection is made anew by itself")

    def _wrong_key(self) -> RelayError:
        return RelayError(
            self._where, "the other end holds another key", remedy="Copy the relay's key file to the station"
        )
