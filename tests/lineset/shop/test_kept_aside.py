"""What was put aside can be seen, taken out and ticked off, and stays."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

from shop_blocks import changed, sent, write_journal
from typer.testing import CliRunner

from lineset.cli.main import app as main_app
from lineset.cli.shop import app
from lineset.contract import entry as e
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
    assert json.loads(out) == {"noted": [forged["id"]], "unknown": []}
    code, out, wrong = await said(*verb, "--done", str(forged["id"]), "--done", "4711", "--by", "technician 7")
    assert (code, out.strip(), "number 4711" in wrong) == (1, "Noted: none is new", True)
    for words in (("--done", str(2**63), "--by", "x"), ("--done", str(forged["id"]), "--by", " ")):
        assert (await said(*verb, *words))[0] == 2
    _, out, _ = await said(*verb)
    assert "forged" not in out
    _, out, _ = await said(*verb, "--all")
    assert "forged" in out
    assert "technician 7" in out


async def test_a_stranger_s_words_stay_in_their_line(shop_config: ShopConfig, tmp_path: Path) -> None:
    """A record under another's name brings a name that would clear the screen and write a line of ours."""
    visit = sent(write_journal(tmp_path / "j"))
    meta = json.loads(visit.payloads[0][0])["meta"]
    false = changed(visit.payloads[0][0], meta={**meta, "station": "x\x1b[2J\nPASS  van-1/visit-1"})
    store = Store(shop_config.database("collector"), "k0")
    await store.store([visit.arrived(1, false)])
    await store.close()
    _, out, _ = await said("aside", "--folder", str(shop_config.folder))
    assert "x?[2J?PASS  van-1/visit-1" in out
    assert len(out.splitlines()) == 1


def test_a_forged_title_writes_no_line_of_the_audit(tmp_path: Path) -> None:
    title = "a\x1b[2J\nPASS  all"
    verdict = e.Checked(system="main", phase="before", name="split", title=title, state="pass", reason="")
    path = write_journal(tmp_path / "j", [(1, verdict), (2, e.Closed(by="t"))])
    out = CliRunner().invoke(main_app, ["audit", str(path), "--data", str(tmp_path)]).stdout
    assert "a?[2J?PASS  all" in out
    assert not any(line.startswith("PASS  all") for line in out.splitlines())
