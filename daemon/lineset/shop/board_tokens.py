"""Tokens that open the shop's board and its API: only their SHA-256 is kept, in `board-tokens.json`.

A token is 32 random bytes, so that a hash without salt cannot be guessed back.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal

import msgspec

from lineset.shop.errors import TokenError
from lineset.stream.address import read_private, write_private
from lineset.stream.errors import SettingsError

TOKENS_FILE = "board-tokens.json"
Scope = Literal["board", "notes"]
SCOPES: tuple[Scope, ...] = ("board", "notes")
USUAL_DAYS = 365
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,47}")


class Token(msgspec.Struct, frozen=True, kw_only=True):
    """One token: its name, the hash in hex, what it opens, and until when. `board` is without what people wrote."""

    name: str
    sha256: str
    scopes: tuple[Scope, ...]
    made: datetime
    expires: datetime


class TokenFile(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`board-tokens.json`."""

    format: int = 1
    tokens: tuple[Token, ...] = ()


def hash_of(token: str) -> str:
    """What is kept of a token."""
    return hashlib.sha256(token.encode()).hexdigest()


def match(given: str, tokens: Iterable[Token], now: datetime) -> Token | None:
    """The token that was given, unless it has expired. All are compared, each in constant time."""
    digest, found = hash_of(given), None
    for token in tokens:
        if hmac.compare_digest(digest, token.sha256):
            found = token
    return found if found is not None and now < found.expires else None


def read_tokens(folder: Path) -> tuple[Token, ...]:
    """The tokens of a shop; none where there is no file. Raises TokenError."""
    file = folder / TOKENS_FILE
    if not file.exists():
        return ()
    try:
        return msgspec.json.decode(read_private(file, "token file"), type=TokenFile).tokens
    except SettingsError as error:
        raise TokenError(file, str(error), "Then try again") from error
    except (msgspec.DecodeError, msgspec.ValidationError) as error:
        raise TokenError(
            file, f"it cannot be read ({error})", "Put it back from a copy, or make the tokens anew"
        ) from error


def _write(folder: Path, tokens: tuple[Token, ...]) -> None:
    content = msgspec.json.format(msgspec.json.encode(TokenFile(tokens=tokens)), indent=2) + b"\n"
    try:
        write_private(folder / TOKENS_FILE, content)
    except OSError as error:
        raise TokenError(
            folder / TOKENS_FILE, f"it cannot be written ({error.strerror})", "Check the rights"
        ) from error


def add_token(folder: Path, name: str, scopes: Iterable[Scope], days: int = USUAL_DAYS) -> tuple[str, Token]:
    """A new token, told this once, and what is kept of it. Raises TokenError."""
    if not _NAME.fullmatch(name):
        raise TokenError(name, "this is no name of a token", "Use 1 to 48 letters, digits, spaces, dots and dashes")
    if not 1 <= days <= 3660:
        raise TokenError(name, f"{days} days are no span for a token", "Give 1 to 3660")
    known = read_tokens(folder)
    if any(token.name == name for token in known):
        raise TokenError(name, "a token has this name", f"Revoke it first: lineset shop token revoke {name!r}")
    now = datetime.now(UTC).replace(microsecond=0)
    secret = secrets.token_urlsafe(32)
    wanted = {"board", *scopes}
    token = Token(
        name=name,
        sha256=hash_of(secret),
        scopes=tuple(scope for scope in SCOPES if scope in wanted),
        made=now,
        expires=now + timedelta(days=days),
    )
    _write(folder, (*known, token))
    return secret, token


def revoke_token(folder: Path, name: str) -> Token:
    """Take a token back; a board that is open with it is closed within seconds. Raises TokenError."""
    known = read_tokens(folder)
    gone = next((token for token in known if token.name == name), None)
    if gone is None:
        names = ", ".join(token.name for token in known) or "there are none"
        raise TokenError(name, f"no token is called so ({names})", "See: lineset shop token list")
    _write(folder, tuple(token for token in known if token is not gone))
    return gone
