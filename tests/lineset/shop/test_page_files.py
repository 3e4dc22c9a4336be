"""The page's files as they are served: once, compressed, kept under their mark; its modules as one script."""

from __future__ import annotations

import asyncio
import gzip
import urllib.error
import urllib.request
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import NamedTuple

import pytest
from starlette.applications import Starlette

from lineset.shop.board_server import page_files
from lineset.shop.page_files import PageFiles
from lineset.shop.page_modules import ModuleError, joined
from lineset.station.loop_server import LoopServer

FILES = {"style.css": b"p { margin: 0 }\n" * 40, "js/page.js": b"show();\n"}
PAGE = b'<link href="at/style.css"><script type="module" src="at/js/page.js"></script>'


class Answer(NamedTuple):
    status: int
    headers: dict[str, str]
    body: bytes


class Client(NamedTuple):
    port: int

    async def get(self, path: str, **headers: str) -> Answer:
        given = {name.replace("_", "-"): value for name, value in headers.items()}

        def ask() -> Answer:
            request = urllib.request.Request(f"http://127.0.0.1:{self.port}{path}", headers=given)
            try:
                with urllib.request.urlopen(request) as reply:
                    return Answer(reply.status, {k.lower(): v for k, v in reply.headers.items()}, reply.read())
            except urllib.error.HTTPError as error:
                with error:
                    return Answer(error.code, {k.lower(): v for k, v in error.headers.items()}, error.read())

        return await asyncio.to_thread(ask)


@asynccontextmanager
async def served(files: PageFiles) -> AsyncIterator[Client]:
    async with LoopServer(Starlette(routes=files.routes()), "page", refused=RuntimeError) as server:
        yield Client(server.port)


async def test_a_file_is_kept_for_good_under_the_mark_of_all_and_the_page_names_it_so() -> None:
    files = PageFiles(PAGE, FILES)
    other = PageFiles(PAGE, {**FILES, "js/page.js": b"show(1);\n"})
    assert other.mark != files.mark
    async with served(files) as client:
        page = await client.get("/")
        assert page.headers["cache-control"] == "no-cache"
        assert page.body == PAGE.replace(b"at/", f"at/{files.mark}/".encode())
        assert (await client.get("/index.html")).body == page.body
        style = await client.get(f"/at/{files.mark}/style.css")
        assert style.body == FILES["style.css"]
        assert style.headers["content-type"] == "text/css; charset=utf-8"
        assert style.headers["cache-control"] == "public, max-age=31536000, immutable"
        # a page of another version finds what it needs, but does not keep it under the wrong mark
        assert (await client.get(f"/at/{other.mark}/js/page.js")).headers["cache-control"] == "no-cache"
        # what the browser has is not sent again
        tag = page.headers["etag"]
        again = await client.get("/", if_none_match=f'"other", {tag}')
        assert (again.status, again.body, again.headers["etag"]) == (304, b"", tag)
        assert (await client.get("/", if_none_match='"other"')).status == 200


async def test_it_comes_compressed_to_whoever_takes_that() -> None:
    files = PageFiles(PAGE, FILES)
    async with served(files) as client:
        for accepted in ("gzip", "br, gzip;q=0.5", "GZIP"):
            answer = await client.get(f"/at/{files.mark}/style.css", accept_encoding=accepted)
            assert answer.headers["content-encoding"] == "gzip"
            assert gzip.decompress(answer.body) == FILES["style.css"]
        for refused in ("identity", "br", "gzip;q=0", "gzip; q=0.000", "xgzip"):
            answer = await client.get(f"/at/{files.mark}/style.css", accept_encoding=refused)
            assert "content-encoding" not in answer.headers
            assert answer.body == FILES["style.css"]
            assert answer.headers["vary"] == "accept-encoding"


async def test_nothing_else_is_served() -> None:
    files = page_files()
    async with served(files) as client:
        assert (await client.get(f"/at/{files.mark}/js/page.js")).status == 200
        others = ("js/known.js", "index.html", "../board_server.py", "..%2fboard_server.py", "vendor/mqtt.min.js", "")
        for name in others:
            assert (await client.get(f"/at/{files.mark}/{name}")).status == 404, name


MODULES = {
    "js/page.js": 'import { make } from "../shared/dom.js";\nimport { t, at } from "./words.js";\nmake(t("x"));\n',
    "js/words.js": 'import { make } from "../shared/dom.js";\nexport const at = make(1);\nexport function t(x) {}\n',
    "shared/dom.js": "export async function make(x) {}\nexport class Sheet {}\nexport function * all() {}\n",
}


def test_modules_stand_in_one_script_in_the_order_in_which_they_need_each_other() -> None:
    script = joined(MODULES, "js/page.js")
    assert "import" not in script
    assert "export" not in script
    heads = [line for line in script.splitlines() if line.endswith("=> {")]
    assert heads == [f"const ${name} = (() => {{" for name in ("shared_dom_js", "js_words_js", "js_page_js")]
    assert "return { make, Sheet, all };" in script
    assert "const { t, at } = $js_words_js;" in script


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('import { a } from "./none.js";', "js/page.js needs js/none.js, which is not there"),
        ('import { t } from "./page.js";', "js/page.js needs itself"),
        ('import { t as said } from "./words.js";', "renames"),
        ('import * as words from "./words.js";', "no form"),
        ('import "./words.js";', "no form"),
        ("export default 1;", "no form"),
        ("export let a = 1;", "no form"),
    ],
)
def test_a_module_of_another_form_is_refused(text: str, said: str) -> None:
    with pytest.raises(ModuleError, match=said):
        joined({**MODULES, "js/page.js": text}, "js/page.js")
