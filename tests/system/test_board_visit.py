"""The technician's page in a real browser, before a real station with its own broker: a visit by hand and by key."""

from __future__ import annotations

import base64
import hashlib
import os
import shutil
import signal
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.async_playwright import Axe
from playwright.async_api import Browser, BrowserContext, Page, Request, async_playwright, expect
from station_rig import bodies, gauges_image, instrument, plug, station, station_text, visit_journal

from lineset.board.beside import board_beside
from lineset.board.server import BoardServer
from lineset.equipment.language import all_words
from lineset.journal.verify import verify
from lineset.station.daemon import Station

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine"),
]
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
WCAG = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}}
# a transparent picture of one pixel (PNG), as any camera's file would come in
PIXEL = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg=="
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


async def open_visit(page: Page, name: str) -> None:
    await page.fill("[name=visit]", name)
    for box in await page.locator("#known-list input").all():
        await box.check()
    await page.click("#open-form button[type=submit]")
    await expect(page.locator(".system")).to_have_count(2)


async def go_on(page: Page, phase: int, reason: str) -> None:
    """Ask for a phase, see what is missing, and go on with a reason."""
    button = page.locator("#phases button").nth(phase)
    await button.click()
    await expect(page.locator("#refused")).to_be_visible()
    await page.fill("#force-form [name=reason]", reason)
    await page.click("#force-form button")
    await expect(button).to_have_attribute("aria-pressed", "true")
    await expect(page.locator("#refused")).to_be_hidden()


@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "light"), (LAPTOP, "dark")], ids=["phone", "laptop"])
async def test_a_whole_visit_is_run_through_the_page_alone(tmp_path: Path, size: dict[str, Any], scheme: Any) -> None:
    async with served(tmp_path) as (van, board), browser() as chromium:
        context = await chromium.new_context(**size, color_scheme=scheme)
        watched = await opened(context, board.url)
        page = watched.page
        await open_visit(page, "spring-1")

        # a fact by a tap, and another out of the list of what was refused
        panel = page.locator("#facts [data-part=near] button").first
        await panel.click()
        await expect(panel).to_have_attribute("aria-pressed", "true")
        await panel.click()
        await expect(panel).to_have_attribute("aria-pressed", "false")
        await page.locator("#phases button").nth(1).click()
        wants = page.locator("#refused-wants li")
        assert "lineset " not in " ".join(await wants.all_inner_texts())
        for at in range(2):
            await wants.nth(at).get_by_role("button").click()
            await expect(wants.nth(at).get_by_role("button")).to_have_attribute("aria-pressed", "true")
        await page.locator("#phases button").nth(1).click()
        await expect(page.locator("#phases button").nth(1)).to_have_attribute("aria-pressed", "true")

        # the first task of the sheet: begun, done, out of the way, taken back
        task = page.locator("#next-do [data-what=done]")
        words = await task.get_attribute("aria-label")
        await task.click()
        await expect(task).not_to_have_attribute("aria-label", words or "")
        folded = page.locator(".finished:visible").first
        await folded.locator("summary").first.click()
        await folded.locator("[data-what=undone]").first.click()
        await expect(task).to_have_attribute("aria-label", words or "")

        # a value by hand, a sign with a photo
        await page.select_option("#enter-form [name=point]", "return_air_temperature")
        await page.fill("#enter-form [name=value]", "76.4 degF")
        await page.click("#enter-form button[type=submit]")
        await expect(page.locator("#enter-form [name=value]")).to_have_value("")
        await page.select_option("#observe-form [name=sign]", "contactor_pitted")
        await page.set_input_files("[name=photo]", {"name": "p.png", "mimeType": "image/png", "buffer": PIXEL})
        await page.click("#observe-form button")
        await expect(page.locator("#observed li")).to_have_count(1)
        await expect(page.locator("#observed li")).to_contain_text("photo")

        found = await Axe().run(page, options=WCAG)
        assert not found.violations_count, found.generate_report()
        assert await page.evaluate("document.documentElement.scrollWidth") <= size["viewport"]["width"]
        await page.locator("#closing").scroll_into_view_if_needed()
        await expect(page.locator("#bar")).to_be_visible()  # what is next stays in view
        await page.screenshot(path=tmp_path / "open.png")

        for phase in (2, 3):
            await page.locator("#phases button").nth(phase).click()
            await expect(page.locator("#phases button").nth(phase)).to_have_attribute("aria-pressed", "true")
        await go_on(page, 4, "the test has no hands")
        await page.click("#close-form button")
        await expect(page.locator("#refused")).to_be_visible()
        await page.fill("#force-form [name=reason]", "the test has no hands")
        await page.click("#force-form button")
        await expect(page.locator("#opening")).to_be_visible()
        assert (watched.foreign, watched.complaints) == ([], [])

        path = visit_journal(van.config.data, "spring-1")
    kept = [body for _, body in bodies(path)]
    assert verify(path).ok
    [seen] = [body for body in kept if body["kind"] == "observation"]
    parts = b"".join(base64.b64decode(body["data"]) for body in kept if body["kind"] == "blob")
    assert hashlib.sha256(parts).hexdigest() == seen["photo"]
    assert parts.startswith(b"\xff\xd8\xff")  # drawn anew as JPEG
    assert [body["phase"] for body in kept if body["kind"] == "phase"] == ["before", "work", "drying", "after"]
    assert [body["text"] for body in kept if body["kind"] == "entered"] == ["76.4 degF"]


