"""The shop's API against a real PostgreSQL, over HTTP: what it answers, to whom, and what it refuses in which words."""

from __future__ import annotations

import asyncio
import hashlib
import json
import urllib.error
import urllib.request
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from importlib import resources
from typing import Any, NamedTuple

import jsonschema
import msgspec
import pytest
from shop_rows import MONTH, PHOTO, Rows, rows, system

from lineset.shop.api import api_routes
from lineset.shop.board_server import board
from lineset.shop.board_tokens import TOKENS_FILE, Token, TokenFile, add_token, hash_of, revoke_token
from lineset.shop.database import connected
from lineset.shop.endpoints import BASE, ENDPOINTS
from lineset.shop.openapi import openapi
from lineset.shop.shop_config import ShopConfig

SHA = hashlib.sha256(PHOTO).hexdigest()


class Answer(NamedTuple):
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


class Asking(NamedTuple):
    port: int
    config: ShopConfig
    token: str
    notes: str

    async def __call__(self, path: str, token: str | None = None, method: str = "GET", **headers: str) -> Answer:
        given = self.token if token is None else token
        headers = {name.replace("_", "-"): value for name, value in headers.items()}
        if given:
            headers["Authorization"] = f"Bearer {given}"
        url = f"http://127.0.0.1:{self.port}{path if path.startswith(('/api', '/session')) else BASE + path}"

        def ask() -> Answer:
            request = urllib.request.Request(url, headers=headers, method=method)
            try:
                with urllib.request.urlopen(request) as reply:
                    return Answer(reply.status, {k.lower(): v for k, v in reply.headers.items()}, reply.read())
            except urllib.error.HTTPError as error:
                with error:
                    return Answer(error.code, {k.lower(): v for k, v in error.headers.items()}, error.read())

        return await asyncio.to_thread(ask)


def on_any_port(config: ShopConfig, **more: Any) -> ShopConfig:
    return msgspec.structs.replace(config, board=msgspec.structs.replace(config.board, port=0, **more))


@pytest.fixture
async def ask(shop_config: ShopConfig) -> AsyncIterator[Asking]:
    config = on_any_port(shop_config)
    token, _ = add_token(config.folder, "front desk", ())
    notes, _ = add_token(config.folder, "quality", ("notes",))
    async with board(config) as server:
        yield Asking(server.port, config, token, notes)


async def one_visit(config: ShopConfig) -> int:
    async with rows(config) as connection:
        put = Rows(connection)
        id_ = await put.visit("van-1", "spring-1", systems=[system(nameplate={"serial": "SN-4711"}), system("attic")])
        await put.settled(id_, 10)
        await put.settled(id_, 20, "subcooling", 5.0)
        await put.check(id_, 30, "undecided")
        await put.check(id_, 31, "pass")
        await put.check(id_, 32, "fail", "split")
        await put.finding(id_, 40)
        await put.observation(id_, 50, text="words about the house", photo=SHA)
        await put.photo(id_, 51, SHA)
        await put.event(id_, 60, "note", {"text": "words about the house"})
        await put.event(id_, 61, "phase", {"phase": "before", "reason": "words about the house"})
        await put.event(id_, 62, "command", {"args": {"text": "words about the house"}})
        await put.instrument(id_, 1, "gauges", datetime.now(UTC).date() - timedelta(days=3))
        await put.instrument(id_, 2, "clamp", datetime.now(UTC).date() + timedelta(days=10))
        await put.instrument(id_, 3, "pipes", None)
        await connection.execute(
            "INSERT INTO lineset.placement (month, visit_id, seq, at, instrument, channel, system, point, by, "
            "supersedes) VALUES ($1, $2, 5, now(), 'gauges', 'low', 'upstairs', 'vapor_service_pressure', 'config', 0)",
            MONTH, id_,
        )  # fmt: skip
    return id_


OF_VISIT = "/visits/van-1/spring-1"
QUESTIONS = {
    "visits": "/visits",
    "visit": OF_VISIT,
    "settled": f"{OF_VISIT}/settled",
    "checks": f"{OF_VISIT}/checks",
    "findings": f"{OF_VISIT}/findings",
    "placements": f"{OF_VISIT}/placements",
    "events": f"{OF_VISIT}/events",
    "observations": f"{OF_VISIT}/observations",
    "photo": f"{OF_VISIT}/photos/{SHA}",
    "series_names": f"{OF_VISIT}/names",
    "series": f"{OF_VISIT}/series?name=vapor_service_pressure&system=upstairs&points=50",
    "report": f"{OF_VISIT}/report",
    "wants": "/wants",
    "stations": "/stations",
    "instruments": "/instruments",
    "openapi": "/openapi.json",
}


