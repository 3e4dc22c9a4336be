"""The examples for strangers at a shop, as printed: mosquitto_sub over TLS, the panels' SQL, and what neither tells."""

from __future__ import annotations

import json
import re
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from example_blocks import EXAMPLES, line_with, printed, shell
from shop_blocks import WALL_NS, sent, write_journal
from shop_rig import admitted, running_broker

from lineset.assess.finding import NOTHING_FOUND
from lineset.contract import entry as e
from lineset.contract.example import EXAMPLES as MODELS
from lineset.contract.live import StationMessage, VisitMessage, encode
from lineset.contract.topic_kind import KINDS
from lineset.contract.worklist import ObservationMessage
from lineset.equipment.system import SystemRecord
from lineset.shop.database import connected
from lineset.shop.shop_config import ShopConfig
from lineset.shop.storing import Store
from lineset.stream.link import connect, disconnect

NEEDS_MOSQUITTO_SUB = pytest.mark.skipif(shutil.which("mosquitto_sub") is None, reason="no mosquitto_sub here")
NEEDS_PSQL = pytest.mark.skipif(shutil.which("psql") is None, reason="no psql here")
FROM, TO = datetime(2026, 1, 1, tzinfo=UTC), datetime(2026, 12, 31, tzinfo=UTC)
WORDS = "the key is under the mat"
PATH = "/dev/serial/by-id/4711"
MAIN = SystemRecord(id="main", refrigerant="R-410A")
OPENED = e.Opened(
    station="van-1", visit="visit-1", wall_ns=WALL_NS, version="0", fingerprint="test", systems=(MAIN,),
    technician=WORDS, config={"text": PATH},
)  # fmt: skip


@NEEDS_MOSQUITTO_SUB
async def test_mosquitto_sub_hears_the_shops_stations_over_tls_and_not_what_people_wrote(
    shop_config: ShopConfig, tmp_path: Path
) -> None:
    home = tmp_path / "home"
    home.mkdir()
    async with running_broker(shop_config) as supervisor:
        (join,) = await admitted(supervisor, "van-1")
        van = await connect(join.addresses()[0], "van-1-test")
        base = "lineset/v1/north/van-1"
        ((_, set_up),) = printed("shop")
        async with shell(set_up, home, LINESET_SHOP=str(shop_config.folder)) as process:
            _, said = await process.communicate()
            assert process.returncode == 0, said.decode()
        assert (home / ".config" / "mosquitto_sub").stat().st_mode & 0o077 == 0
        for words, commands in printed("shop listens"):
            await van.publish(f"{base}/station", encode(example(StationMessage)), qos=1, retain=True)
            await van.publish(f"{base}/visit/v-1", encode(example(VisitMessage)), qos=1, retain=True)
            async with shell(commands, home) as process:
                topic, _, payload = (await line_with(process, words)).partition(" ")
                assert topic == f"{base}/visit/v-1"
                assert json.loads(payload)["visit"]
        # a listener who asks for everything is not told what people wrote
        async with shell("mosquitto_sub -q 1 -v -t 'lineset/v1/north/#'", home) as process:
            await line_with(process, "/visit/v-1")
            await van.publish(f"{base}/visit/v-1/observation/7", encode(example(ObservationMessage)), qos=1)
            await van.publish(f"{base}/visit/v-2", encode(example(VisitMessage)), qos=1)
            heard = await line_with(process, "/")
            while "/visit/v-2" not in heard:
                assert "/observation/" not in heard
                heard = await line_with(process, "/")
        await disconnect(van)


def example(model: type) -> Any:
    return MODELS[model]


def rows() -> list[tuple[float, e.AnyBody]]:
    """Six superheats of 6 K and six of 7 K within the first and second ten seconds of visit time; words of people."""
    found: list[tuple[float, e.AnyBody]] = [
        (0.1, OPENED),  # no station writes a second one; what it holds is to stay out of sight all the same
        (0.5, e.Phased(phase="before", by="t", reason=WORDS)),
    ]
    found += [(1 + n, e.Derived(system="main", values={"total_superheat": (6.0, 0.2)})) for n in range(6)]
    found += [(11 + n, e.Derived(system="main", values={"total_superheat": (7.0, 0.2)})) for n in range(6)]
    found += [
        (20, verdict("fail")),
        (21, verdict("pass")),
        (22, e.Finding(system="main", phase="before", id="f", title="little air", state="open", rank=1)),
        (22, e.Finding(system="main", phase="after", id=NOTHING_FOUND, title="no fault", state="open")),
        (22, verdict("advisory", "volts")),
        (23, e.Observed(system="main", text=WORDS, by="t")),
        (24, e.Marked(system="main", task="wash_outdoor_coil", state="skipped", note=WORDS, by="t")),
        (25, e.RefrigerantHandled(system="main", action="added", certified=WORDS, note=WORDS)),
        (26, e.Amended(record=MAIN, keys=("title",))),
        (27, e.Noted(text=WORDS, by="t")),
        (28, e.Commanded(request="r", verb="note", args={"text": WORDS}, actor="t")),
    ]
    return found


