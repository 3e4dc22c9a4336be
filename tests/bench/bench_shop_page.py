"""The shop's day sheet with many live visits, in a real browser over a real broker: time to use, cost an update.

Prints; asserts nothing. "Interactive" is when every visit is on the sheet and the page has answered a key in the field
above it. Where the time goes until then is told in steps, each from the moment at which the page was asked for, with
nothing of it kept by the browser; browser, server, broker and the bench itself share the machine. No database is there,
so nothing of what hangs below the live sheet is. An update's latency runs from the van's publish to the changed words
in the document, its cost is what the page's main thread spent on it (script, style, layout, paint), from the browser's
own counters.

    python tests/bench/bench_shop_page.py [--visits 500] [--rate 50] [--seconds 10] [--json]
"""

from __future__ import annotations

import argparse
import asyncio
import json
import random
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import msgspec
from board_browser import LAPTOP, browser
from playwright.async_api import Browser, CDPSession, Page
from shop_broker import plain_broker
from shop_vans import Van, air, fleet

from lineset.shop.board_server import board
from lineset.shop.board_tokens import add_token
from lineset.shop.settings_text import settings_text
from lineset.shop.shop_config import BrokerSettings, ShopConfig, ShopPart, load_shop
from lineset.shop.shop_secrets import make_secrets, usernames

ALL_THERE = "visits => document.querySelectorAll('.sheet tbody tr').length >= visits ? performance.now() : false"
SAID = "words => [...document.querySelectorAll('.sheet tbody tr')].some(row => row.textContent.includes(words))"
# the longest that the page did not answer: between two frames
GAPS = """() => { let last = performance.now(); window.worstGap = 0; const step = (now) => {
  window.worstGap = Math.max(window.worstGap, now - last); last = now; requestAnimationFrame(step); };
  requestAnimationFrame(step); }"""
# what the page and the browser note of how far they have come, s
STEPS = """() => { const asked = performance.getEntriesByType("navigation")[0];
  const ended = (end) => performance.getEntriesByType("resource").find((each) => each.name.endsWith(end)).responseEnd;
  const found = { "the page is here": asked.responseEnd, "its script is here": ended("js/page.js") };
  for (const each of performance.getEntriesByType("mark")) found[each.name] = each.startTime;
  return found; }"""
COSTS = ("TaskDuration", "ScriptDuration", "LayoutDuration", "RecalcStyleDuration")


async def interactive(chromium: Browser, url: str, visits: int) -> tuple[Page, dict[str, float], dict[str, float]]:
    """A new page, nothing cached; after how many seconds it had come how far, last, that it could be used.

    And the CPU seconds of its main thread until all visits were shown, which other work on the machine does not change.
    """
    page = await (await chromium.new_context(**LAPTOP)).new_page()
    session = await page.context.new_cdp_session(page)
    await session.send("Performance.enable", {"timeDomain": "threadTicks"})
    await page.goto(url, wait_until="commit")
    found = await page.wait_for_function(ALL_THERE, arg=visits, polling="raf")
    spent = await costs(session)
    await session.detach()
    await page.locator("#narrow input").press("x")
    await page.locator("#narrow input").press("Backspace")
    await page.wait_for_function(ALL_THERE, arg=visits, polling="raf")
    now = await page.evaluate("performance.now()")
    steps = {**await page.evaluate(STEPS), "all visits are shown": await found.json_value(), "a key is answered": now}
    return page, {name: took / 1000.0 for name, took in sorted(steps.items(), key=lambda step: float(step[1]))}, spent


async def costs(session: CDPSession) -> dict[str, float]:
    told = await session.send("Performance.getMetrics")
    found = {each["name"]: each["value"] for each in told["metrics"]}
    return {name: found[name] for name in COSTS}


async def updates(page: Page, vans: list[Van], rate: float, seconds: float) -> dict[str, Any]:
    """What a steady stream of changed visits costs."""
    session = await page.context.new_cdp_session(page)
    await session.send("Performance.enable")
    await page.evaluate(GAPS)
    dice = random.Random(7)
    before, count, start = await costs(session), 0, time.monotonic()
    while time.monotonic() - start < seconds:
        van = dice.choice(vans)
        await van.tell(minutes_left=max(1.0, van.visit.minutes_left - 1.0), progress={"upstairs": (count % 44, 44)})
        if count % 25 == 0:
            await van.want(5000 + count, count)
        count += 1
        await asyncio.sleep(max(0.0, start + count / rate - time.monotonic()))
    await asyncio.sleep(0.5)
    after = await costs(session)
    return {
        "updates": count,
        "main_thread_ms_an_update": 1000.0 * (after["TaskDuration"] - before["TaskDuration"]) / count,
        "script_ms_an_update": 1000.0 * (after["ScriptDuration"] - before["ScriptDuration"]) / count,
        "worst_gap_between_frames_ms": await page.evaluate("window.worstGap"),
    }