async def test_every_answer_is_as_the_document_says(ask: Asking) -> None:
    id_ = await one_visit(ask.config)
    async with rows(ask.config) as connection:
        await Rows(connection).readings(id_, "vapor_service_pressure", 400)
    document = (await ask("/openapi.json")).json
    assert document == openapi()
    assert set(QUESTIONS) == {each.name for each in ENDPOINTS}
    for each in ENDPOINTS:
        if each.name == "report":
            continue  # has a test of its own, with a real record
        answer = await ask(QUESTIONS[each.name], ask.notes)
        assert answer.status == 200, (each.name, answer.body)
        assert answer.headers["etag"]
        [(media, content)] = document["paths"][each.path]["get"]["responses"]["200"]["content"].items()
        if media == "application/json":
            schema = content["schema"] | {"components": document["components"]}
            jsonschema.Draft202012Validator(schema).validate(answer.json)
        if isinstance(each.answer, type):
            filled = [value for value in answer.json.values() if isinstance(value, list)]
            assert all(filled), each.name  # an empty list would prove nothing
    routed = {route.path: route.name for route in api_routes(None, None, None)[:-1]}  # type: ignore[attr-defined, arg-type]
    assert routed == {f"{BASE}{each.path}": each.name for each in ENDPOINTS}
    for path, item in document["paths"].items():
        named = {each["name"] for each in item["get"]["parameters"] if each["in"] == "path"}
        assert named == {part.strip("{}") for part in path.split("/") if part.startswith("{")}


def test_the_page_about_it_names_every_question() -> None:
    text = resources.files("lineset.shop").joinpath("BOARD.md").read_text(encoding="utf-8")
    for each in ENDPOINTS:
        assert each.path.rpartition("{visit}")[2].strip("/").partition("/")[0] in text, each.path


async def test_what_people_wrote_needs_its_own_right(ask: Asking) -> None:
    await one_visit(ask.config)
    for name, path in QUESTIONS.items():
        if name in ("observations", "photo", "report"):
            refused = await ask(path)
            assert refused.status == 403
            assert refused.json["remedy"].endswith("--scope notes")
        elif name != "series":
            assert b"words about the house" not in (await ask(path)).body, name
    assert b"words about the house" in (await ask(f"{OF_VISIT}/observations", ask.notes)).body
    photo = await ask(f"{OF_VISIT}/photos/{SHA}", ask.notes)
    assert photo.body == PHOTO
    assert photo.headers["content-type"] == "image/jpeg"
    assert "immutable" in photo.headers["cache-control"]
    async with rows(ask.config) as connection:
        await connection.execute("UPDATE lineset.photo SET media_type = 'text/html'")
    forged = await ask(f"{OF_VISIT}/photos/{SHA}", ask.notes)
    assert forged.headers["content-type"] == "application/octet-stream"
    assert forged.headers["content-disposition"] == "attachment"
    detail = (await ask(OF_VISIT)).json
    assert detail["checks"] == {"pass": 1, "fail": 1}
    assert detail["findings"] == 1
    assert [each["wants"] for each in detail["wants"]] == [["part", "approval"]]
    assert detail["wants"][0]["title"] == "the capacitor's top is bulged"


async def test_without_a_token_that_holds_nothing_is_told(ask: Asking) -> None:
    folder = ask.config.folder
    for wrong in ("", "made-up"):
        answer = await ask("/visits", wrong)
        assert answer.status == 401
        assert answer.headers["www-authenticate"].startswith("Bearer")
        assert "lineset shop token add" in answer.json["remedy"]
        assert answer.headers["content-type"] == "application/problem+json"
        assert set(answer.json) == {"title", "status", "detail", "what", "where", "remedy"}
        assert (answer.json["title"], answer.json["status"]) == ("Unauthorized", 401)
    assert (await ask("/visits")).status == 200
    revoke_token(folder, "front desk")
    assert (await ask("/visits")).status == 401
    assert ask.token not in (folder / TOKENS_FILE).read_text()
    past = datetime.now(UTC) - timedelta(days=1)
    old = Token(name="old", sha256=hash_of("old"), scopes=("board",), made=past, expires=past)
    (folder / TOKENS_FILE).write_bytes(msgspec.json.encode(TokenFile(tokens=(old,))))
    assert (await ask("/visits", "old")).status == 401
    (folder / TOKENS_FILE).chmod(0o644)
    assert (await ask("/visits", ask.notes)).status == 401


