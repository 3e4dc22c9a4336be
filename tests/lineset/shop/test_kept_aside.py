"""What was put aside can be seen, taken out and ticked off, and stays."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

from shop_blocks import changed, sent, write_journal
from typer.testing import CliRunner

from lineset.cli.shop import app
from lineset.shop.shop_config import ShopConfig
from lineset.shop.storing import Store


async def said(*arguments: str) -> tuple[int, str, str]:
    """Exit code, output and errors of `lineset shop`, in a thread, since it runs a loop of its own."""
    result = await asyncio.to_thread(CliRunner().invoke, app, arguments)
    return result.exit_code, result.stdout, result.stderr


async def test_the_verb(shop_config: ShopConfig, tmp_path: Path) -> None:
    visit = sent(write_journal(tmp_path / "j"))
    bad = changed(visit.payloads[0][0], hash="A" * 43 + "=")
    store = Store(shop_config.database("collector"), "k0")
    for _ in range(3):
        await store.store([visit.arrived(1, bad), visit.arrived(0, b"\xff")])
    await store.close()
    verb = ("aside", "--folder", str(shop_config.folder))
    code, out, _ = await said(*verb)
    assert code == 0
    assert "van-1/visit-1, block 1, 3 times: forged" in out
    assert "a message, 3 times: unreadable" in out
    _, out, _ = await said(*verb, "--json")
    forged = next(each for each in json.loads(out) if each["reason"] == "forged")
    file = tmp_path / "message"
    code, _, _ = await said(*verb, "--save", str(forged["id"]), "--out", str(file))
    assert (code, file.read_bytes()) == (0, bad)
    code, _, wrong = await said(*verb, "--done", str(forged["id"]))
    assert (code, "--by" in wrong) == (2, True)
    code, out, _ = await said(*verb, "--done", str(forged["id"]), "--by", "technician 7", "--json")
    assert json.loads(out) == {"noted": [forged["id"]]}
    _, out, _ = await said(*verb)
    assert "forged" not in out
    _, out, _ = await said(*verb, "--all")
    assert "forged" in out
    assert "technician 7" in out
