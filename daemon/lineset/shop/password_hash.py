"""What brokers keep of a password: bcrypt for nats-server, PBKDF2-SHA512 for mosquitto. Pure, but for the salt.

Passwords here are 192 random bits, so the lowest cost is enough: nobody can go through them, and the broker weighs each
login in a millisecond.
"""

from __future__ import annotations

import base64
import hashlib
import secrets

from lineset.shop.errors import ShopProgramError

BCRYPT_COST = 4
MOSQUITTO_ITERATIONS = 1000
_ALPHABET = "./ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789"
_STANDARD = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
_TO_BCRYPT = str.maketrans(_STANDARD, _ALPHABET)


def bcrypt(password: str, salt: bytes | None = None) -> str:
    """The hash of a password as nats-server knows it by its "$2a$". `salt` is 16 bytes, random when not given.

    Raises ValueError (over 72 bytes, another salt), ShopProgramError (the library is not installed).
    """
    try:
        import bcrypt as library
    except ImportError as error:
        raise ShopProgramError(
            "bcrypt", "this package is not installed, and the shop needs it", 'In the checkout: pip install ".[shop]"'
        ) from error
    salt = secrets.token_bytes(16) if salt is None else salt
    if len(salt) != 16:
        raise ValueError(f"bcrypt takes 16 bytes of salt, not {len(salt)}")
    letters = base64.b64encode(salt).decode().rstrip("=").translate(_TO_BCRYPT)
    return library.hashpw(password.encode(), f"$2a${BCRYPT_COST:02}${letters}".encode()).decode()


def mosquitto_hash(password: str, salt: bytes | None = None) -> str:
    """The hash as mosquitto's password file holds it: "$7$", PBKDF2 with SHA-512, 64 bytes."""
    salt = secrets.token_bytes(12) if salt is None else salt
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, MOSQUITTO_ITERATIONS)
    return f"$7${MOSQUITTO_ITERATIONS}${base64.b64encode(salt).decode()}${base64.b64encode(digest).decode()}"
