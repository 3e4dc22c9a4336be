"""The technician's page in a real browser, before a real station with its own broker: a whole visit by hand."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.async_playwright import Axe
from board_browser import LAPTOP, NEEDS_CHROMIUM, PHONE, browser, open_visit, opened, served
from playwright.async_api import Page, expect
from station_rig import bodies, visit_journal

from lineset.journal.verify import verify

pytestmark = [pytest.mark.system, NEEDS_CHROMIUM]
WCAG = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}}
# a transparent picture of one pixel (PNG), as any camera's file would come in
PIXEL = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg=="
)


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
        await expect(page.locator("[name=wants]:checked")).to_have_count(2)  # as usual: a part, and the approval
        await page.uncheck("[name=wants][value=approval]")
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

        # a part is wanted, and then it is not: both stay on record
        await expect(page.locator("#wanted li")).to_contain_text("a part is wanted")
        await page.locator("#wanted button").click()
        await expect(page.locator("#observed li").nth(1)).to_contain_text("no longer wanted")
        await expect(page.locator("#observed li").first).to_contain_text("taken back since")
        await expect(page.locator("#wanted")).to_be_hidden()

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
    seen, back = [body for body in kept if body["kind"] == "observation"]
    parts = b"".join(base64.b64decode(body["data"]) for body in kept if body["kind"] == "blob")
    assert hashlib.sha256(parts).hexdigest() == seen["photo"]
    assert seen["wants"] == ["part"]
    [seq] = [n for n, body in bodies(path, "observation") if not body.get("withdraws")]
    assert (back["withdraws"], back.get("wants")) == (seq, None)
    assert parts.startswith(b"\xff\xd8\xff")  # drawn anew as JPEG
    assert [body["phase"] for body in kept if body["kind"] == "phase"] == ["before", "work", "drying", "after"]
    assert [body["text"] for body in kept if body["kind"] == "entered"] == ["76.4 degF"]
