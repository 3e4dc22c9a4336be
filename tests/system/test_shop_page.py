"""The shop's day sheet in a real browser, with a real broker and a real PostgreSQL behind it."""

from __future__ import annotations

import re
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import aiomqtt
import msgspec
import pytest
from axe_playwright_python.async_playwright import Axe
from board_browser import LAPTOP, NEEDS_CHROMIUM, PHONE, Watched, browser
from playwright.async_api import Browser, Page, expect
from shop_broker import PlainBroker, plain_broker
from shop_rows import Rows, rows, system
from shop_vans import Van, air

from lineset.equipment.language import all_words
from lineset.shop.board_server import board
from lineset.shop.board_tokens import add_token, revoke_token
from lineset.shop.shop_config import ShopConfig

pytestmark = [pytest.mark.system, NEEDS_CHROMIUM]
WCAG = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}}


class Shop(NamedTuple):
    config: ShopConfig
    broker: PlainBroker
    client: aiomqtt.Client
    chromium: Browser
    url: str
    token: str

    async def open(self, size: dict[str, Any], way: str = "", **more: Any) -> Watched:
        """The page in a tab of its own; the token goes by the address's fragment."""
        page = await (await self.chromium.new_context(**size, **more)).new_page()
        watched = Watched(page, f"{self.url}#")
        await page.goto(f"{self.url}#{self.token}")
        await page.wait_for_selector("body[data-ready=yes]")
        if way:
            await page.goto(f"{self.url}#{way}")
        return watched


@asynccontextmanager
async def shop(config: ShopConfig, folder: Path) -> AsyncIterator[Shop]:
    async with plain_broker(folder / "broker") as broker, browser() as chromium:
        config = broker.used_by(config)
        config = msgspec.structs.replace(config, board=msgspec.structs.replace(config.board, port=0))
        token, _ = add_token(config.folder, "front desk", ("notes",))
        async with air(broker.port) as client, board(config) as server:
            yield Shop(config, broker, client, chromium, f"http://127.0.0.1:{server.port}/", token)


async def sealed(config: ShopConfig, station: str, visit: str) -> None:
    """The last block of a visit has come, with its seal."""
    async with rows(config) as connection:
        await connection.execute(
            "UPDATE lineset.visit SET closed_at = now(), sealed_at = now() WHERE station = $1 AND visit = $2",
            station, visit,
        )  # fmt: skip


async def recorded(config: ShopConfig) -> None:
    """A visit that the database knows, and one that closed and left something over."""
    async with rows(config) as connection:
        put = Rows(connection)
        id_ = await put.visit("van-1", "spring-1", systems=[system(nameplate={"serial": "SN-4711"})])
        await put.readings(id_, "vapor_service_pressure", 900)
        await put.settled(id_, 10)
        await put.check(id_, 20, "pass")
        await put.observation(id_, 30, text="oil under the flare nut")
        old = await put.visit("van-1", "winter-9", opened=datetime.now(UTC) - timedelta(days=2), sealed=True)
        await put.observation(old, 30, sign="pan_cracked", wants=("part", "return_visit"))


LEFT_ENGLISH = (  # a verdict's reason, an invented finding's sentences, what people wrote
    "The split is above its target by more than the tolerance", "Less air than the coil needs", "Look at the filter",
    "oil under the flare nut", "a bird's nest in the cabinet", "English",
)  # fmt: skip
ENGLISH = re.compile(r"\b(the|of|and|is|are|to|with|by|has|was|at|from|since|about|for|left|this|its?)\b", re.I)
PIECES = """() => { const found = []; const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) if (walk.currentNode.parentElement.checkVisibility()) found.push(walk.currentNode.data);
  for (const each of document.querySelectorAll("[aria-label]")) found.push(each.getAttribute("aria-label"));
  return [document.title, ...found].map((text) => text.trim()).filter(Boolean); }"""


async def english_on(page: Page) -> list[str]:
    """What is still English of what a page shows: whole pieces of our catalogue, and what holds an English word."""
    told: list[str] = await page.evaluate(PIECES)
    for known in LEFT_ENGLISH:
        told = [each.replace(known, "") for each in told]
    spanish = all_words("es")
    return [each for each in told if ENGLISH.search(each) or spanish.get(each, each) != each]


