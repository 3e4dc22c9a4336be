"""The command desk: hears commands, has each done once, and answers; duplicates are answered alike.

Who may ask is the broker's to enforce: the right to publish on `command/#` is the authority.
"""

from __future__ import annotations

import asyncio
import hashlib
import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

import msgspec
import structlog

from lineset.contract.command import REQUEST_ID, VERBS, Reply, Request
from lineset.contract.topic import TopicError, Topics
from lineset.stream.link import Incoming, Link, Session

log = structlog.get_logger(__name__)

MAX_BYTES = 64 * 1024
MAX_BLOB_BYTES = 512 * 1024  # of the verb `blob`: 256 KiB of a photo as base64, and what stands around them
MAX_AHEAD_S = 3600.0  # a request may not expire later than this, so that remembering it has an end
MAX_REMEMBERED = 2048
MAX_WAITING = 256
_HASHED = "sha256:"

Handler = Callable[[str, msgspec.Struct, Request], Awaitable[Reply]]


class CommandRefused(Exception):
    """Raised by a handler: the command is understood and not done; the text is the answer."""


class CommandDesk:
    """Answers commands that come over `link`. Construct it before the link runs.

    `handler(verb, args, request)` is called for one command at a time, in the order of their coming, and returns the
    Reply when what it did is committed; `request`, `verb` and `duplicate` of that Reply are filled in here. `wall` is
    wall time in seconds since 1970.
    """

    def __init__(
        self,
        link: Link,
        topics: Topics,
        handler: Handler,
        *,
        verbs: Mapping[str, type[msgspec.Struct]] = VERBS,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self._topics, self._handler, self._verbs, self._wall = topics, handler, verbs, wall
        self._inbox: asyncio.Queue[Incoming] = asyncio.Queue(MAX_WAITING)
        self._outbox: asyncio.Queue[Reply] = asyncio.Queue()
        self._remembered: OrderedDict[str, tuple[bytes, float, Reply]] = OrderedDict()
        self.done = 0
        self.refused = 0
        link.subscribe(topics.commands, 1, self._heard)
        link.during(self._answer)

    def recall(self, request: Request, verb: str, reply: Reply) -> None:
        """Remember a command of an earlier run of the station, from its journal."""
        self._remember(_fingerprint(verb, request), request.expires, reply)

    async def run(self) -> None:
        """Work the commands until cancelled. Runs beside the link, so that no lost connection breaks off a command."""
        while True:
            reply = await self._work(await self._inbox.get())
            if reply is not None:
                self._outbox.put_nowait(reply)

    # --------------------------------------------------------------------------------------------------------- inside

    def _heard(self, message: Incoming) -> None:
        try:
            self._inbox.put_nowait(message)
        except asyncio.QueueFull:
            self.refused += 1
            log.warning("command refused: too many are waiting", topic=message.topic)

    async def _answer(self, session: Session) -> None:
        while True:
            reply = await self._outbox.get()
            try:
                await session.publish(self._topics.reply(reply.request), msgspec.json.encode(reply))
            except BaseException:
                self._outbox.put_nowait(reply)  # said again at the next connection
                raise

    async def _work(self, message: Incoming) -> Reply | None:
        verb = ""
        request: Request | None = None
        try:
            verb = self._verb(message)
            request = _decode(message.payload, MAX_BLOB_BYTES if verb == "blob" else MAX_BYTES)
            args = self._check(verb, request)
        except CommandRefused as refusal:
            return self._refuse(message, verb, request, str(refusal))
        fingerprint = _fingerprint(verb, request)
        known = self._remembered.get(request.request)
        if known is not None:
            if known[0] != fingerprint:
                return self._refuse(
                    message, verb, request, "this request id was used for another command; take a new one"
                )
            return msgspec.structs.replace(known[2], duplicate=True)
        if not self._room():
            return self._refuse(message, verb, request, "too many commands within the hour; wait, then ask again")
        reply = await self._do(verb, args, request)
        self._remember(fingerprint, request.expires, reply)
        self.done += 1
        return reply

    def _verb(self, message: Incoming) -> str:
        try:
            parsed = self._topics.parse(message.topic)
        except TopicError as error:
            raise CommandRefused(f"no command has this topic: {error}") from error
        verb = parsed.fields["verb"]
        if message.retained:
            raise CommandRefused("a command must not be retained: it would be asked again at every start")
        if verb not in self._verbs:
            raise CommandRefused(f"unknown verb {verb!r}; known are {', '.join(sorted(self._verbs))}")
        return verb

    def _check(self, verb: str, request: Request) -> msgspec.Struct:
        now = self._wall()
        if request.expires <= now:
            raise CommandRefused(f"expired {now - request.expires:.0f} s ago; ask again, and check both clocks")
        if request.expires > now + MAX_AHEAD_S:
            raise CommandRefused(
                f"expires more than {MAX_AHEAD_S:.0f} s from now; set `expires` nearer, check both clocks"
            )
        try:
            return msgspec.convert(request.args, self._verbs[verb])
        except msgspec.ValidationError as error:
            raise CommandRefused(f"{verb}: {error}; `lineset contract` shows what it takes") from error

    async def _do(self, verb: str, args: msgspec.Struct, request: Request) -> Reply:
        try:
            reply = await self._handler(verb, args, request)
        except CommandRefused as refusal:
            reply = Reply(request=request.request, verb=verb, ok=False, text=str(refusal))
        except Exception:
            log.exception("command failed inside the station", verb=verb, request=request.request)
            reply = Reply(
                request=request.request,
                verb=verb,
                ok=False,
                text=f"{verb}: the station failed on this command; its log says why. Nothing else was harmed",
            )
        return msgspec.structs.replace(reply, request=request.request, verb=verb, duplicate=False)

    def _refuse(self, message: Incoming, verb: str, request: Request | None, why: str) -> Reply | None:
        self.refused += 1
        name = request.request if request else _request_id(message.payload)
        log.warning("command refused", topic=message.topic, request=name, why=why)
        if not name:  # nowhere to answer to
            return None
        return Reply(request=name, verb=verb, ok=False, text=why)

    def _remember(self, fingerprint: bytes, expires: float, reply: Reply) -> None:
        self._remembered[reply.request] = (fingerprint, expires, reply)

    def _room(self) -> bool:
        """Make room among the remembered: only what has expired may be forgotten, for it can no longer be asked."""
        if len(self._remembered) >= MAX_REMEMBERED:
            now = self._wall()
            for name in [name for name, (_, expires, _) in self._remembered.items() if expires <= now]:
                del self._remembered[name]
        return len(self._remembered) < MAX_REMEMBERED


def kept_args(verb: str, args: dict[str, Any]) -> dict[str, Any]:
    """Arguments as they are remembered and journaled: the bytes of a photo's part by their hash, the rest as it came.

    Of what is kept already it is the same again, so that a command asked again after a restart is known.
    """
    data = args.get("data")
    if verb != "blob" or not isinstance(data, str) or data.startswith(_HASHED):
        return args
    return {**args, "data": _HASHED + hashlib.sha256(data.encode()).hexdigest()}


def _decode(payload: bytes, most: int) -> Request:
    if len(payload) > most:
        raise CommandRefused(f"malformed: {len(payload)} bytes are more than the {most} a command may have")
    try:
        request = msgspec.json.decode(payload, type=Request)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise CommandRefused(f"malformed: {error}; send JSON with request, expires and args") from error
    if not REQUEST_ID.fullmatch(request.request):
        raise CommandRefused("malformed: `request` must be 1 to 64 of a-z, 0-9, underscore and dash")
    return request


def _request_id(payload: bytes) -> str:
    """The id of a request that is wrong in another place, to answer to; empty when it has none that can be used."""
    try:
        loose: Any = msgspec.json.decode(payload) if len(payload) <= MAX_BLOB_BYTES else None
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return ""
    name = loose.get("request") if isinstance(loose, dict) else None
    return name if isinstance(name, str) and REQUEST_ID.fullmatch(name) else ""


def _fingerprint(verb: str, request: Request) -> bytes:
    return verb.encode() + b"\0" + msgspec.json.encode(kept_args(verb, request.args), order="sorted")
