"""A morning of an invented shop on one machine: its broker, database, collectors and board, and three vans at work.

One van drives through a dead spot and catches up. With three broker nodes one of them is killed on the way. In the end
every entry of every van has to be in the shop's database once, and a copy of a record that somebody doctored and sealed
anew has to be found out, entry by entry.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import re
import shutil
import signal
import sys
import time
from pathlib import Path
from typing import Any

from bench_link import DemoError
from dead_spot import DeadSpot
from doctored import doctor
from processes import Processes, program, run
from van import PLANS, Van

from lineset.journal.reader import JournalReader

RECEIVED_S = 60.0
START_S = 60.0


async def shop_day(asked: argparse.Namespace) -> int:
    """Play it. The exit code: 0 when all is well, 1 when something is missing, 2 when it cannot be played."""
    out: Path = asked.out.resolve() / ("cluster" if asked.cluster else "shop")
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir(parents=True)
    begun = time.monotonic()

    def say(text: str) -> None:
        print(f"  {time.monotonic() - begun:5.0f} s  {text}", flush=True)

    processes = Processes(out)
    shop = Shop(out / "the-shop", 3 if asked.cluster else 1)
    vans = [Van(plan, out, asked.speed, asked.minutes * 60.0, say) for plan in PLANS]
    dead_spot = None
    try:
        print(f"An invented shop and three vans, {asked.speed:g} times real speed. Everything in {out}")
        await shop.make()
        running = await shop.start(processes)
        say(f"the shop runs: {', '.join(part['name'] for part in running)}")
        for van in vans:
            join = await shop.admit(van.plan.name, out)
            if van.plan.dead_spot:
                dead_spot = await led_through_a_dead_spot(join)
            await van.start(processes, join)
        board = await shop.board_address()
        print(f"\nboard of the shop:  {board}\n", flush=True)
        assert dead_spot is not None
        begun = time.monotonic()
        disturbing = asyncio.create_task(disturb(shop, dead_spot, say), name="what goes wrong")
        await asyncio.gather(*(van.play() for van in vans), disturbing)
        dead_spot.mend()
        unsettled = {van.plan.name: van.missing() for van in vans if van.missing()}
        for name, names in unsettled.items():
            print(f"did not settle at {name}: {', '.join(names)}")
        whole = await shop.received(vans, say)
        found_out = await shop.doctored(vans[0], out)
        if not asked.once:
            print("\nShop and vans keep running; stop them with Ctrl-C.")
            print(f"board of the shop:  {board}", flush=True)
            await asyncio.Event().wait()
        return 0 if whole and found_out and not unsettled else 1
    except DemoError as error:
        print(f"demo/run: {error}", file=sys.stderr)
        print(f"demo/run: see the logs in {out}", file=sys.stderr)
        return 2
    finally:
        for van in vans:
            await van.end()
        if dead_spot is not None:
            dead_spot.close()
        await processes.end()


async def disturb(shop: Shop, dead_spot: DeadSpot, say: Any) -> None:
    """The dead spot; and with a cluster, a node that is killed."""
    await asyncio.sleep(12.0)
    dead_spot.cut()
    say("van-3 drives into a dead spot: it goes on recording, the shop hears nothing of it")
    if shop.nodes > 1:
        await asyncio.sleep(4.0)
        await shop.kill_a_node(say)
        await asyncio.sleep(8.0)
    else:
        await asyncio.sleep(12.0)
    dead_spot.mend()
    say("van-3 has a signal again and catches up")


async def led_through_a_dead_spot(join: Path) -> DeadSpot:
    """Point the first address of a join file at a way that can be cut, and leave out the others."""
    text = join.read_text()
    found = re.search(r"^urls = \[.*?\]", text, re.M)
    port = re.search(r"mqtts://127\.0\.0\.1:(\d+)", text)
    if found is None or port is None:
        raise DemoError(f"{join} names no address on this machine")
    way = DeadSpot()
    join.write_text(text.replace(found[0], f'urls = ["mqtts://127.0.0.1:{await way.to(int(port[1]))}"]'))
    return way


class Shop:
    """The shop's folder, and what is asked of it by its own verbs."""

    def __init__(self, folder: Path, nodes: int) -> None:
        self.folder, self.nodes = folder, nodes
        self._env = {**os.environ, "LINESET_SHOP": str(folder)}

    async def make(self) -> None:
        await self._verb(
            "shop", "init", str(self.folder), "--name", "demo", "--nodes", str(self.nodes),
            "--host", "127.0.0.1", "--port", "0",
        )  # fmt: skip
        if self.nodes > 1:  # two collectors share the work
            settings = self.folder / "shop.toml"
            settings.write_text(re.sub(r"^count = 1\b", "count = 2", settings.read_text(), flags=re.M))

    async def start(self, processes: Processes) -> list[dict[str, Any]]:
        """Start everything; the parts that run."""
        child = await processes.start("shop", program("lineset"), "shop", "run", env=self._env)
        deadline = time.monotonic() + START_S
        while True:
            status = await self.status()
            if status["parts"] and not status["down"]:
                parts: list[dict[str, Any]] = status["parts"]
                return parts
            if child.returncode is not None or time.monotonic() > deadline:
                raise DemoError("the shop did not start; see shop.log")
            await asyncio.sleep(0.3)

    async def status(self) -> dict[str, Any]:
        _, said = await run("shop", "status", "--json", env=self._env)
        found: dict[str, Any] = json.loads(said) if said.startswith("{") else {"parts": [], "down": ["all"]}
        return found

    async def admit(self, name: str, out: Path) -> Path:
        """A join file for a van."""
        file = out / f"{name}.join"
        await self._verb("shop", "station", "add", name, "--out", str(file))
        return file

    async def board_address(self) -> str:
        said = await self._verb("shop", "token", "add", "the-demo", "--scope", "notes")
        return said.strip().rpartition(" ")[2]

    async def kill_a_node(self, say: Any) -> None:
        brokers = [part for part in (await self.status())["parts"] if part["kind"] == "broker"]
        victim = brokers[-1]
        os.kill(victim["pid"], signal.SIGKILL)
        say(f"{victim['name']} of the cluster is killed outright; vans go to the others")

    async def received(self, vans: list[Van], say: Any) -> bool:
        """Wait until the shop has every seal; then hold what it has against what the vans have."""
        deadline = time.monotonic() + RECEIVED_S
        while (status := await self.status()).get("visits") != len(vans) or status["open_visits"]:
            if time.monotonic() > deadline:
                say("the shop has not received every visit in time")
                break
            await asyncio.sleep(1.0)
        _, said = await run("audit", "--shop", "--json", env=self._env)
        audits = {audit["visit"]: audit for audit in json.loads(said)} if said.startswith("[") else {}
        print(f"\n{'van':8}{'visit':12}{'entries there':>15}{'at the shop':>13}{'audit':>8}")
        whole = True
        for van in vans:
            with JournalReader(van.journal) as reader:
                rows, seal = reader.row_count(), reader.seal()
            there = audits.get(van.plan.visit, {})
            same = seal is not None and there.get("head") == seal.head.hex() and there.get("rows") == rows
            whole &= same and there.get("outcome") == "pass"
            print(
                f"{van.plan.name:8}{van.plan.visit:12}{rows:15}{there.get('rows', 0):13}{there.get('outcome', '-'):>8}"
            )
        print("every entry of every van is at the shop, once" if whole else "SOMETHING IS MISSING")
        return whole

    async def doctored(self, van: Van, out: Path) -> bool:
        """Alter one reading in a copy of a van's record, seal it with the van's own key, and audit it."""
        copy = out / "doctored" / van.journal.name
        seq = doctor(van.journal, copy, van.data / "station.key")
        code, said = await run("audit", str(copy), "--shop", env=self._env)
        print(f"\nA copy of {van.plan.name}'s record, entry {seq} altered, sealed anew with the van's own key:")
        wrong = said[said.find("What is wrong") :].partition("\nTo be known")[0].splitlines()
        print("\n".join(f"  {line}" for line in [*said.splitlines()[:2], *wrong]))
        found_out = code == 1 and re.search(rf"\bentry {seq}\b", said) is not None
        print("found out, by its entry" if found_out else "NOT FOUND OUT")
        return found_out

    async def _verb(self, *arguments: str) -> str:
        code, said = await run(*arguments, env=self._env)
        if code:
            raise DemoError(f"lineset {' '.join(arguments)}: {said}")
        return said