async def reads_in_spanish(page: Page) -> None:
    """Everything of ours on all sheets, once the reader has chosen the language."""
    await page.select_option("#language", "es")
    await expect(page.locator("#summary")).to_contain_text("2 visitas están abiertas; 2 necesitan algo del taller")
    await expect(page.locator("#needing-rows")).to_contain_text("Aprobación y pieza: la tapa del capacitor")
    await expect(page.locator("#calibration-list")).to_contain_text(re.compile("venció el [0-9]+ de [a-z]+ de 20"))
    await expect(page.locator("#later-list")).to_contain_text("Pieza y visita de regreso")
    await expect(page.locator("#needing-rows")).to_contain_text("Muy poco aire interior (muy probable)")
    assert await english_on(page) == []
    await page.locator("#needing-rows a", has_text="van-1").click()
    await expect(page.locator("#visit-lead")).to_contain_text("Midiendo antes del trabajo; faltan alrededor de 35 min")
    await expect(page.locator("#plot-words")).to_contain_text("el último")
    for fold in await page.locator("#visit summary:visible").all():
        await fold.click()
    await expect(page.locator(".values")).to_contain_text("antes del trabajo, ")
    assert await english_on(page) == []
    await page.click("#ways a[data-way=past]")
    await expect(page.locator("#look-words")).to_have_text("2 visitas, todas las que hay.")
    assert await english_on(page) == []
    await page.select_option("#language", "en")
    await expect(page.locator("#look-words")).to_have_text("2 visits, all there are.")


async def test_a_dispatchers_day(shop_config: ShopConfig, tmp_path: Path) -> None:
    await recorded(shop_config)
    async with shop(shop_config, tmp_path) as here:
        watched = await here.open(LAPTOP)
        page = watched.page
        assert here.token not in page.url
        await expect(page.locator("#summary")).to_contain_text("No visit is open")
        await expect(page.locator("#later-list")).to_contain_text("Part and return visit: the drain pan is cracked.")

        # a visit comes, and then wants something
        van = Van(here.client, "van-1", "spring-1")
        await van.on_the_air()
        await van.tell()
        row = page.locator("#going-rows tr")
        await expect(row).to_contain_text("Measuring before the work; about 35 minutes left.")
        await expect(row).to_contain_text("31 of 44 lines of the sheet done")
        await page.focus("#going-rows a")
        await van.want(655)
        await expect(page.locator("#needing-head")).to_have_text("1 visit needs something of the shop")
        needing = page.locator("#needing-rows tr")
        await expect(needing).to_contain_text("Approval and part: the capacitor's top is bulged.")
        await expect(page.locator("#news")).to_contain_text("van-1, job spring-1. Approval and part")
        await expect(page.locator("#going")).to_be_hidden()
        await expect(page.locator("#needing-rows a")).to_be_focused()  # it moved, and a hand's place with it
        await van.tell(wanted=())  # taken back, and then asked for after all
        await expect(page.locator("#going-rows a")).to_be_focused()
        assert await page.locator("#needing").is_hidden()
        await expect(page.locator("#summary")).to_have_text("1 visit is open, and nobody needs anything.")
        await van.want(655)
        await expect(needing).to_contain_text("Approval and part: the capacitor's top is bulged.")

        # a station with an open visit has not been heard of for long; another's instrument is past its date
        silent = Van(here.client, "van-2", "spring-2")
        long_ago = time.time() - 40 * 60
        await silent.on_the_air(False, t=long_ago)
        silent.visit = msgspec.structs.replace(silent.visit, t=long_ago)
        await silent._say(silent.topics.visit("spring-2"), silent.visit)
        await van.instrument("gauges", (datetime.now(UTC).date() - timedelta(days=3)).isoformat())
        await page.reload()  # a late comer learns all of it from what the broker keeps
        await expect(page.locator("#silent-list li")).to_contain_text("van-2 has been silent for 40 minutes")
        await expect(page.locator("#calibration-list li")).to_contain_text("gauges of van-1: calibration ran out")
        await expect(page.locator("#summary")).to_contain_text("1 station is silent too long")
        await van.on_the_air()

        found = await Axe().run(page, options=WCAG)
        assert not found.violations_count, found.generate_report()
        await expect(page.locator("#narrow input")).to_be_visible()
        await page.fill("#narrow input", "SPRING-2")
        await expect(page.locator("#needing-rows tr")).to_have_count(1)
        await page.fill("#narrow input", "nobody")
        await expect(page.locator("#none")).to_have_text("No open visit fits.")
        await page.fill("#narrow input", "")
        await expect(page.locator("#needing-rows tr")).to_have_count(2)

        # one click deeper: verdicts, settled values, a plot that goes on live, what was written
        await van.judged()
        await page.locator("#needing-rows a", has_text="van-1").click()
        await expect(page.locator("#head")).to_have_text("van-1, job spring-1")
        await expect(page.locator(".system [data-part=checks]")).to_contain_text(
            "Air temperature split 24.1 degF: outside"
        )
        await expect(page.locator(".system [data-part=findings]")).to_contain_text("Too little indoor air")
        await expect(page.locator("#seen")).to_contain_text("oil under the flare nut")
        await van.observe(700, "a bird's nest in the cabinet")
        await expect(page.locator("#seen")).to_contain_text("a bird's nest in the cabinet")
        await expect(page.locator("#plot canvas")).to_be_visible()
        await expect(page.locator("#plot-words")).to_contain_text("psig")
        before = await page.inner_text("#plot-words")
        await van.now(131.7)
        await expect(page.locator("#plot-words")).to_contain_text("last 131.7")
        assert before != await page.inner_text("#plot-words")
        await page.locator("summary", has_text="settled value").click()
        await expect(page.locator(".values")).to_contain_text("11.5 +/- 2.1 degF")
        found = await Axe().run(page, options=WCAG)
        assert not found.violations_count, found.generate_report()
        # in another language
        await page.click("#ways a[data-way=day]")
        await reads_in_spanish(page)
        await page.goto(f"{here.url}#/visit/van-1/spring-1")
        # it ends: what it wanted is left over; its seal comes while somebody looks
        await expect(page.locator("#record-words")).to_contain_text("The visit goes on.")
        await van.tell(state="closed")
        await expect(page.locator("#visit-lead")).to_have_text("Closed.")
        await page.click("#ways a[data-way=day]")
        await expect(page.locator("#later-list li", has_text="spring-1")).to_contain_text("Approval and part")
        await expect(page.locator("#needing-rows tr")).to_have_count(1)
        await page.goto(f"{here.url}#/visit/van-1/spring-1")
        await expect(page.locator("#record-words")).to_contain_text("blocks")
        assert "Sealed" not in await page.inner_text("#record-words")
        await sealed(here.config, "van-1", "spring-1")
        await van.clear()  # as a station does once it has the receipt
        await expect(page.locator("#record-words")).to_contain_text("Sealed; the seal came")
        assert (watched.foreign, watched.complaints) == ([], [])


