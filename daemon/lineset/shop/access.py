"""Who asks the shop's board, and what they may see: by a token, or by the name that a proxy before it vouches for."""

from __future__ import annotations

import secrets
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from ipaddress import ip_address, ip_network
from pathlib import Path

import structlog
from starlette.requests import HTTPConnection

from lineset.shop import words_refusals as words
from lineset.shop.board_tokens import TOKENS_FILE, Scope, Token, hash_of, match, read_tokens
from lineset.shop.errors import TokenError
from lineset.shop.refusal import Refusal
from lineset.shop.shop_config import BoardSettings

COOKIE = "lineset-board"
SESSION_S = 12 * 3600.0
_MOST_SESSIONS = 1000

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Asker:
    """Who asks: a token's name or a person's, and the scopes. `still` says whether it would be let in now."""

    name: str
    scopes: tuple[Scope, ...]
    still: Callable[[], bool] = field(compare=False, repr=False)

    def may(self, scope: Scope) -> bool:
        """Whether this scope is among those given."""
        return scope in self.scopes


class Access:
    """Lets in who has the right, for a shop's folder and settings. The file of tokens is read again when it changed."""

    def __init__(self, folder: Path, settings: BoardSettings) -> None:
        self._folder, self._settings = folder, settings
        self._seen: tuple[int, int] | None = None
        self._tokens: tuple[Token, ...] = ()
        self._sessions: OrderedDict[str, tuple[str, float]] = OrderedDict()
        self._proxies = tuple(ip_network(each) for each in settings.proxies)

    def tokens(self) -> tuple[Token, ...]:
        """The tokens as the file has them now; none while it cannot be read, which is logged."""
        file = self._folder / TOKENS_FILE
        try:
            stat = file.stat()
        except OSError:
            self._seen, self._tokens = None, ()
            return ()
        if self._seen != (stat.st_mtime_ns, stat.st_ino):
            try:
                self._tokens = read_tokens(self._folder)
            except TokenError as error:
                log.error("no token is taken", reason=str(error))
                self._tokens = ()
            self._seen = (stat.st_mtime_ns, stat.st_ino)
        return self._tokens

    def asker(self, request: HTTPConnection, *, cookie: bool = False) -> Asker:
        """Who sends this request; with `cookie` also by the session that the page was given. Raises Refusal (401)."""
        header = self._settings.identity_header
        told = [each for each in request.headers.getlist(header) if each] if header else []
        if told:
            return self._vouched(request, told)
        given = request.headers.get("authorization", "")
        scheme, _, secret = given.partition(" ")
        if secret and scheme.lower() == "bearer":
            return self.by_token(secret.strip())
        if cookie and (session := request.cookies.get(COOKIE, "")):
            digest, until = self._sessions.get(hash_of(session), ("", 0.0))
            if time.monotonic() < until:
                found = next((token for token in self.tokens() if token.sha256 == digest), None)
                if found is not None and datetime.now(UTC) < found.expires:
                    return self._of(found)
        raise _unknown(words.NO_TOKEN if not given else "only bearer tokens are taken")

    def by_token(self, secret: str) -> Asker:
        """Who has this token. Raises Refusal (401)."""
        found = match(secret, self.tokens(), datetime.now(UTC))
        if found is None:
            raise _unknown(words.UNKNOWN_TOKEN)
        return self._of(found)

    def _of(self, token: Token) -> Asker:
        def still() -> bool:
            return datetime.now(UTC) < token.expires and token in self.tokens()

        return Asker(token.name, token.scopes, still)

    def _vouched(self, request: HTTPConnection, told: list[str]) -> Asker:
        client = request.client.host if request.client else ""
        try:
            address = ip_address(client)
        except ValueError:
            address = None
        if address is None or not any(address in network for network in self._proxies):
            log.warning("a name was claimed by a header that did not come from the proxy", client=client)
            raise Refusal(
                401,
                "a name was claimed by a header that only the proxy may set",
                f"header {self._settings.identity_header}",
                "come through the proxy, or send a token and not this header",
            )
        if len(told) > 1:  # one of them may be the browser's own, which the proxy should have taken away
            raise Refusal(
                401,
                "the header that names who asks came twice",
                f"header {self._settings.identity_header}",
                "let the proxy take it away from what browsers send, and set it anew",
            )
        (named,) = told
        scopes: tuple[Scope, ...] = ("board", "notes") if named in self._settings.notes_for else ("board",)
        return Asker(named, scopes, lambda: True)

    def session(self, request: HTTPConnection) -> str:
        """A session for links and pictures that cannot carry a token; empty where none is needed."""
        secret = request.headers.get("authorization", "").partition(" ")[2].strip()
        if not secret:
            return ""
        session = secrets.token_urlsafe(24)
        self._sessions[hash_of(session)] = (hash_of(secret), time.monotonic() + SESSION_S)
        while len(self._sessions) > _MOST_SESSIONS:
            self._sessions.popitem(last=False)
        return session


def _unknown(what: str) -> Refusal:
    return Refusal(
        401,
        what,
        "header Authorization",
        "send Authorization: Bearer TOKEN; a token is made with: lineset shop token add NAME",
    )
