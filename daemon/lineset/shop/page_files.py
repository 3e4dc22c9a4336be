"""The page's own files as a browser gets them: from memory, compressed once, kept for good under a mark of them all.

They are served below `at/{mark}/`, where the mark is a hash of all: a browser that has them asks for none again, one
that has those of another version gets all anew. Only the page itself is asked for each time.
"""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

_FOR_EVER = "public, max-age=31536000, immutable"
_ASK_AGAIN = "no-cache"
_PLACE = b'"at/'  # how the page names its files
_MEDIA = {
    ".css": "text/css", ".html": "text/html", ".js": "text/javascript", ".svg": "image/svg+xml",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class _File:
    media_type: str
    body: bytes
    packed: bytes  # the same by gzip
    tag: str


def _file(name: str, body: bytes) -> _File:
    tag = f'W/"{hashlib.sha256(body).hexdigest()[:32]}"'
    return _File(_MEDIA[PurePosixPath(name).suffix], body, gzip.compress(body, mtime=0), tag)


class PageFiles:
    """A page, and what it needs by the names under which it asks for them."""

    def __init__(self, page: bytes, files: Mapping[str, bytes]) -> None:
        found = dict(sorted(files.items()))
        every = hashlib.sha256()
        for name, body in found.items():
            every.update(f"{name}\0{len(body)}\0".encode() + body)
        self.mark = every.hexdigest()[:16]
        self._files = {name: _file(name, body) for name, body in found.items()}
        self._page = _file("index.html", page.replace(_PLACE, _PLACE + f"{self.mark}/".encode()))

    def routes(self) -> list[BaseRoute]:
        """The routes of the page and of its files."""

        async def page(request: Request) -> Response:
            return _answer(request, self._page, _ASK_AGAIN)

        async def file(request: Request) -> Response:
            found = self._files.get(request.path_params["name"])
            if found is None:
                return Response("nothing is here", 404, media_type="text/plain")
            return _answer(request, found, _FOR_EVER if request.path_params["mark"] == self.mark else _ASK_AGAIN)

        return [Route("/", page), Route("/index.html", page), Route("/at/{mark}/{name:path}", file)]


def _answer(request: Request, file: _File, kept: str) -> Response:
    headers = {"cache-control": kept, "etag": file.tag, "vary": "accept-encoding"}
    known = {each.strip() for each in request.headers.get("if-none-match", "").split(",")}
    if file.tag in known:
        return Response(status_code=304, headers=headers)
    if _takes_gzip(request.headers.get("accept-encoding", "")):
        return Response(file.packed, headers=headers | {"content-encoding": "gzip"}, media_type=file.media_type)
    return Response(file.body, headers=headers, media_type=file.media_type)


def _takes_gzip(accepted: str) -> bool:
    for each in accepted.split(","):
        coding, _, weight = each.replace(" ", "").partition(";q=")
        if coding.lower() == "gzip":
            return weight.strip("0.") != "" if weight else True
    return False
