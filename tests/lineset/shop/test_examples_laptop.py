"""The examples for strangers, as printed, against a running station: mosquitto_sub, and the page in a browser."""

from __future__ import annotations

import functools
import http.server
import json
import shutil
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from typing import Any

import pytest
from board_browser import NEEDS_CHROMIUM, browser
from example_blocks import EXAMPLES, line_with, printed, shell
from playwright.async_api import expect
from station_rig import Ear, gauges_image, hearing, instrument, pipes_image, plug, station, station_text

from lineset.board.server import PAGE
from lineset.station.daemon import Station

NEEDS_MOSQUITTO_SUB = pytest.mark.skipif(shutil.which("mosquitto_sub") is None, reason="no mosquitto_sub here")


@asynccontextmanager
async def visiting(folder: Path, more: str = "") -> AsyncIterator[tuple[Station, Ear]]:
    """A station in a visit, with gauges at 118 psig and a vapor line at 11 degC, so that there is a superheat."""
    peer = plug(folder / "bus", gauges_image(), pipes_image(11.0, 40.0))
    body = instrument("gauges", "pressure-transducer-2ch", peer.url, "low vapor_service_pressure", more="unit = 1")
    body += instrument("pipes", "thermocouple-4ch", peer.url, "t1 vapor_line_temperature", more="unit = 2")
    async with station(folder, station_text(folder / "data", more + body, speed=20)) as van, hearing(van) as ear:
        reply = await ear.command("visit-open", {"visit": "v-1", "systems": [{"id": "main"}]})
        assert reply["ok"], reply
        yield van, ear
    peer.unplug()


@NEEDS_MOSQUITTO_SUB
async def test_mosquitto_sub_on_a_laptop_hears_what_the_page_says_it_hears(tmp_path: Path) -> None:
    home = tmp_path / "home"
    home.mkdir()
    async with visiting(tmp_path) as (van, _):
        assert van.runtime is not None
        ((_, set_up),) = printed("laptop")
        async with shell(set_up, home, LINESET_RUNTIME=str(van.runtime)) as process:
            _, said = await process.communicate()
            assert process.returncode == 0, said.decode()
        options = home / ".config" / "mosquitto_sub"
        assert options.stat().st_mode & 0o077 == 0  # it holds a password
        for words, commands in printed("laptop listens"):
            async with shell(commands, home) as process:
                topic, _, payload = (await line_with(process, words)).partition(" ")
            assert topic.startswith("lineset/v1/north/van-3/")
            assert json.loads(payload)["t"] > 0


class _Quiet(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *_: Any) -> None:
        pass


@contextmanager
def files_of(folder: Path) -> Iterator[str]:
    """Any web server; its origin."""
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(_Quiet, directory=folder))
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@NEEDS_CHROMIUM
async def test_the_ten_line_page_shows_the_live_superheat_in_a_browser(tmp_path: Path) -> None:
    www = tmp_path / "www"
    www.mkdir()
    shutil.copy(EXAMPLES / "superheat.html", www)
    shutil.copy(PAGE / "vendor" / "mqtt.min.js", www)
    with files_of(www) as origin:
        async with visiting(tmp_path, f'[broker]\norigins = ["{origin}"]\n') as (van, ear), browser() as chromium:
            assert van.runtime is not None
            found = json.loads((van.runtime / "broker.json").read_text())
            word = found["credentials"]["watch"]["password"]
            page = await chromium.new_page()
            await page.goto(f"{origin}/superheat.html#{found['websocket']},watch,{word}")
            await ear.settled("v-1", "at_rest", "total_superheat")
            await expect(page.locator("#value")).to_contain_text("(settled)")
            shown = (await page.locator("#value").inner_text()).rpartition(" (")[0]

            def of_that_text() -> list[float]:
                told = [heard.json for heard in ear.heard if heard.topic.endswith("/derived/total_superheat")]
                return [each["v"] for each in told if each["text"] == shown]

            await ear.until(of_that_text)  # the page may have heard it before us
            assert all(0.0 < value < 20.0 for value in of_that_text())


def test_the_page_is_as_short_as_it_is_called() -> None:
    lines = (EXAMPLES / "superheat.html").read_text().splitlines()
    script = lines[lines.index("<script>") + 1 : lines.index("</script>")]
    assert len(script) <= 10
