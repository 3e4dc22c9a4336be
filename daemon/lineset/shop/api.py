"""The shop's read-only HTTP API: GET alone, each route a row of `endpoints.ENDPOINTS`."""

from __future__ import annotations

import hashlib
from collections.abc import Awaitable, Callable
from typing import Any

import msgspec
import structlog
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route
from starlette.types import Receive, Scope, Send

from lineset.shop import words_refusals as words
from lineset.shop.access import Access
from lineset.shop.asking import Busy
from lineset.shop.cursor import WrongCursor
from lineset.shop.endpoints import BASE, ENDPOINTS, Endpoint
from lineset.shop.errors import ShopError
from lineset.shop.openapi import PROBLEM, openapi
from lineset.shop.queries import Held, Questions
from lineset.shop.refusal import Refusal
from lineset.station.observing import MEDIA

Report = Callable[..., Awaitable[bytes]]
"""Makes a visit's report: (station, visit, language=, units=, zone=) to HTML. Raises Refusal, ShopError"""

# a report and its pictures are one file, which may load nothing
_REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; base-uri 'none'"
_DONE_FOR_EVER = "private, max-age=31536000, immutable"
_ASK_AGAIN = "private, no-cache"

log = structlog.get_logger(__name__)


class _Answering:
    def __init__(self, questions: Questions, access: Access, report: Report) -> None:
        self._questions, self._access, self._report = questions, access, report

    def route(self, endpoint: Endpoint) -> Route:
        async def answer(request: Request) -> Response:
            try:
                asker = self._access.asker(request, cookie=endpoint.name in ("report", "photo"))
                if not asker.may(endpoint.scope):
                    raise Refusal(
                        403,
                        f"{asker.name!r} may not see this",
                        request.url.path,
                        f"use a token with the scope {endpoint.scope}: lineset shop token add NAME --scope "
                        f"{endpoint.scope}",
                    )
                given = endpoint.read(dict(request.path_params), request.query_params.multi_items())
                return _fresh(request, await self._answer(endpoint, given))
            except Refusal as refusal:
                return refused(refusal)
            except WrongCursor:
                return refused(
                    Refusal(422, "this cursor was not given out for it", "parameter cursor", "begin without a cursor")
                )
            except Busy:
                return refused(Refusal(503, words.TOO_LONG, request.url.path, words.ASK_LESS))
            except ShopError as error:
                log.error("the database could not be asked", where=error.where, problem=error.problem)
                return refused(Refusal(503, words.NO_DATABASE, request.url.path, error.remedy))

        return Route(BASE + endpoint.path, answer, methods=["GET"], name=endpoint.name)

    async def _answer(self, endpoint: Endpoint, given: dict[str, Any]) -> Response:
        if endpoint.name == "openapi":
            return _json(openapi())
        if not endpoint.of_visit:
            return _json(await getattr(self._questions, endpoint.name)(**given))
        station, visit = given.pop("station"), given.pop("visit")
        held = await self._questions.held(station, visit)
        if held is None:
            raise Refusal(
                404,
                words.NO_VISIT,
                f"{station}/{visit}",
                f"look in {BASE}/visits?station={station}",
            )
        if endpoint.name == "photo":
            return await self._photo(held, given["sha256"])
        if endpoint.name == "report":
            html = await self._report(held, **given)
            return Response(
                html, media_type="text/html", headers={"content-security-policy": _REPORT_POLICY} | _kept(_ASK_AGAIN)
            )
        return _json(await getattr(self._questions, endpoint.name)(held, **given))

    async def _photo(self, held: Held, sha256: str) -> Response:
        found = await self._questions.photo(held, sha256)
        if found is None or hashlib.sha256(found[1]).hexdigest() != sha256:
            raise Refusal(
                404, "the shop has no such photo, or not the whole of it", sha256, "see the visit's observations"
            )
        # what a record calls a picture is shown as one only if it can be nothing else
        media = found[0] if found[0] in MEDIA else "application/octet-stream"
        headers = _kept(_DONE_FOR_EVER) | ({} if media in MEDIA else {"content-disposition": "attachment"})
        return Response(found[1], media_type=media, headers=headers)


def _kept(how: str) -> dict[str, str]:
    return {"cache-control": how, "vary": "authorization, cookie"}


def _json(value: Any) -> Response:
    return Response(msgspec.json.encode(value), media_type="application/json", headers=_kept(_ASK_AGAIN))


def _fresh(request: Request, response: Response) -> Response:
    """The answer with its ETag; only that where the asker has it already."""
    tag = f'"{hashlib.sha256(response.body).hexdigest()[:32]}"'
    known = {each.strip().removeprefix("W/") for each in request.headers.get("if-none-match", "").split(",")}
    if tag in known or "*" in known:
        kept = {name: response.headers[name] for name in ("cache-control", "vary")}
        return Response(status_code=304, headers=kept | {"etag": tag})
    response.headers["etag"] = tag
    return response


def refused(refusal: Refusal) -> Response:
    """A refusal as the asker gets it."""
    headers = {"cache-control": "no-store"}
    if refusal.status == 401:
        headers["www-authenticate"] = 'Bearer realm="lineset"'
    if refusal.status == 405:
        headers["allow"] = "GET, HEAD"
    if refusal.status == 503:
        headers["retry-after"] = "5"
    return Response(
        msgspec.json.encode(refusal.problem),
        status_code=refusal.status,
        media_type=PROBLEM,
        headers=headers,
    )


def api_routes(questions: Questions, access: Access, report: Report) -> list[BaseRoute]:
    """The API's routes, with their whole paths; what else is asked below BASE is told that nothing is there."""
    answering = _Answering(questions, access, report)

    return [*(answering.route(each) for each in ENDPOINTS), Route("/api/{rest:path}", _Nothing())]


class _Nothing:
    """Answers below /api where no question is, and all that is no GET: a function would hear some methods only."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope)
        response = refused(
            Refusal(404, "nothing is here", request.url.path, f"{BASE}/openapi.json names all that is")
            if request.method in ("GET", "HEAD")
            else Refusal(405, f"{request.method} is not taken", request.url.path, "this API is read only: use GET")
        )
        await response(scope, receive, send)
