"""The board's server with a real broker behind it: who is told the password, whose WebSocket is carried on."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import ssl
import urllib.error
import urllib.request
import warnings
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import websockets
from cli_process import said
from station_rig import WAIT_S, station, station_text

from lineset.board.beside import BOARD_FILE, board_beside, read_board_file
from lineset.board.errors import BoardError
from lineset.board.kept_token import HOLDS_S, kept_token
from lineset.board.own_certificate import own_certificate
from lineset.board.server import BoardServer
from lineset.contract.topic import Topics
from lineset.stream.address import BrokerAddress
from lineset.stream.broker import LocalBroker
from lineset.stream.errors import SettingsError

TOPICS = Topics("shop", "van")


@pytest.fixture
async def broker(tmp_path: Path) -> AsyncIterator[LocalBroker]:
    async with LocalBroker(tmp_path / "broker", TOPICS, runtime=tmp_path / "run") as found:
        yield found


@pytest.fixture
async def board(broker: LocalBroker) -> AsyncIterator[BoardServer]:
    async with BoardServer(lambda: broker.address("command"), TOPICS, about=lambda: {"units": "si"}) as found:
        yield found


async def get(url: str, token: str = "", context: ssl.SSLContext | None = None) -> tuple[int, bytes, Any]:
    request = urllib.request.Request(url, headers={"Authorization": f"Bearer {token}"} if token else {})

    def ask() -> tuple[int, bytes, Any]:
        try:
            with urllib.request.urlopen(request, timeout=WAIT_S, context=context) as reply:
                return reply.status, reply.read(), reply.headers
        except urllib.error.HTTPError as error:
            return error.code, error.read(), error.headers

    return await asyncio.to_thread(ask)


def mqtt_connect(username: str, password: str) -> bytes:
    """A CONNECT packet by hand (MQTT 3.1.1, section 3.1): clean session, user name and password, keep-alive 30 s."""
    body = b"\x00\x04MQTT\x04\xc2\x00\x1e"
    for text in ("page-1", username, password):
        raw = text.encode()
        body += len(raw).to_bytes(2, "big") + raw
    assert len(body) < 128
    return b"\x10" + bytes([len(body)]) + body


async def test_the_page_comes_with_headers_that_keep_others_out(board: BoardServer) -> None:
    status, body, headers = await get(f"http://127.0.0.1:{board.port}/")
    assert status == 200
    assert b"<title>" in body
    assert "frame-ancestors 'none'" in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"


async def test_only_the_token_is_told_the_password(board: BoardServer, broker: LocalBroker) -> None:
    where = f"http://127.0.0.1:{board.port}/session"
    for wrong in ("", "x", board.token[:-1], board.token + "x"):
        status, body, _ = await get(where, wrong)
        assert status == 403
        assert broker.address("command").password.encode() not in body
    status, body, headers = await get(where, board.token)
    told = json.loads(body)
    who = broker.address("command")
    assert (status, told["username"], told["password"], told["base"]) == (200, who.username, who.password, TOPICS.base)
    assert told["units"] == "si"
    assert headers["cache-control"].startswith("no-store")


async def test_the_url_holds_the_token_where_no_server_sees_it(board: BoardServer) -> None:
    assert board.url == f"http://127.0.0.1:{board.port}/#{board.token}"


async def test_mqtt_goes_through_the_pages_own_port(board: BoardServer, broker: LocalBroker) -> None:
    who = broker.address("command")
    origin = f"http://127.0.0.1:{board.port}"
    async with websockets.connect(
        f"ws://127.0.0.1:{board.port}/mqtt", subprotocols=["mqtt"], origin=origin  # type: ignore[list-item,arg-type]
    ) as socket:  # fmt: skip
        assert socket.subprotocol == "mqtt"
        packet = mqtt_connect(who.username, who.password)
        await socket.send(packet[:3])  # packets need not begin with a frame
        await socket.send(packet[3:])
        assert await asyncio.wait_for(socket.recv(), WAIT_S) == b"\x20\x02\x00\x00"  # CONNACK, accepted
    async with websockets.connect(
        f"ws://127.0.0.1:{board.port}/mqtt", subprotocols=["mqtt"], origin=origin  # type: ignore[list-item,arg-type]
    ) as socket:  # fmt: skip
        await socket.send(mqtt_connect(who.username, "wrong"))
        # CONNACK: not authorised; then, or instead, the broker hangs up
        answers = []
        with contextlib.suppress(websockets.ConnectionClosed):
            async for answer in socket:
                answers.append(answer)
        assert b"".join(a for a in answers if isinstance(a, bytes)) in (b"", b"\x20\x02\x00\x05")
        assert b"\x20\x02\x00\x00" not in answers


@pytest.mark.parametrize("origin", [None, "http://elsewhere.example", "null", "http://127.0.0.1:1"])
async def test_a_page_of_another_origin_is_turned_away(board: BoardServer, origin: str | None) -> None:
    with pytest.raises(websockets.InvalidStatus) as refused:
        async with websockets.connect(
            f"ws://127.0.0.1:{board.port}/mqtt", subprotocols=["mqtt"], origin=origin  # type: ignore[list-item,arg-type]
        ):  # fmt: skip
            pass
    assert refused.value.response.status_code == 403


async def test_a_broker_that_is_away_is_said_with_a_close_code_that_means_try_again(tmp_path: Path) -> None:
    nobody = BrokerAddress("127.0.0.1", 1, "u", "p")
    async with BoardServer(lambda: nobody, TOPICS, about=dict) as board:
        async with websockets.connect(
            f"ws://127.0.0.1:{board.port}/mqtt",
            subprotocols=["mqtt"],  # type: ignore[list-item]
            origin=f"http://127.0.0.1:{board.port}",  # type: ignore[arg-type]
        ) as socket:
            with pytest.raises(websockets.ConnectionClosed) as closed:
                await asyncio.wait_for(socket.recv(), WAIT_S)
        assert closed.value.rcvd is not None
        assert closed.value.rcvd.code == 1013


async def test_a_port_that_is_taken_is_refused_with_what_to_do(board: BoardServer) -> None:
    other = BoardServer(lambda: BrokerAddress("127.0.0.1", 1), TOPICS, about=dict, port=board.port)
    with pytest.raises(BoardError, match=r"\[board\]"):
        await other.__aenter__()


async def test_a_station_leaves_its_boards_address_and_takes_it_away_again(tmp_path: Path) -> None:
    async with station(tmp_path, station_text(tmp_path / "data", "[board]\nport = 0\n")) as van:
        async with board_beside(van) as board:
            assert board is not None
            assert van.runtime is not None
            assert read_board_file(van.runtime).url == board.url
            assert ((van.runtime / BOARD_FILE).stat().st_mode & 0o777) == 0o600
            told = json.loads((await get(f"http://127.0.0.1:{board.port}/session", board.token))[1])
            assert told["station"] == van.config.name
            assert [each["id"] for each in told["systems"]] == ["main"]
            assert "R-454B" in told["refrigerants"]
            assert told["language"] == "en"
            words = "the contactor's contacts are burnt or pitted"
            assert {"id": "contactor_pitted", "title": words, "wants": ["part", "approval"]} in told["signs"]
            assert told["facts"]["panel_open"]["holds"] == "visit"
        with pytest.raises(SettingsError, match="no board is served here"):
            read_board_file(van.runtime)


async def test_a_station_may_have_no_board(tmp_path: Path) -> None:
    text = station_text(tmp_path / "data", "[board]\nenabled = false\n")
    async with station(tmp_path, text) as van, board_beside(van) as board:
        assert board is None


def test_the_boards_token_holds_for_a_day_and_is_its_owners_alone(tmp_path: Path) -> None:
    file, now = tmp_path / "board.token", 1.8e9
    token = kept_token(file, now)
    assert len(token) >= 24  # 18 random bytes, as base64
    assert file.stat().st_mode & 0o777 == 0o600
    assert kept_token(file, now + HOLDS_S - 1) == token
    file.chmod(0o644)  # somebody may have read it
    other = kept_token(file, now)
    assert other != token
    assert kept_token(file, now + HOLDS_S) != other
    file.write_bytes(b"{")
    assert kept_token(file, now) not in (token, other)
    made = kept_token(file, now)
    assert kept_token(file, now - 1) != made  # made in the future, by a clock that was wrong


async def test_on_the_local_network_there_is_only_tls_with_a_certificate_of_its_own(tmp_path: Path) -> None:
    text = station_text(tmp_path / "data", "[board]\nport = 0\nnetwork = true\n")
    async with station(tmp_path, text) as van, board_beside(van) as board:
        assert board is not None
        assert board.url.startswith("https://")
        assert van.runtime is not None
        told = read_board_file(van.runtime).fingerprint
        context = ssl.create_default_context(cafile=str(tmp_path / "data" / "board-certificate.pem"))
        status, body, _ = await get(f"https://127.0.0.1:{board.port}/session", board.token, context)
        assert (status, json.loads(body)["station"]) == (200, van.config.name)
        with pytest.raises((urllib.error.URLError, ConnectionError)):
            await get(f"http://127.0.0.1:{board.port}/session", board.token)
        old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        old.check_hostname, old.verify_mode = False, ssl.CERT_NONE
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)
            old.minimum_version = old.maximum_version = ssl.TLSVersion.TLSv1_1
        old.set_ciphers("ALL:@SECLEVEL=0")
        with pytest.raises((urllib.error.URLError, ssl.SSLError)):
            await get(f"https://127.0.0.1:{board.port}/session", board.token, old)
        served = await asyncio.to_thread(ssl.get_server_certificate, ("127.0.0.1", board.port))
        digest = hashlib.sha256(ssl.PEM_cert_to_DER_cert(served)).hexdigest().upper()
        assert told.replace(":", "") == digest
        code, out, _ = await said("board", "--at", str(van.runtime))
        assert (code, out.splitlines()[0]) == (0, board.url)
        assert out.splitlines()[-1] == told  # to be compared with what the phone shows
    with pytest.raises(BoardError, match="TLS only"):
        BoardServer(lambda: BrokerAddress("127.0.0.1", 1), TOPICS, about=dict, network=True)


def test_its_own_certificate_is_kept_until_something_is_wrong_with_it(tmp_path: Path) -> None:
    names = ("127.0.0.1", "localhost")
    first = own_certificate(tmp_path, names)
    assert first.key.stat().st_mode & 0o777 == 0o600
    assert own_certificate(tmp_path, names) == first
    other = own_certificate(tmp_path, ("192.0.2.7", *names))
    assert other.fingerprint != first.fingerprint  # another address
    other.key.chmod(0o644)  # somebody may have read it
    third = own_certificate(tmp_path, ("192.0.2.7", *names))
    assert third.fingerprint != other.fingerprint
    third.certificate.write_bytes(b"damaged")
    assert own_certificate(tmp_path, names).fingerprint not in (first.fingerprint, third.fingerprint)
