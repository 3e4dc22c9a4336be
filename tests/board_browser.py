"""For tests of the technician's page: a real browser, and a real station with its broker and its board."""

from __future__ import annotations

import shutil
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import Browser, BrowserContext, Page, Request, async_playwright, expect
from station_rig import WAIT_S, station, station_text

from lineset.board.beside import board_beside
from lineset.board.server import BoardServer
from lineset.station.daemon import Station

expect.set_options(timeout=WAIT_S * 1000)  # its own 5 s may end a healthy run on a busy machine
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
NEEDS_CHROMIUM = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
PHONE: dict[str, Any] = {"viewport": {"width": 360, "height": 740}, "has_touch": True, "is_mobile": True}
LAPTOP: dict[str, Any] = {"viewport": {"width": 1280, "height": 800}}
SYSTEMS = "".join(
    f'[[system]]\nid = "{id_}"\ntitle = "{id_.capitalize()}"\nrefrigerant = "{fluid}"\nmetering_device = "txv"\n'
    for id_, fluid in (("upstairs", "R-410A"), ("downstairs", "R-454B"))
)


@asynccontextmanager
async def browser() -> AsyncIterator[Browser]:
    async with async_playwright() as driver:
        found = await driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        try:
            yield found
        finally:
            await found.close()


@asynccontextmanager
async def served(
    folder: Path, language: str = "en", body: str = "", port: int = 0
) -> AsyncIterator[tuple[Station, BoardServer]]:
    text = station_text(
        folder / "data", f"{body}\n[board]\nport = {port}\n", speed=20, system=SYSTEMS, more=f'language = "{language}"'
    )
    async with station(folder, text) as van, board_beside(van) as board:
        assert board is not None
        yield van, board


class Watched:
    """A page, with what it asked for outside of its own server and what its console complained of."""

    def __init__(self, page: Page, own: str) -> None:
        self.page, self.foreign, self.complaints = page, list[str](), list[str]()
        self._own = own.split("/#")[0].split("://")[1]
        page.on("request", self._asked)
        page.on("console", lambda m: self.complaints.append(m.text) if m.type == "error" else None)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def _asked(self, request: Request) -> None:
        if not request.url.startswith(("blob:", "data:")) and request.url.split("://")[1].split("/")[0] != self._own:
            self.foreign.append(request.url)


async def opened(context: BrowserContext, url: str) -> Watched:
    watched = Watched(await context.new_page(), url)
    await watched.page.goto(url)
    await watched.page.wait_for_selector("body[data-ready=yes]")
    return watched


async def links_told(page: Page) -> Callable[[str], Awaitable[None]]:
    """From now on all that the page says of its connection is kept; what is given back waits until it has said so.

    A connection may be back before anybody looks.
    """
    await page.evaluate(
        """() => { const link = document.querySelector("#link"); window.linksTold = [link.textContent];
          new MutationObserver(() => window.linksTold.push(link.textContent))
            .observe(link, { childList: true, characterData: true, subtree: true }); }"""
    )

    async def said(words: str) -> None:
        await page.wait_for_function(
            "words => window.linksTold.some((told) => told.includes(words))", arg=words, timeout=WAIT_S * 1000
        )

    return said


async def open_visit(page: Page, name: str) -> None:
    await page.fill("[name=visit]", name)
    for box in await page.locator("#known-list input").all():
        await box.check()
    await page.click("#open-form button[type=submit]")
    await expect(page.locator(".system")).to_have_count(2)