async def latency(page: Page, vans: list[Van], times: int) -> list[float]:
    """ms from a van's publish to its words in the document."""
    found = []
    for n in range(times):
        van, words = vans[(n * 37) % len(vans)], f"{n + 1} of {1000 + n} lines"
        seen = asyncio.create_task(page.wait_for_function(SAID, arg=words, polling="raf"))
        await asyncio.sleep(0.15)
        start = time.perf_counter()
        await van.tell(progress={"upstairs": (n + 1, 1000 + n)})
        await seen
        found.append(1000.0 * (time.perf_counter() - start))
    return found


def make_folder(folder: Path) -> ShopConfig:
    """A shop without a database: the live sheet needs none."""
    (folder / "secrets").mkdir(parents=True, mode=0o700)
    broker = BrokerSettings(embedded=False, kind="none", urls=("mqtt://127.0.0.1:1",))
    (folder / "shop.toml").write_text(settings_text(ShopConfig(shop=ShopPart(name="north"), broker=broker)))
    make_secrets(folder, usernames())
    return load_shop(folder)


async def measure(visits: int, rate: float, seconds: float) -> dict[str, Any]:
    with tempfile.TemporaryDirectory(prefix="lineset-bench-") as place:
        folder = Path(place)
        async with plain_broker(folder / "broker") as broker, browser() as chromium, air(broker.port) as client:
            config = broker.used_by(make_folder(folder / "shop"))
            config = msgspec.structs.replace(config, board=msgspec.structs.replace(config.board, port=0))
            token, _ = add_token(config.folder, "bench", ())
            vans = await fleet(client, visits)
            async with board(config) as server:
                url = f"http://127.0.0.1:{server.port}/#{token}"
                opened = [await interactive(chromium, url, visits) for _ in range(5)]
                for page, *_ in opened[:-1]:
                    await page.context.close()
                page = opened[-1][0]
                streamed = await updates(page, vans, rate, seconds)
                late = await latency(page, vans, 30)
    return {
        "visits": visits,
        "interactive_s": [steps["a key is answered"] for _, steps, _ in opened],
        "steps_s": {name: statistics.median(steps[name] for _, steps, _ in opened) for name in opened[0][1]},
        "main_thread_cpu_s": {name: statistics.median(spent[name] for *_, spent in opened) for name in COSTS},
        **streamed,
        "latency_ms_p50": statistics.median(late),
        "latency_ms_p95": sorted(late)[int(0.95 * len(late))],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--visits", type=int, default=500)
    parser.add_argument("--rate", type=float, default=50.0, help="changed visits a second")
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    found = asyncio.run(measure(given.visits, given.rate, given.seconds))
    if given.json:
        print(json.dumps(found, indent=2))
        return
    took = ", ".join(f"{each:.2f}" for each in found["interactive_s"])
    cost, script = found["main_thread_ms_an_update"], found["script_ms_an_update"]
    p50, p95 = found["latency_ms_p50"], found["latency_ms_p95"]
    print(f"{found['visits']} visits on the sheet")
    print(f"  interactive after        {took} s (goal 1); of that, median s at which")
    for step, at in found["steps_s"].items():
        print(f"    {step:<29}{at:.3f}")
    task, *rest = (1000.0 * found["main_thread_cpu_s"][name] for name in COSTS)
    print(
        f"  its main thread's CPU    {task:.0f} ms until all are shown: script {rest[0]:.0f}, layout {rest[1]:.0f}, "
        f"style {rest[2]:.0f}; parsing, paint and the rest {task - sum(rest):.0f}"
    )
    print(f"  an update, main thread   {cost:.2f} ms, of that script {script:.2f}")
    print(f"  publish to words         p50 {p50:.0f} ms, p95 {p95:.0f} (goal 100)")
    print(f"  worst gap between frames {found['worst_gap_between_frames_ms']:.0f} ms, {found['updates']} updates")


if __name__ == "__main__":
    main()
