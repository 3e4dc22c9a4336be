"""The technician's page in a browser: a question answered, a placement put right, cues spoken, a task skipped."""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from axe_playwright_python.async_playwright import Axe
from board_browser import LAPTOP, NEEDS_CHROMIUM, PHONE, browser, open_visit, opened, served
from playwright.async_api import expect
from station_rig import bodies, hearing, instrument, visit_journal

from lineset.station.daemon import Station
from lineset_drivers.frame import Frame, InstrumentState, Sample, State

pytestmark = [pytest.mark.system, NEEDS_CHROMIUM]
NOWHERE = "serial:///dev/no-such-port"  # readings are put into the inbox by hand
GAUGES = ("low vapor_service_pressure", "high liquid_service_pressure")
INSTRUMENTS = (
    instrument("gauges", "pressure-transducer-2ch", NOWHERE, *GAUGES)
    + instrument("power", "power-meter-1ph", f"{NOWHERE}-2", "power power", "voltage line_voltage")
).replace("channel =", 'system = "upstairs"\nchannel =') + instrument(
    "clamp", "clamp-meter-line", f"{NOWHERE}-3", more="roams = true"
)  # fmt: skip


class Readings:
    """What invented instruments of a running system read, until the block ends."""

    def __init__(self, van: Station) -> None:
        self._van = van
        self.amps = 0.0

    async def run(self) -> None:
        chance = random.Random(1)
        while True:
            self._frame("gauges", low=(120 + chance.gauss(0, 0.1), "psig"), high=(360 + chance.gauss(0, 0.2), "psig"))
            self._frame("power", power=(2500 + chance.gauss(0, 3), "W"), voltage=(240 + chance.gauss(0, 0.1), "V"))
            self._frame("clamp", current=(self.amps and self.amps + chance.gauss(0, 0.004), "A"))
            await asyncio.sleep(0.02)

    def _frame(self, which: str, **values: tuple[float, str]) -> None:
        samples = tuple(Sample(name, round(value, 2), unit) for name, (value, unit) in values.items())
        self._van.inbox.frame(Frame(which, self._van.clock.now(), b"", samples))


@asynccontextmanager
async def reading(van: Station) -> AsyncIterator[Readings]:
    readings = Readings(van)
    task = asyncio.create_task(readings.run())
    try:
        yield readings
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def test_a_question_is_answered_and_a_placement_put_right(tmp_path: Path) -> None:
    async with served(tmp_path, body=INSTRUMENTS) as (van, board), browser() as chromium:
        watched = await opened(await chromium.new_context(**PHONE), board.url)
        page = watched.page
        await open_visit(page, "asked-1")
        van.inbox.state(InstrumentState("by-eye", van.clock.now(), State.LINKED, "giving samples", battery=64.0))  # %EL
        await expect(page.locator("#instrument-list > [data-key=by-eye] p").first).to_contain_text("battery 64 %")
        async with reading(van) as readings:
            await expect(page.locator(".system").first).to_contain_text("running")
            readings.amps = 1.12
            question = page.locator("#question-list > div")
            await expect(question).to_have_count(1)
            assert await question.get_attribute("aria-label") == await question.locator("p").inner_text()
            await question.get_by_role("button", name="Upstairs: outdoor fan current").click()
            await expect(page.locator("#questions")).to_be_hidden()
            clamp = page.locator("#instrument-list > [data-key=clamp]")
            await expect(clamp.locator("p").first).to_contain_text("at outdoor fan current")

            # it was the other system's all along
            await clamp.locator("summary").click()
            await clamp.get_by_label("Where it is").select_option("downstairs/outdoor_fan_current")
            await clamp.get_by_role("button", name="It was there all along").click()
            await expect(page.locator("#said")).to_contain_text("outdoor_fan_current")
        assert (watched.foreign, watched.complaints) == ([], [])
        kept = list(bodies(visit_journal(van.config.data, "asked-1"), "answer", "placed"))
    answered = [body for _, body in kept if body["kind"] == "answer"]
    assert [(body["answer"], body["by"]) for body in answered] == [("upstairs/outdoor_fan_current", "board")]
    (first, was), (_, right) = [(n, b) for n, b in kept if b["kind"] == "placed" and b["instrument"] == "clamp"][-2:]
    assert (was["system"], right["system"], right["supersedes"]) == ("upstairs", "downstairs", first)


