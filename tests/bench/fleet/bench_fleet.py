"""A fleet of light stations against a whole shop, with kills, a partition and a full disk; then the reckoning.

    python tests/bench/fleet/bench_fleet.py [--stations 500] [--seconds 100] [--nodes 3] [--collectors 2] [--calm]

Each station replays the recorded visit (ten readings a second) into a journal under a key of its own and carries it to
the shop by the real uplink, over TLS. In turn are killed outright: a broker node, a collector, a process full of
stations, PostgreSQL; then some stations are cut off, and the database's disk is full (where this may mount a file as a
disk; said when not). In the end every entry of every station has to be in the database exactly once, and every audit
has to pass. `--calm` does without the kills, to measure. Everything is invented. Asserts no times.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import shutil
import sys
import time
from collections.abc import Callable
from pathlib import Path

from fleet_shop import DeadSpot, FleetShop
from light_stations import VISIT, Plan
from reckoning import reckon
from stations_at_work import StationsAtWork
from watched import Watched

HERE = Path(__file__).resolve().parent
RECEIVED_S = 300.0


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--stations", type=int, default=500)
    parser.add_argument("--seconds", type=float, default=100.0, help="length of each visit")
    parser.add_argument("--nodes", type=int, choices=(1, 3), default=3)
    parser.add_argument("--collectors", type=int, default=2)
    parser.add_argument("--processes", type=int, default=4, help="that the stations are spread over")
    parser.add_argument("--calm", action="store_true", help="kill nothing")
    parser.add_argument("--mosquitto", action="store_true", help="one mosquitto instead of nats-server")
    parser.add_argument("--out", type=Path, default=Path("/var/tmp/lineset-fleet"), help="folder; made anew")
    parser.add_argument("--json", action="store_true")
    return parser.parse_args()


async def play(asked: argparse.Namespace) -> int:
    out: Path = asked.out
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir(parents=True)

    def say(text: str) -> None:
        print(f"{time.monotonic() - began:6.1f} s  {text}", file=sys.stderr, flush=True)

    began = time.monotonic()
    shop = FleetShop(out / "shop", nodes=asked.nodes, collectors=asked.collectors, mosquitto=asked.mosquitto)
    work = StationsAtWork(out)
    watched = Watched(shop)
    try:
        shop.make(may_fill=not asked.calm)
        names = [f"van-{n:04}" for n in range(asked.stations)]
        shop.admit(names, out / "joins")
        brokers = "mosquitto" if asked.mosquitto else f"{asked.nodes} broker nodes"
        say(f"a shop with {brokers}, {asked.collectors} collectors, {len(names)} stations admitted")
        await shop.start()
        cut_off = await shop.way_that_can_be_cut(out / "joins", out / "joins-cut")
        begin = time.time() + 5.0 + asked.stations / 50
        for k in range(asked.processes):
            some = tuple(names[k :: asked.processes])
            joins = out / ("joins-cut" if k == asked.processes - 1 else "joins")
            plan = Plan(
                folder=str(out / "vans"), join=str(joins), stations=some, begin=begin, seconds=asked.seconds,
                told=str(out / f"told-{k}.json"),
            )  # fmt: skip
            work.start(k, plan)
        say(f"stations start; visits open within {begin - time.time():.0f} s")
        await asyncio.sleep(max(0.0, begin - time.time()))
        watched.start()
        if asked.calm:
            await asyncio.sleep(asked.seconds)
        else:
            await trouble(shop, work, cut_off, asked.seconds, begin, say)
        watched.visits_ended()
        say("visits end")
        late = await work.all_final(len(names), RECEIVED_S, say)
        watched.stop()
        say("every seal is receipted" if not late else f"{late} stations have no final receipt")
        found = await reckon(shop, out / "vans", VISIT, names, say)
        found |= watched.figures(found)
        found["late"] = late
        if asked.json:
            print(json.dumps(found, indent=2))
        else:
            for name, value in found.items():
                print(f"{name:34} {value}")
        return 0 if found["sound"] and not late else 1
    finally:
        watched.stop()
        work.end()
        await shop.stop()


async def trouble(
    shop: FleetShop, work: StationsAtWork, cut_off: DeadSpot, seconds: float, begin: float, say: Callable[[str], None]
) -> None:
    """What goes wrong, in turn, spread over the visits."""

    async def at(part: float) -> None:
        await asyncio.sleep(max(0.0, begin + part * seconds - time.time()))

    await at(0.12)
    say(f"killed: {shop.kill('broker', last=True)}")
    await at(0.28)
    say(f"killed: {shop.kill('collector')}")
    await at(0.40)
    say(f"killed: process {work.kill(0)} with a quarter of the stations; it starts again in 3 s")
    await asyncio.sleep(3.0)
    work.start_again(0)
    await at(0.55)
    say(f"killed: {shop.kill('database')}")
    await at(0.70)
    cut_off.cut()
    say("a quarter of the stations is cut off for 10 s")
    await asyncio.sleep(10.0)
    cut_off.mend()
    await at(0.85)
    if shop.fill_disk():
        say("the database's disk is full for 10 s")
        await asyncio.sleep(10.0)
        shop.empty_disk()
    else:
        say("no full disk: this machine does not let us mount a file as a disk")
    await at(1.0)


if __name__ == "__main__":
    os.environ.setdefault("PYTHONUNBUFFERED", "1")
    sys.path.insert(0, str(HERE))
    sys.exit(asyncio.run(play(arguments())))
