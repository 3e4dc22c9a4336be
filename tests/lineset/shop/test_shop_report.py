"""The report by the shop's API, and all other answers, from a record that a station made."""

from __future__ import annotations

import asyncio
import hashlib
import http.client
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import jsonschema
import msgspec
import pytest
from report_visit import a_full_visit, a_png, write_visit
from shop_rows import rows
from shop_visit import put_visit

from lineset.shop.access import COOKIE
from lineset.shop.board_server import board
from lineset.shop.board_tokens import add_token, revoke_token
from lineset.shop.endpoints import BASE, ENDPOINTS
from lineset.shop.openapi import openapi
from lineset.shop.shop_config import ShopConfig

AT = "/visits/van/summer-1"


class Asking:
    def __init__(self, port: int, config: ShopConfig) -> None:
        self.port, self.config = port, config
        self.notes, _ = add_token(config.folder, "quality", ("notes",))

    async def __call__(self, path: str, **headers: str) -> tuple[int, http.client.HTTPMessage, bytes]:
        def ask() -> tuple[int, http.client.HTTPMessage, bytes]:
            connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
            try:
                connection.request("GET", path if path.startswith("/session") else BASE + path, headers=headers)
                reply = connection.getresponse()
                return reply.status, reply.headers, reply.read()
            finally:
                connection.close()

        return await asyncio.to_thread(ask)

    @property
    def with_token(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.notes}"}


@pytest.fixture
async def ask(shop_config: ShopConfig, tmp_path: Path) -> AsyncIterator[Asking]:
    config = msgspec.structs.replace(shop_config, board=msgspec.structs.replace(shop_config.board, port=0))
    path = write_visit(tmp_path / "summer-1.journal", a_full_visit())
    async with rows(config) as connection:
        await put_visit(connection, path, None)
    async with board(config) as server:
        yield Asking(server.port, config)


async def test_the_report_is_made_from_what_the_shop_stored(ask: Asking) -> None:
    status, headers, page = await ask(f"{AT}/report?zone=America/Chicago", **ask.with_token)
    assert status == 200
    text = page.decode()
    assert text.startswith("<!DOCTYPE html>")
    assert "What was found" in text
    assert "Not sealed" not in text
    assert headers["content-type"].startswith("text/html")
    # a file of its own, that loads nothing and runs nothing
    assert headers.get_all("content-security-policy") == [
        "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; base-uri 'none'"
    ]
    spanish = (await ask(f"{AT}/report?language=es", **ask.with_token))[2].decode()
    assert 'lang="es"' in spanish
    status, _, body = await ask(f"{AT}/report?zone=Mars/Olympus", **ask.with_token)
    assert (status, json.loads(body)["where"]) == (422, "parameter zone")


async def test_a_link_of_the_page_opens_it_by_a_session_and_only_there(ask: Asking) -> None:
    _, headers, _ = await ask("/session", **ask.with_token)
    cookie = headers["set-cookie"]
    assert cookie.startswith(f"{COOKIE}=")
    for word in ("HttpOnly", "SameSite=strict", "Path=/api/v1"):
        assert word in cookie
    assert ask.notes not in cookie
    session = {"Cookie": cookie.partition(";")[0]}
    assert (await ask(f"{AT}/report", **session))[0] == 200
    assert (await ask(f"{AT}/photos/{hashlib.sha256(a_png()).hexdigest()}", **session))[0] in (200, 404)
    assert (await ask("/visits", **session))[0] == 401  # what a page fetches by itself carries its token
    assert (await ask(f"{AT}/report"))[0] == 401
    revoke_token(ask.config.folder, "quality")
    assert (await ask(f"{AT}/report", **session))[0] == 401


async def test_a_record_that_does_not_hash_makes_no_report(ask: Asking) -> None:
    async with rows(ask.config) as connection:
        await connection.execute("UPDATE lineset.block SET previous = sha256('another') WHERE n = 1")
    status, _, body = await ask(f"{AT}/report", **ask.with_token)
    assert status == 409
    assert "lineset audit" in json.loads(body)["remedy"]


async def test_answers_about_a_stations_own_record_are_as_the_document_says(ask: Asking) -> None:
    document = openapi()
    found: dict[str, Any] = {}
    for each in ENDPOINTS:
        if isinstance(each.answer, str) or each.name == "series":
            continue
        path = each.path.replace("{station}", "van").replace("{visit}", "summer-1")
        status, _, body = await ask(path, **ask.with_token)
        assert status == 200, body
        found[each.name] = json.loads(body)
        schema = {"$ref": f"#/components/schemas/{each.answer.__name__}", "components": document["components"]}
        jsonschema.Draft202012Validator(schema).validate(found[each.name])
    [visit] = found["visits"]["visits"]
    assert visit["state"] == "sealed"
    assert visit["systems"][0]["refrigerant"]
    assert found["visit"]["blocks"] > 0
    assert found["checks"]["checks"]
    assert found["findings"]["findings"]
    assert found["settled"]["settled"]
    assert found["observations"]["observations"]
    assert {event["kind"] for event in found["events"]["events"]} & {"opened", "phase"}
    told = json.dumps(found["events"])
    for observation in found["observations"]["observations"]:
        assert not observation["text"] or observation["text"] not in told
    system, name, _ = found["series_names"]["names"][0]
    status, _, body = await ask(f"{AT}/series?name={name}&system={system}", **ask.with_token)
    assert status == 200
    assert json.loads(body)["t"]
