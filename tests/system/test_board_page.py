"""The technician's page when things go wrong, by key alone, in Spanish, and with values that move."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest
from board_browser import LAPTOP, NEEDS_CHROMIUM, PHONE, browser, links_told, open_visit, opened, served
from playwright.async_api import expect
from station_rig import gauges_image, instrument, plug

from lineset.board.beside import TOKEN_FILE
from lineset.equipment.language import all_words
from lineset.equipment.walk import STOPS

pytestmark = [pytest.mark.system, NEEDS_CHROMIUM]


async def test_a_page_that_loses_the_broker_keeps_what_it_shows_and_comes_back(tmp_path: Path) -> None:
    async with served(tmp_path) as (van, board), browser() as chromium:
        context = await chromium.new_context(**PHONE)
        watched = await opened(context, board.url)
        page = watched.page
        await open_visit(page, "spring-2")
        await expect(page.locator(".stop li").first).to_be_visible()
        assert van.broker is not None
        said = await links_told(page)
        os.kill(van.broker.pid, signal.SIGKILL)
        await said("No connection")
        await expect(page.locator(".stop li").first).to_be_visible()
        await expect(page.locator("#link")).to_have_text("Connected.")
        panel = page.locator("#facts [data-part=near] button").first
        await panel.click()
        await expect(panel).to_have_attribute("aria-pressed", "true")
        assert watched.foreign == []


async def test_a_page_goes_on_by_itself_when_its_station_was_started_anew(tmp_path: Path) -> None:
    async with browser() as chromium:
        async with served(tmp_path) as (_, board):
            port = board.port
            page = (await opened(await chromium.new_context(**PHONE), board.url)).page
            await open_visit(page, "spring-4")
            await expect(page.locator("#next-sentence")).not_to_contain_text("being made")
        await expect(page.locator("#link")).to_contain_text("No connection")
        await expect(page.locator(".system")).to_have_count(2)
        async with served(tmp_path, port=port):
            await expect(page.locator("#link")).to_have_text("Connected.")
            await expect(page.locator("#trouble")).to_be_hidden()
            panel = page.locator("#facts [data-part=near] button").first
            await panel.click()  # the visit goes on where it was
            await expect(panel).to_have_attribute("aria-pressed", "true")
        (tmp_path / "data" / TOKEN_FILE).unlink()  # as on another day
        async with served(tmp_path, port=port) as (_, anew):
            await expect(page.locator("#trouble-text")).to_contain_text("lineset board")
            again = (await opened(await chromium.new_context(**PHONE), anew.url)).page
            await expect(again.locator(".system")).to_have_count(2)


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
        heads = " ".join(await page.locator(".stop h3").all_inner_texts())
        assert words[next(iter(STOPS))] in heads
        assert not [stop for stop in STOPS if stop in heads and words[stop] != stop]


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