def verdict(state: str, name: str = "superheat") -> e.Checked:
    return e.Checked(system="main", phase="before", name=name, title=name, state=state, reason="r")


@pytest.fixture
async def stored(shop_config: ShopConfig, tmp_path: Path) -> ShopConfig:
    """A shop that has one visit of these rows, still open."""
    store = Store(shop_config.database("collector"), "c1")
    visit = sent(write_journal(tmp_path / "j", rows(), sealed=False, block_rows=5))
    receipts = (await store.store([visit.arrived(*each) for each in visit.all])).receipts
    assert all(not receipt.problem for receipt in receipts.values())
    await store.close()
    return shop_config


def panels() -> dict[str, str]:
    text = (EXAMPLES / "panels.sql").read_text()
    return {
        title.strip(): statement
        for title, statement in re.findall(r"-- panel: ([^\n]+)\n(.*?);", text, re.DOTALL)
    }  # fmt: skip


async def test_every_panel_runs_with_the_boards_rights_and_tells_what_is_there(stored: ShopConfig) -> None:
    found: dict[str, list[Any]] = {}
    async with connected(stored.database("board")) as connection:
        for title, statement in panels().items():
            if ":'from'" in statement:
                asked = statement.replace(":'from'", "$1").replace(":'to'", "$2")
                found[title.split()[0]] = await connection.fetch(asked, FROM, TO)
            else:
                found[title.split()[0]] = await connection.fetch(statement)
    assert len(found) == len(panels()) == 7
    # WALL_NS is 2026-09-21 14:13:20 UTC (date -ud @1790000000), so that ten-second bins begin with the visit
    begin = WALL_NS / 1e9
    superheat = [(row["time"].timestamp() - begin, row["metric"], float(row["value"])) for row in found["total"]]
    assert superheat == [(0.0, "van-1 main", 10.8), (10.0, "van-1 main", 12.6)]  # 6 K and 7 K, times 1.8
    told = [(row["title"], row["pass"], row["fail"], row["advisory"]) for row in found["verdicts"]]
    assert told == [("superheat", 1, 0, 0), ("volts", 0, 0, 1)]  # the last one of each stands
    assert [(row["title"], row["systems"]) for row in found["what"]] == [("little air", 1)]
    (open_,) = found["open"]
    assert (open_["station"], open_["visit"], open_["phase"]) == ("van-1", "visit-1", "before")
    assert 0 <= open_["silent_s"] < 60
    assert sum(row["value"] for row in found["entries"]) > 15


def test_the_table_of_topics_is_the_contracts() -> None:
    patterns = {kind.pattern: kind.retained for kind in KINDS.values()}
    told = {}
    text = (EXAMPLES / "README.md").read_text()
    for names, kept in re.findall(r"^\| (`[^|]+`) \| (yes|no) \|", text, re.MULTILINE):
        first, *more = re.findall(r"`([^`]+)`", names)
        above = "/".join(first.split("/")[:-2])
        for name in (first, *(each.replace("...", above) for each in more)):
            told[name] = kept == "yes"
    assert len(told) >= 11
    assert told.items() <= patterns.items()


@NEEDS_PSQL
async def test_psql_runs_the_panels_as_printed(stored: ShopConfig, tmp_path: Path) -> None:
    home = tmp_path / "home"
    home.mkdir()
    ((_, commands),) = printed("database")
    async with shell(commands, home, LINESET_SHOP=str(stored.folder), LINESET_EXAMPLES=str(EXAMPLES)) as process:
        out, err = await process.communicate()
    assert (process.returncode, err.decode()) == (0, "")
    assert "van-1 main|10.80" in out.decode()
    assert out.decode().count(" row") == len(panels())
    assert (home / ".pgpass").stat().st_mode & 0o077 == 0


async def test_the_boards_role_gets_at_nothing_that_people_wrote(stored: ShopConfig) -> None:
    async with connected(stored.database("auditor")) as connection:
        assert WORDS in str(await connection.fetch("SELECT body FROM lineset.event"))  # it is there
    async with connected(stored.database("board")) as connection:
        events = await connection.fetch("SELECT kind, body FROM lineset.event_for_board")
        wanted = await connection.fetch("SELECT * FROM lineset.wanted")
    assert {"phase", "task", "refrigerant", "amended", "note", "command", "opened"} <= {row["kind"] for row in events}
    assert WORDS not in str(events)
    assert PATH not in str(events)
    assert wanted
    assert WORDS not in str(wanted)
    told = {row["kind"]: json.loads(row["body"]) for row in events if row["body"] is not None}
    assert told["task"]["task"] == "wash_outdoor_coil"  # what happened is told
    assert told["refrigerant"]["action"] == "added"
