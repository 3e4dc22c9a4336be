"""Serves the board: the page's files, what it needs to log in, and its way to the broker, all on one port.

On loopback by default. On the local network only when the configuration says so; then, as on loopback, the page's
address holds a token, and without it nobody is told the broker's password.
"""

from __future__ import annotations

import asyncio
import hmac
import secrets
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any, Self

import structlog
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocket

from lineset.board.bridge import bridge
from lineset.board.errors import BoardError
from lineset.contract.topic import Topics
from lineset.station.loop_server import LoopServer
from lineset.stream.address import BrokerAddress

PAGE = Path(__file__).parent / "page"
# Everything comes from here: no script, picture or letter of another server, and no other page may frame this one.
_HEADERS = {
    "content-security-policy": (
        "default-src 'self'; img-src 'self' blob: data:; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
    ),
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "cache-control": "no-cache",
}

log = structlog.get_logger(__name__)


class Headers:
    """Puts our headers on every answer that does not say otherwise itself."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                said = {name.lower() for name, _ in message["headers"]}
                message["headers"] = [
                    *message["headers"],
                    *((name.encode(), value.encode()) for name, value in _HEADERS.items() if name.encode() not in said),
                ]
            await send(message)

        await self._app(scope, receive, with_headers if scope["type"] == "http" else send)


def application(
    address: Callable[[], BrokerAddress], topics: Topics, token: str, about: Callable[[], dict[str, Any]]
) -> Starlette:
    """The board as an ASGI application. `about` is what the page is told besides how to log in."""

    async def session(request: Request) -> Response:
        given = request.headers.get("authorization", "").removeprefix("Bearer ")
        if not hmac.compare_digest(given.encode(), token.encode()):
            return JSONResponse(
                {"error": "open the board by its whole address; `lineset board` prints it"}, status_code=403
            )
        who = address()
        content = {
            "base": topics.base,
            "username": who.username,
            "password": who.password,
            **await asyncio.to_thread(about),
        }
        return JSONResponse(content, headers={"cache-control": "no-store"})

    async def mqtt(socket: WebSocket) -> None:
        await bridge(socket, address)

    return Starlette(
        routes=[
            Route("/session", session),
            WebSocketRoute("/mqtt", mqtt),
            Mount("/", StaticFiles(directory=PAGE, html=True)),
        ],
        middleware=[Middleware(Headers)],
    )


class BoardServer:
    """Serves the board while it is entered: `async with BoardServer(...)`. `url` is the page's whole address.

    `port` 0 takes a free one. `network` opens it to the local network, for which it needs a certificate and its key.
    Raises BoardError when it cannot be served.
    """

    def __init__(
        self,
        address: Callable[[], BrokerAddress],
        topics: Topics,
        *,
        about: Callable[[], dict[str, Any]],
        port: int = 0,
        network: bool = False,
        certificate: Path | None = None,
        key: Path | None = None,
        token: str = "",
    ) -> None:
        if network and certificate is None:
            raise BoardError(
                "beyond this machine the board is served with TLS only; name certificate and key under [board]"
            )
        self.token = token or secrets.token_urlsafe(18)
        self._server = LoopServer(
            application(address, topics, self.token, about),
            "board",
            refused=BoardError,
            port=port,
            network=network,
            certificate=certificate,
            key=key,
            websockets=True,
        )

    @property
    def port(self) -> int:
        """The port that is listened on."""
        return self._server.port

    @property
    def url(self) -> str:
        """The page's address, with the token that opens it."""
        host = own_address() if self._server.network else "127.0.0.1"
        return f"{'https' if self._server.secure else 'http'}://{host}:{self.port}/#{self.token}"

    async def __aenter__(self) -> Self:
        await self._server.__aenter__()
        log.info("board ready", port=self.port, network=self._server.network)
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._server.__aexit__()


def own_address() -> str:
    """This machine's address on the network that it would reach others by; loopback when there is none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # RFC 5737: an address for documentation; nothing is sent
        except OSError:
            return "127.0.0.1"
        found: str = probe.getsockname()[0]
        return found