WRONG = [
    ("/visits?limit=0", "parameter limit"),
    ("/visits?limit=201", "parameter limit"),
    ("/visits?limit=1e3", "parameter limit"),
    ("/visits?station=VAN", "parameter station"),
    ("/visits?from=yesterday", "parameter from"),
    ("/visits?from=2026-11-25T08:00:00", "parameter from"),
    ("/visits?state=lost", "parameter state"),
    ("/visits?colour=red", "/api/v1/visits"),
    ("/visits?limit=3&limit=4", "parameter limit"),
    ("/visits?cursor=abc", "parameter cursor"),
    ("/visits?from=0001-01-01T00:00:00%2B14:00", "parameter from"),  # a moment that UTC has no year for
    ("/visits?to=9999-12-31T23:59:59-14:00", "parameter to"),
    ("/visits?cursor=WyJ2aXNpdHMiLCIwMDAxLTAxLTAxVDAwOjAwOjAwKzE0OjAwIiwxXQ", "parameter cursor"),  # likewise
    ("/visits?cursor=WyJzdGF0aW9ucyIsInZhbi0xIl0", "parameter cursor"),
    ("/visits?system=%00", "parameter system"),
    (f"{OF_VISIT}/series", "parameter name"),
    (f"{OF_VISIT}/photos/short", "parameter sha256"),
]


async def test_a_wrong_question_is_told_what_is_wrong_with_it(ask: Asking) -> None:
    for path, what in WRONG:
        answer = await ask(path, ask.notes)
        assert answer.status == 422, path
        assert answer.json["where"] == what
        assert answer.json["remedy"]


