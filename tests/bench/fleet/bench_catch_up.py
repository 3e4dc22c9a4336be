"""A van that was offline for a day comes back: how long until the shop has every entry and the seal.

    python tests/bench/fleet/bench_catch_up.py [--hours 8] [--nodes 1] [--vans 1] [--json]

Each van's journal is written first (ten readings a second, as a day's visit), then carried over TLS to a whole shop by
the real uplink. Beside it: the same blocks handed straight to zlib, SHA-256 and JSON, which is the least that it can
cost. Everything is invented. Asserts no times.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import shutil
import sys
import time
import zlib
from pathlib import Path

import msgspec
from fleet_shop import FleetShop
from light_stations import VISIT, LightStation, Plan
from reckoning import reckon
from recorded_visit import recorded

from lineset.contract.transfer import BlockMessage
from lineset.journal.block import framed, hash_of
from lineset.journal.reader import JournalReader
from lineset.journal.visit_files import visit_path


async def play(asked: argparse.Namespace) -> int:
    out: Path = asked.out
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir(parents=True)
    shop = FleetShop(out / "shop", nodes=asked.nodes, collectors=1, mosquitto=False)
    names = [f"van-{n}" for n in range(asked.vans)]
    seconds = asked.hours * 3600.0
    try:
        shop.make(may_fill=False)
        shop.admit(names, out / "joins")
        print(f"{asked.hours:g} hours of ten readings a second are written for {asked.vans} vans", file=sys.stderr)
        rows = recorded(seconds)
        plan = Plan(
            folder=str(out / "vans"), join=str(out / "joins"), stations=tuple(names),
            begin=time.time() - seconds - 60.0, seconds=seconds, told=str(out / "told.json"),
        )  # fmt: skip
        vans = [LightStation(name, plan, rows, at, len(names)) for at, name in enumerate(names)]
        for van in vans:
            van.write_all()
        await shop.start()
        began = time.monotonic()
        await asyncio.gather(*(van.live() for van in vans))
        took = time.monotonic() - began
        path = visit_path(out / "vans" / names[0], VISIT)
        least, blocks = await asyncio.to_thread(plain_loop, path)
        found = await reckon(shop, out / "vans", VISIT, names, lambda text: print(text, file=sys.stderr))
        found = {
            "hours": asked.hours,
            "vans": asked.vans,
            "blocks of each": blocks,
            "seconds until the last final receipt": round(took, 1),
            "times real time, each van": round(seconds / took),
            "entries a second, all vans": round(int(str(found["entries"])) / took),
            "plain loop over one van's blocks, s": round(least, 1),
            "ratio to the plain loop": round(took / least / asked.vans, 1),
            "sound": found["sound"],
        }
        if asked.json:
            print(json.dumps(found, indent=2))
        else:
            for name, value in found.items():
                print(f"{name:40} {value}")
        return 0 if found["sound"] else 1
    finally:
        await shop.stop()


def plain_loop(path: Path) -> tuple[float, int]:
    """Seconds that reading, compressing, hashing and encoding the blocks takes by itself."""
    began = time.process_time()
    with JournalReader(path) as reader:
        identity, blocks = reader.identity, reader.blocks()
        rows = reader.rows()
        for block in blocks:
            data = framed([next(rows) for _ in range(block.rows)])
            assert hash_of(block, data) == block.hash
            message = BlockMessage(
                journal=identity, n=block.n, first=block.first, last=block.last, rows=block.rows, gaps=block.gaps,
                t=block.t, previous=block.previous, hash=block.hash, data=zlib.compress(data),
            )  # fmt: skip
            msgspec.json.encode(message)
    return time.process_time() - began, len(blocks)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--nodes", type=int, choices=(1, 3), default=1)
    parser.add_argument("--vans", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path("/var/tmp/lineset-catch-up"), help="folder; made anew")
    parser.add_argument("--json", action="store_true")
    sys.exit(asyncio.run(play(parser.parse_args())))