async def test_cues_are_spoken_by_the_page_while_it_may(tmp_path: Path) -> None:
    async with served(tmp_path) as (van, board), browser() as chromium:
        context = await chromium.new_context(**LAPTOP)
        # what the browser's voice would be given; no machine that tests needs to have one
        await context.add_init_script(
            "speechSynthesis.speak = ({ lang, text }) => { document.body.dataset.spoken = `${lang}: ${text}` }"
        )
        page = (await opened(context, board.url)).page
        await open_visit(page, "cued-1")  # its R-454B burns: a caution is said at once
        cue = page.locator("#last-cue")
        await expect(cue).to_contain_text("burns")
        body = page.locator("body")
        assert await body.get_attribute("data-spoken") is None
        await page.click("#speak")
        await expect(page.locator("#speak")).to_have_attribute("aria-pressed", "true")
        await page.click("#again")
        # looked at in one moment: the next cue may come at any
        await page.wait_for_function(
            "() => document.body.dataset.spoken === `en: ${document.querySelector('#last-cue').innerText}`"
        )
        await page.click("#speak")
        await page.evaluate("document.body.dataset.spoken = 'nothing since'")
        async with hearing(van) as ear:
            await page.click("#again")
            await ear.until(lambda: [m for m in ear.heard if "/cue/" in m.topic])
        await page.get_by_label("How much is said").select_option("quiet")  # its answer comes after the cue
        await expect(page.locator("#said")).to_contain_text("quiet")
        await expect(body).to_have_attribute("data-spoken", "nothing since")


async def test_a_task_is_skipped_with_a_reason_by_key_alone(tmp_path: Path) -> None:
    async with served(tmp_path, language="es") as (van, board), browser() as chromium:
        watched = await opened(await chromium.new_context(**LAPTOP), board.url)
        page = watched.page
        await page.get_by_role("checkbox", name="Upstairs").check()
        await page.click("#open-form button[type=submit]")  # the station makes the reference
        skip = page.locator("#sheet [data-what=skipped]:visible").first
        label = await skip.get_attribute("aria-label") or ""
        again = page.locator(f"#sheet [data-what=skipped][aria-label={label!r}]")
        dialog, note = page.locator("#skip"), page.locator("#skip [name=note]")
        await skip.press("Enter")
        await expect(dialog).to_be_visible()
        await expect(note).to_be_focused()
        await expect(page.locator("#skip-head")).to_have_text("¿Por qué se omite?")
        assert await page.locator("#skip-what").inner_text() in label
        found = await Axe().run(page, options={"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag22aa"]}})
        assert not found.violations_count, found.generate_report()
        for _ in range(5):  # focus does not leave it for the page behind
            await page.keyboard.press("Tab")
            assert await page.evaluate(
                "document.activeElement === document.body || document.activeElement.closest('#skip') !== null"
            )
        await page.keyboard.press("Escape")
        await expect(dialog).to_be_hidden()
        await expect(again).to_be_focused()
        await page.keyboard.press("Enter")
        await page.keyboard.type("   ")
        await page.keyboard.press("Enter")
        await expect(dialog).to_be_visible()  # a reason of blanks is none
        await page.keyboard.type("cerrado con llave ")
        await page.keyboard.press("Enter")
        await expect(dialog).to_be_hidden()
        await expect(again).to_be_hidden()
        assert (watched.foreign, watched.complaints) == ([], [])
        visit = van.record.visit
        marked = [body for _, body in bodies(visit_journal(van.config.data, visit), "task")]
    assert [(body["state"], body["note"]) for body in marked] == [("skipped", "cerrado con llave")]