async def test_what_is_not_there_and_what_is_not_taken(ask: Asking) -> None:
    assert (await ask("/visits/van-9/none")).json["status"] == 404
    assert (await ask("/boats")).status == 404
    for method in ("POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "BREW"):
        answer = await ask("/visits", method=method)
        assert (answer.status, answer.headers["allow"]) == (405, "GET, HEAD")
        assert answer.headers["content-type"] == "application/problem+json"
    assert not [
        name for name in (await ask("/visits", Origin="http://elsewhere.example")).headers if "allow-origin" in name
    ]


async def test_a_plus_of_an_address_is_a_space_and_means_a_plus(ask: Asking) -> None:
    tag = (await ask("/visits?from=2026-09-22T08:00:00%2B02:00")).headers["etag"]
    assert (await ask("/visits?from=2026-09-22T08:00:00+02:00")).headers["etag"] == tag
    for known in (tag, f'"other", W/{tag}', "*"):
        again = await ask("/visits", If_None_Match=known)
        assert (again.status, again.headers["etag"], again.body) == (304, tag, b"")


async def test_pages_are_stable_while_visits_come_in(ask: Asking) -> None:
    now = datetime.now(UTC)
    async with rows(ask.config) as connection:
        put = Rows(connection)
        for n in range(12):
            # several were opened at one moment
            await put.visit(f"van-{n % 3}", f"v{n}", opened=now - timedelta(hours=n // 4))
        seen: list[str] = []
        cursor = ""
        while True:
            page = (await ask(f"/visits?limit=5&cursor={cursor}")).json
            seen += [each["visit"] for each in page["visits"]]
            await put.visit("van-7", f"late-{len(seen)}", opened=now + timedelta(minutes=1))
            if page["next"] is None:
                break
            cursor = page["next"]
        assert sorted(seen) == sorted(f"v{n}" for n in range(12))
        # rows of a visit too
        held = await put.visit("van-8", "many")
        for seq in range(1, 8):
            await put.settled(held, seq)
        first = (await ask("/visits/van-8/many/settled?limit=3")).json
        second = (await ask(f"/visits/van-8/many/settled?limit=200&cursor={first['next']}")).json
        assert [each["seq"] for each in (*first["settled"], *second["settled"])] == list(range(1, 8))
        assert second["next"] is None
        assert first["settled"][0]["title"] == "total superheat"
        assert first["settled"][0]["text"] == "11.5 +/- 2.2 degF"


async def test_visits_are_found_by_what_a_dispatcher_knows(ask: Asking) -> None:
    day = datetime(2026, 3, 5, 12, 0, tzinfo=UTC)
    async with rows(ask.config) as connection:
        put = Rows(connection)
        await put.visit("van-1", "a", opened=day, systems=[system(nameplate={"serial": "SN-47%11"})], sealed=True)
        await put.visit("van-2", "b", opened=day + timedelta(days=1), systems=[system("attic")], closed=True)
        await put.visit("van-2", "c", opened=day + timedelta(days=2), systems=[system("attic", title="Old barn")])

    async def found(query: str) -> list[str]:
        return [each["visit"] for each in (await ask(f"/visits?{query}")).json["visits"]]

    assert await found("") == ["c", "b", "a"]
    assert await found("station=van-2") == ["c", "b"]
    assert await found("system=attic") == ["c", "b"]
    assert await found("system=BARN") == ["c"]
    assert await found("system=47%2511") == ["a"]  # a percent sign means itself
    assert await found("system=4%25") == []
    assert await found("from=2026-03-06&to=2026-03-06") == ["b"]
    assert await found("to=2026-03-06T12:00:00Z") == ["a"]
    assert await found("state=sealed") == ["a"]
    assert await found("state=closed") == ["b"]
    assert await found("state=open&station=van-2") == ["c"]


async def test_a_series_keeps_the_extremes_of_what_it_leaves_out(ask: Asking) -> None:
    async with rows(ask.config) as connection:
        put = Rows(connection)
        id_ = await put.visit("van-1", "spring-1")
        await put.readings(id_, "vapor_service_pressure", 3000)
        await put.derived(id_, 500)
    told = (await ask(f"{OF_VISIT}/series?name=vapor_service_pressure&system=upstairs&points=40")).json
    assert len(told["t"]) == 40
    assert sum(told["count"]) == 3000
    assert min(told["low"]) == pytest.approx(790_000.0, abs=5.0)
    assert max(told["high"]) == pytest.approx(810_000.0, abs=5.0)
    assert told["t"] == sorted(told["t"])
    assert (told["unit"], told["shown_unit"]) == ("Pa", "psig")
    # 6894.757 Pa a psi: NIST SP 811, appendix B.8
    assert max(told["shown_high"]) == pytest.approx(810_000.0 / 6894.757, abs=0.1)
    derived = (await ask(f"{OF_VISIT}/series?name=total_superheat&system=upstairs&points=2000")).json
    assert len(derived["t"]) == 500
    assert derived["low"][0] == derived["high"][0] == 6.0
    names = (await ask(f"{OF_VISIT}/names")).json["names"]
    assert (await ask(OF_VISIT)).json["about"]["readings_removed_at"] is None
    async with rows(ask.config) as connection:
        await connection.execute("UPDATE lineset.visit SET readings_removed_at = now()")
    assert (await ask(OF_VISIT)).json["about"]["readings_removed_at"]
    assert [name for _, name, _ in names] == ["total_superheat", "vapor_service_pressure"]
    assert (await ask(f"{OF_VISIT}/series?name=power&system=upstairs")).json["t"] == []


async def test_silence_and_calibration(ask: Asking) -> None:
    await one_visit(ask.config)
    async with rows(ask.config) as connection:
        await Rows(connection).visit("van-5", "x", received=datetime.now(UTC) - timedelta(hours=30))
        await connection.execute("INSERT INTO lineset.station (station) VALUES ('van-6')")
    stations = {each["station"]: each for each in (await ask("/stations")).json["stations"]}
    assert stations["van-1"]["silent_s"] < 60.0
    assert stations["van-1"]["open_visit"] == "spring-1"
    assert 29 * 3600 < stations["van-5"]["silent_s"] < 31 * 3600
    assert (stations["van-6"]["silent_s"], stations["van-6"]["open_visit"]) == (None, "")
    told = (await ask("/instruments")).json["instruments"]
    assert [(each["instrument"], each["standing"]) for each in told] == [
        ("gauges", "over"), ("clamp", "soon"), ("pipes", "unknown"),
    ]  # fmt: skip
    first = (await ask("/instruments?limit=2")).json
    rest = (await ask(f"/instruments?limit=2&cursor={first['next']}")).json
    assert [each["instrument"] for each in (*first["instruments"], *rest["instruments"])] == [
        "gauges",
        "clamp",
        "pipes",
    ]
    assert len((await ask("/instruments?standing=over")).json["instruments"]) == 1


async def test_a_question_that_takes_too_long_is_given_up(
    ask: Asking, postgres: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with rows(ask.config) as connection, connection.transaction():
        await connection.execute("LOCK TABLE lineset.visit IN ACCESS EXCLUSIVE MODE")
        with monkeypatch.context() as hasty:
            hasty.setattr("lineset.shop.asking.STATEMENT_S", 0.3)
            hasty.setattr("lineset.shop.asking.WAIT_S", 0.3)
            # more at once than there are connections
            answers = await asyncio.gather(*(ask("/visits") for _ in range(8)))
        assert {answer.status for answer in answers} == {503}
        assert {answer.json["what"] for answer in answers} == {"the question took too long"}
        assert answers[0].headers["retry-after"]
    assert (await ask("/visits")).status == 200
    # connections that the server closed are made anew
    async with connected(postgres.address("postgres")) as admin:
        gone = await admin.fetch(
            "SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity WHERE usename = 'lineset_board'"
        )
    assert gone
    assert (await ask("/visits")).status == 200


async def test_what_has_not_changed_is_not_sent_again(ask: Asking) -> None:
    id_ = await one_visit(ask.config)
    first = await ask(f"{OF_VISIT}/checks")
    again = await ask(f"{OF_VISIT}/checks", If_None_Match=first.headers["etag"])
    assert (again.status, again.body) == (304, b"")
    async with rows(ask.config) as connection:
        await Rows(connection).check(id_, 33, "fail")
    assert (await ask(f"{OF_VISIT}/checks", If_None_Match=first.headers["etag"])).status == 200


async def test_a_proxys_word_counts_from_the_proxy_alone(shop_config: ShopConfig) -> None:
    named = {"identity_header": "x-person", "notes_for": ("quality@shop.example",)}
    async with board(on_any_port(shop_config, proxies=("127.0.0.1",), **named)) as server:
        ask = Asking(server.port, shop_config, "", "")
        assert (await ask("/visits", X_Person="desk@shop.example")).status == 200
        assert (await ask("/visits")).status == 401
        assert (await ask("/session", X_Person="desk@shop.example")).json["notes"] is False
        assert (await ask("/session", X_Person="quality@shop.example")).json["notes"] is True
        # a proxy that adds its word to the browser's, instead of taking that away, is noticed
        twice = f"GET {BASE}/visits HTTP/1.0\r\nx-person: quality@shop.example\r\nX-Person: desk\r\n\r\n"
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
        writer.write(twice.encode())
        assert (await reader.readline()).split()[1] == b"401"
        writer.close()
    # what a forwarding header says of the sender is not believed
    async with board(on_any_port(shop_config, proxies=("192.0.2.7",), **named)) as server:
        ask = Asking(server.port, shop_config, "", "")
        answer = await ask("/visits", X_Person="desk@shop.example", X_Forwarded_For="192.0.2.7")
        assert answer.status == 401
        assert "proxy" in answer.json["what"]


async def test_a_database_that_is_away_is_said_and_found_again(shop_config: ShopConfig, postgres: Any) -> None:
    gone = msgspec.structs.replace(
        shop_config.database_settings, url=f"postgresql://127.0.0.1:{postgres.port}/not_there_yet"
    )
    config = on_any_port(msgspec.structs.replace(shop_config, database_settings=gone))
    token, _ = add_token(config.folder, "desk", ())
    async with board(config) as server:
        ask = Asking(server.port, config, token, "")
        answer = await ask("/visits")
        assert answer.status == 503
        assert answer.headers["retry-after"]
        assert "Make the database" in answer.json["remedy"]
        assert (await ask("/session")).status == 200  # live jobs go on
