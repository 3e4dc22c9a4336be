"""Take the pictures of the walk-through: plays the demo, looks at the board meanwhile, and at the report's first page;
then a shop's day, for its sheet.

.venv/bin/python demo/pictures.py            # writes demo/walkthrough/*.png; needs Chromium on this machine
.venv/bin/python demo/pictures.py --shop     # only the shop's
"""

from __future__ import annotations

import argparse
import asyncio
import re
import shutil
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
PICTURES = HERE / "walkthrough"
# picture -> the phase, and what the demo says when it is taken
MOMENTS = {
    "at_rest": ("at rest", r"they are compared"),
    "before": ("before", r"downstairs: clamp on HERM lead"),
    "work": ("work", r"downstairs: wash the outdoor coil"),
    "after": ("after", r"downstairs: clamp on compressor"),
}
FLAGS = (
    "--no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync"
).split()


async def main(*, only_shop: bool) -> int:
    """All pictures, or the shop's alone; the exit code."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if chromium is None:
        print("demo/pictures.py: no Chromium here; install it first", file=sys.stderr)
        return 2
    PICTURES.mkdir(exist_ok=True)
    return (0 if only_shop else await walk_through(chromium)) or await day_sheet(chromium)


async def day_sheet(chromium: str) -> int:
    """The shop's sheet while three vans are at work."""
    from playwright.async_api import async_playwright

    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o711)  # as root the database runs as another user, who has to pass here
        demo = await asyncio.create_subprocess_exec(
            sys.executable, str(HERE / "play.py"), "--shop", "--once", "--out", folder, stdout=asyncio.subprocess.PIPE
        )
        assert demo.stdout is not None
        async with async_playwright() as playwright:
            browser = await playwright.chromium.launch(executable_path=chromium, args=FLAGS)
            page = await browser.new_page(viewport={"width": 1100, "height": 760}, color_scheme="light")
            while line := (await demo.stdout.readline()).decode():
                if found := re.search(r"board of the shop:\s+(\S+)", line):
                    await page.goto(found[1])
                if "drives into a dead spot" in line:
                    await page.wait_for_timeout(4000)  # the sheet says that it is off the air
                    await page.screenshot(path=str(PICTURES / "day_sheet.png"))
            await browser.close()
        return await demo.wait()


async def walk_through(chromium: str) -> int:
    """The board by phases, and the letter."""
    from playwright.async_api import async_playwright

    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        demo = await asyncio.create_subprocess_exec(
            sys.executable, str(HERE / "play.py"), "--once", "--speed", "30", "--out", folder,
            stdout=asyncio.subprocess.PIPE,
        )  # fmt: skip
        assert demo.stdout is not None
        async with async_playwright() as playwright:
            browser = await playwright.chromium.launch(executable_path=chromium, args=FLAGS)
            page = await browser.new_page(viewport={"width": 390, "height": 844}, color_scheme="light")
            phase = "at rest"
            left = dict(MOMENTS)
            while line := (await demo.stdout.readline()).decode():
                if found := re.search(r"board:\s+(\S+)", line):
                    await page.goto(found[1])
                if found := re.search(r"  phase (\w+)", line):
                    phase = found[1]
                for name, (when, what) in list(left.items()):
                    if phase == when and re.search(what, line):
                        await page.wait_for_timeout(1500)  # the sheet comes once a second
                        await page.screenshot(path=str(PICTURES / f"{name}.png"))
                        del left[name]
            code = await demo.wait()
            await page.set_viewport_size({"width": 816, "height": 1056})
            await page.goto(next((out / "report").glob("*.html")).as_uri())
            await page.screenshot(path=str(PICTURES / "letter.png"))
            await browser.close()
    print(f"{len(MOMENTS) - len(left) + 1} pictures in {PICTURES}")
    return code or (1 if left else 0)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--shop", action="store_true", help="take only the shop's picture")
    sys.exit(asyncio.run(main(only_shop=parser.parse_args().shop)))