async def test_what_is_past_who_has_gone_silent_and_who_may_read(shop_config: ShopConfig, tmp_path: Path) -> None:
    await recorded(shop_config)
    async with shop(shop_config, tmp_path) as here:
        watched = await here.open(PHONE, "/past", color_scheme="dark")
        page = watched.page
        await expect(page.locator("#found-rows tr")).to_have_count(2)
        await page.fill("#look [name=system]", "4711")
        await page.keyboard.press("Enter")
        await expect(page.locator("#look-words")).to_have_text("1 visit.")
        await expect(page.locator("#found-rows tr")).to_contain_text("van-1, job spring-1")
        await page.fill("#look [name=system]", "")
        await page.fill("#look [name=to]", (datetime.now(UTC) - timedelta(days=1)).date().isoformat())
        await page.keyboard.press("Enter")
        await expect(page.locator("#found-rows tr")).to_contain_text("closed and sealed")
        await expect(page.locator("#look-words")).to_have_text("1 visit.")
        found = await Axe().run(page, options=WCAG)
        assert not found.violations_count, found.generate_report()
        assert await page.evaluate("document.documentElement.scrollWidth") <= PHONE["viewport"]["width"]
        small = await page.evaluate(
            "[...document.querySelectorAll('a, button, input, select, summary')].filter(e => e.checkVisibility()"
            " && !e.closest('.skip') && !e.matches('.skip')).map(e => [e.outerHTML.slice(0, 80), "
            "e.getBoundingClientRect().height]).filter(([, height]) => height < 44)"
        )
        assert small == []
        for _ in range(40):
            await page.keyboard.press("Tab")
            if await page.evaluate("document.activeElement.matches('#found-rows a')"):
                break
        await page.keyboard.press("Enter")
        await expect(page.locator("#visit-lead")).to_contain_text("Closed")
        await expect(page.locator("#visit-wants")).to_contain_text("the drain pan is cracked")
        assert (watched.foreign, watched.complaints) == ([], [])

        # a van goes off the air with a visit open, and time goes by
        page = await (await here.chromium.new_context(**LAPTOP)).new_page()
        await page.clock.install()
        van = Van(here.client, "van-4", "spring-4")
        await van.on_the_air()
        await van.tell()
        await page.goto(f"{here.url}#{here.token}")
        await expect(page.locator("#going-rows tr")).to_have_count(1)
        await van.on_the_air(False)
        await expect(page.locator("#going-rows tr")).to_contain_text("off the air at the moment")
        await page.clock.fast_forward("20:00")
        await expect(page.locator("#silent-list")).to_contain_text("van-4 has been silent for 20 minutes")
        await expect(page.locator("#needing-rows tr")).to_contain_text("Last heard of: measuring before the work.")

        # without the right to notes nothing that was written is shown
        plain, _ = add_token(here.config.folder, "yard", ())
        page = await (await here.chromium.new_context(**LAPTOP)).new_page()
        await page.goto(f"{here.url}#{plain}")
        await page.wait_for_selector("body[data-ready=yes]")
        await page.goto(f"{here.url}#/visit/van-1/spring-1")
        await expect(page.locator("#record-words")).to_contain_text("entries are held")
        await expect(page.locator("#plot canvas")).to_be_visible()
        await expect(page.locator("#seen")).to_be_hidden()
        await expect(page.locator("#report")).to_be_hidden()
        assert "flare nut" not in await page.inner_text("body")


