"""What brokers keep of a password: bcrypt for nats-server, PBKDF2-SHA512 for mosquitto. Pure, but for the salt.

nats-server knows no other hash than bcrypt, which the standard library lacks; so it stands here (N. Provos,
D. Mazieres, "A Future-Adaptable Password Scheme", USENIX 1999, section 3). Passwords here are 192 random bits, so the
lowest cost is enough: nobody can go through them, and the broker weighs each login in a millisecond.
"""

from __future__ import annotations

import base64
import functools
import hashlib
import secrets
from collections.abc import Sequence

BCRYPT_COST = 4
MOSQUITTO_ITERATIONS = 1000
_ALPHABET = "./ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789"
_STANDARD = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
_TO_OURS = str.maketrans(_STANDARD, _ALPHABET)
_MAGIC = b"OrpheanBeholderScryDoubt"
_MASK = 0xFFFFFFFF


def bcrypt(password: str, salt: bytes | None = None, cost: int = BCRYPT_COST) -> str:
    """The hash of a password of at most 72 bytes, as "$2a$". `salt` is 16 bytes, random when not given."""
    salt = secrets.token_bytes(16) if salt is None else salt
    key = password.encode()
    if len(key) > 72 or len(salt) != 16 or not 4 <= cost <= 31 or b"\0" in key:
        raise ValueError("bcrypt takes 1 to 72 bytes, none of them 0, 16 bytes of salt, a cost from 4 to 31")
    keys = _cycled(key + b"\0")
    salts = _cycled(salt)
    state = list(_pi_words())
    _expand(state, keys, salts[:4])
    for _ in range(1 << cost):
        _expand(state, keys, None)
        _expand(state, salts, None)
    words = [int.from_bytes(_MAGIC[at : at + 4], "big") for at in range(0, 24, 4)]
    for at in (0, 2, 4):
        for _ in range(64):
            words[at], words[at + 1] = _encrypt(state, words[at], words[at + 1])
    digest = b"".join(word.to_bytes(4, "big") for word in words)[:23]
    return f"$2a${cost:02}${_base64(salt)}{_base64(digest)}"


def mosquitto_hash(password: str, salt: bytes | None = None) -> str:
    """The hash as mosquitto's password file holds it: "$7$", PBKDF2 with SHA-512, 64 bytes."""
    salt = secrets.token_bytes(12) if salt is None else salt
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, MOSQUITTO_ITERATIONS)
    return f"$7${MOSQUITTO_ITERATIONS}${base64.b64encode(salt).decode()}${base64.b64encode(digest).decode()}"


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode().rstrip("=").translate(_TO_OURS)


def _cycled(data: bytes) -> list[int]:
    """The first 18 words of the bytes said over and over."""
    said = (data * (72 // len(data) + 1))[:72]
    return [int.from_bytes(said[at : at + 4], "big") for at in range(0, 72, 4)]


@functools.cache
def _pi_words() -> tuple[int, ...]:
    """What Blowfish starts from: the fraction of pi as 18 words, then four tables of 256 (Machin's formula)."""
    bits, guard = (18 + 1024) * 32, 64
    one = 1 << (bits + guard)

    def arctan_of_inverse(x: int) -> int:
        term = total = one // x
        n, square = 3, x * x
        while term:
            term = -term // square
            total += term // n
            n += 2
        return total

    pi = 4 * (4 * arctan_of_inverse(5) - arctan_of_inverse(239))
    fraction = (pi - 3 * one) >> guard
    return tuple((fraction >> shift) & _MASK for shift in range(bits - 32, -1, -32))


def _expand(state: list[int], key: Sequence[int], salt: Sequence[int] | None) -> None:
    """Mix a key into the state (`ExpandKey`); `salt` is four words, or None for zeroes."""
    for at in range(18):
        state[at] ^= key[at]
    left = right = 0
    for at in range(0, len(state), 2):
        if salt is not None:
            left ^= salt[at & 2]
            right ^= salt[(at & 2) + 1]
        left, right = _encrypt(state, left, right)
        state[at], state[at + 1] = left, right


def _encrypt(state: list[int], left: int, right: int) -> tuple[int, int]:
    """One block of Blowfish: sixteen rounds; words 0 to 17 are the subkeys, then the tables."""
    for at in range(0, 16, 2):
        left ^= state[at]
        right ^= (
            ((state[18 + (left >> 24)] + state[274 + (left >> 16 & 255)]) & _MASK ^ state[530 + (left >> 8 & 255)])
            + state[786 + (left & 255)]
        ) & _MASK ^ state[at + 1]
        left ^= (
            ((state[18 + (right >> 24)] + state[274 + (right >> 16 & 255)]) & _MASK ^ state[530 + (right >> 8 & 255)])
            + state[786 + (right & 255)]
        ) & _MASK
    return right ^ state[17], left ^ state[16]
