"""The shop's board as a process: the page, the API, and the page's way to the broker, all on one port."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

import structlog
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.websockets import WebSocket

from lineset.board.server import PAGE as TECHNICIANS
from lineset.board.server import Headers
from lineset.equipment.language import LANGUAGES, all_words
from lineset.shop.access import COOKIE, SESSION_S, Access
from lineset.shop.api import api_routes, refused
from lineset.shop.asking import Role
from lineset.shop.endpoints import BASE
from lineset.shop.errors import ShopPortError, ShopSettingsError
from lineset.shop.page_bridge import page_bridge
from lineset.shop.queries import Questions
from lineset.shop.refusal import Refusal
from lineset.shop.report_page import Reporter
from lineset.shop.shop_config import DatabaseAddress, ShopConfig
from lineset.station.loop_server import LoopServer

PAGE = Path(__file__).parent / "page"

log = structlog.get_logger(__name__)


def application(config: ShopConfig, questions: Questions, access: Access) -> Starlette:
    """The board of a shop as an ASGI application."""
    secure = certificate_files(config)[0] is not None

    async def session(request: Request) -> Response:
        """What a page is told once it has shown who asks: topics, and what it may see; never a password."""
        try:
            asker = access.asker(request)
        except Refusal as refusal:
            return refused(refusal)
        response = JSONResponse(
            {
                "base": config.base, "shop": config.name, "name": asker.name, "notes": asker.may("notes"),
                "api": BASE.lstrip("/"),
            },
            headers={"cache-control": "no-store"},
        )  # fmt: skip
        if cookie := access.session(request):
            response.set_cookie(
                COOKIE, cookie, max_age=int(SESSION_S), path=BASE, httponly=True, samesite="strict",
                secure=secure or request.headers.get("x-forwarded-proto") == "https",
            )  # fmt: skip
        return response

    async def words(request: Request) -> Response:
        """A language and its sentences, for whoever asks: the page needs them before it can ask who that is."""
        asked = request.query_params.get("language", "")
        language = asked if asked in LANGUAGES else config.shop.language
        return JSONResponse(
            {"language": language, "languages": LANGUAGES, "words": all_words(language)},
            headers={"cache-control": "no-cache"},
        )

    async def mqtt(socket: WebSocket) -> None:
        await page_bridge(socket, access, config.broker_addresses)

    routes = api_routes(questions, access, Reporter(lambda: config.database("auditor"), config.name))
    return Starlette(
        routes=[
            Route("/session", session),
            Route("/words", words),
            WebSocketRoute("/mqtt", mqtt),
            Mount("/vendor", StaticFiles(directory=TECHNICIANS / "vendor")),
            Mount("/shared", StaticFiles(directory=TECHNICIANS / "js")),
            *routes,
            Mount("/", StaticFiles(directory=PAGE, html=True, check_dir=False)),
        ],
        middleware=[Middleware(Headers)],
    )


@contextlib.asynccontextmanager
async def board(config: ShopConfig) -> AsyncIterator[LoopServer]:
    """The board, served while the block lasts. Raises ShopPortError, ShopSettingsError."""
    settings = config.board
    certificate, key = certificate_files(config)
    if settings.network and certificate is None and not settings.proxies:
        raise ShopSettingsError(
            "[board]",
            "it is opened to the network without a certificate, so tokens would travel in the clear",
            "Name certificate and key, or let a proxy with TLS come to it on loopback",
        )

    def address(role: Role) -> DatabaseAddress:
        return config.database(role)

    questions = Questions(address)
    server = LoopServer(
        application(config, questions, Access(config.folder, settings)),
        "board",
        refused=lambda text: ShopPortError("[board]", text, "Then start it again"),
        port=settings.port,
        network=settings.network,
        certificate=certificate,
        key=key,
        websockets=True,
    )
    try:
        async with server:
            scheme = "https" if server.secure else "http"
            log.info("board ready", url=f"{scheme}://127.0.0.1:{server.port}/", network=server.network)
            yield server
    finally:
        await questions.close()


async def run_board(config: ShopConfig, stop: asyncio.Event) -> None:
    """Serve the board until `stop` is set. Raises ShopPortError, ShopSettingsError."""
    async with board(config):
        await stop.wait()


def certificate_files(config: ShopConfig) -> tuple[Path | None, Path | None]:
    """Certificate and key of the board; on the network, where none are named, those of the first node here.

    None: it speaks plain HTTP, which is for loopback and for a proxy. Raises ShopSettingsError.
    """
    settings = config.board
    if bool(settings.certificate) != bool(settings.key):
        raise ShopSettingsError("[board]", "only one of certificate and key is named", "Name both, as PEM files")
    if settings.certificate:
        return config.folder / settings.certificate, config.folder / settings.key
    nodes = config.broker.nodes_here
    if settings.network and nodes and not settings.proxies:
        certificate, key = (config.broker_folder / name for name in config.node_certificate(nodes[0]))
        if certificate.exists() and key.exists():
            return certificate, key
    return None, None