async def test_a_token_that_does_not_hold_opens_nothing(shop_config: ShopConfig, tmp_path: Path) -> None:
    spanish = msgspec.structs.replace(shop_config, shop=msgspec.structs.replace(shop_config.shop, language="es"))
    async with shop(spanish, tmp_path) as here:
        page = await (await here.chromium.new_context(**PHONE)).new_page()
        await page.goto(f"{here.url}#wrong")
        await expect(page.locator("#login-why")).to_contain_text("no se conoce, se revocó o venció")
        assert await page.get_attribute("html", "lang") == "es"
        assert await english_on(page) == []
        assert await page.get_attribute("body", "data-ready") == "no"
        await page.fill("#login-form input", here.token)
        await page.keyboard.press("Enter")
        await page.wait_for_selector("body[data-ready=yes]")
        await expect(page.locator("#login")).to_be_hidden()
        # a token that is taken back closes what is open with it
        revoke_token(here.config.folder, "front desk")
        await expect(page.locator("#login-why")).to_contain_text("La clave ya no vale")
        await expect(page.locator("#day")).to_be_hidden()


async def test_the_sheet_comes_back_after_the_broker_and_after_the_server(
    shop_config: ShopConfig, tmp_path: Path
) -> None:
    async with plain_broker(tmp_path / "broker") as broker, browser() as chromium:
        config = broker.used_by(shop_config)
        config = msgspec.structs.replace(config, board=msgspec.structs.replace(config.board, port=0))
        token, _ = add_token(config.folder, "desk", ())
        async with board(config) as server, air(broker.port) as client:
            port = server.port
            for name in ("van-1", "van-2"):
                van = Van(client, name, "spring-1")
                await van.on_the_air()
                await van.tell()
            page = await (await chromium.new_context(**LAPTOP)).new_page()
            await page.goto(f"http://127.0.0.1:{port}/#{token}")
            await expect(page.locator("#going-rows tr")).to_have_count(2)
            await broker.kill()
            await expect(page.locator("#link")).to_contain_text("No connection")
            await expect(page.locator("#going-rows tr")).to_have_count(2)  # what was shown stays
        await broker.up()
        async with air(broker.port) as client:
            await Van(client, "van-2", "spring-1").clear()  # while nobody listens
            config = msgspec.structs.replace(config, board=msgspec.structs.replace(config.board, port=port))
            async with board(config):
                await expect(page.locator("#link")).to_have_text("Connected.")
                await expect(page.locator("#going-rows tr")).to_have_count(1)
                await Van(client, "van-3", "spring-3").tell()
                await expect(page.locator("#going-rows tr")).to_have_count(2)