async def test_a_page_that_loses_the_broker_keeps_what_it_shows_and_comes_back(tmp_path: Path) -> None:
    async with served(tmp_path) as (van, board), browser() as chromium:
        context = await chromium.new_context(**PHONE)
        watched = await opened(context, board.url)
        page = watched.page
        await open_visit(page, "spring-2")
        await expect(page.locator(".stop li").first).to_be_visible()
        assert van.broker is not None
        os.kill(van.broker.pid, signal.SIGKILL)
        await expect(page.locator("#link")).to_contain_text("No connection")
        await expect(page.locator(".stop li").first).to_be_visible()
        await expect(page.locator("#link")).to_have_text("Connected.", timeout=15000)
        panel = page.locator("#facts [data-part=near] button").first
        await panel.click()
        await expect(panel).to_have_attribute("aria-pressed", "true")
        assert watched.foreign == []


async def test_the_keyboard_alone_opens_a_visit_and_does_a_task(tmp_path: Path) -> None:
    async with served(tmp_path) as (_, board), browser() as chromium:
        page = (await opened(await chromium.new_context(**LAPTOP), board.url)).page

        async def reach(selector: str) -> None:
            for _ in range(120):
                await page.keyboard.press("Tab")
                if await page.evaluate("wanted => document.activeElement.matches(wanted)", selector):
                    return
            raise AssertionError(f"the keyboard never reaches {selector}")

        await reach("[name=visit]")
        await page.keyboard.type("by-key")
        await reach("[name=known]")
        await page.keyboard.press("Space")
        await page.keyboard.press("Enter")
        await expect(page.locator("#closing")).to_be_visible()
        await reach("#phases button[data-key=before]")
        await page.keyboard.press("Enter")
        await expect(page.locator("#refused-head")).to_be_focused()
        await reach("#force-form [name=reason]")
        await page.keyboard.type("only the keyboard is tried")
        await page.keyboard.press("Enter")
        task = page.locator("#next-do [data-what=done]")
        await expect(task).to_be_visible()
        words = await task.get_attribute("aria-label")
        await reach("#next-do [data-what=done]")
        await page.keyboard.press("Enter")
        await expect(task).not_to_have_attribute("aria-label", words or "")


async def test_a_foreign_token_is_told_nothing(tmp_path: Path) -> None:
    async with served(tmp_path) as (_, board), browser() as chromium:
        page = await chromium.new_page()
        await page.goto(board.url.split("#")[0] + "#foreign")
        await expect(page.locator("#trouble-text")).to_contain_text("whole address")
        assert await page.get_attribute("body", "data-ready") != "yes"


async def test_a_spanish_page_has_no_english_left_of_what_the_catalogue_translates(tmp_path: Path) -> None:
    async with served(tmp_path, language="es") as (_, board), browser() as chromium:
        page = (await opened(await chromium.new_context(**PHONE), board.url)).page
        await open_visit(page, "primavera")
        await expect(page.locator(".stop li").first).to_be_visible()
        assert await page.get_attribute("html", "lang") == "es"
        shown = {line.strip() for line in (await page.inner_text("body")).splitlines()}
        words = all_words("es")
        left = {line for line in shown if line in words and words[line] != line}
        assert not left


async def test_live_values_stand_beside_what_settles_and_are_plotted(tmp_path: Path) -> None:
    image = gauges_image()
    image.before = lambda each: each.inputs.update({0: 1180 + each.answered % 40})
    bus = plug(tmp_path / "bus", image)
    gauges = instrument("gauges", "pressure-transducer-2ch", bus.url, "low vapor_service_pressure")
    gauges = gauges.replace("channel =", 'system = "upstairs"\nchannel =')
    try:
        async with served(tmp_path, body=gauges) as (_, board), browser() as chromium:
            page = (await opened(await chromium.new_context(**LAPTOP), board.url)).page
            await open_visit(page, "spring-3")
            live = page.locator(".live:visible").first
            await expect(live).to_contain_text("psig")
            await page.get_by_role("button", name="Plot").first.click()
            await expect(page.locator("#plot canvas")).to_be_visible()
            await expect(page.locator("#plot-words")).to_contain_text("values from")
    finally:
        bus.unplug()
