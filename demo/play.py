"""Play the invented visit: bench, station and technician, each a process or task of its own; then the table."""

from __future__ import annotations

import argparse
import asyncio
import os
import re
import shutil
import signal
import sys
import time
from collections.abc import Coroutine
from pathlib import Path
from typing import Any

from bench_link import Bench, DemoError, relay_config, station_config
from processes import HERE, START_S, Processes, appear, program, run, start_bench
from promised import until
from settled_table import findings, missing, table, verdicts
from sheet import Shown
from shop_day import shop_day
from technician import VISIT, Technician

from lineset.board.beside import read_board_file
from lineset.cli.quiet import set_up_quiet_logs
from lineset.contract.worklist import CueMessage
from lineset.stream.address import BrokerFile, read_broker_file


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="demo/run",
        description="Play one invented spring visit to a house with two systems, hands-free, to its sealed report.",
        epilog="Exit code: 0 when every promised reading settled, 1 when one is missing, 2 when it cannot be played.",
    )
    parser.add_argument("--once", action="store_true", help="end when the visit is done")
    parser.add_argument("--speed", type=float, default=20.0, help="visit seconds for each real second (default 20)")
    parser.add_argument("--out", type=Path, default=HERE / "out", help="folder for journal, logs and configuration")
    parser.add_argument(
        "--until",
        choices=("at_rest", "before", "work", "drying"),
        default="",
        help="stop at the end of this phase; go on by hand, on the board for example",
    )
    shop = parser.add_mutually_exclusive_group()
    shop.add_argument("--shop", action="store_true", help="three vans and their shop instead, all on this machine")
    shop.add_argument("--cluster", action="store_true", help="the same with three broker nodes, one of which is killed")
    parser.add_argument(
        "--minutes",
        type=float,
        default=18.0,
        help="of visit time that each van runs its system, with --shop or --cluster (default 18; charge needs 15)",
    )
    found = parser.parse_args()
    if not 5.0 <= found.minutes <= 60.0:
        parser.error("--minutes goes from 5 to 60")
    if not 1.0 <= found.speed <= 60.0:
        parser.error("--speed goes from 1 to 60")
    return found


async def play(asked: argparse.Namespace) -> int:
    out: Path = asked.out.resolve()
    for old in ("data", "bench", "upstairs", "relay", "run", "report"):
        shutil.rmtree(out / old, ignore_errors=True)
    (out / "relay.key").unlink(missing_ok=True)
    out.mkdir(parents=True, exist_ok=True)
    begun = time.monotonic()

    def say(text: str) -> None:
        visit_s = int((time.monotonic() - begun) * asked.speed)
        print(f"  {visit_s // 60:3d}:{visit_s % 60:02d}  {text}", flush=True)

    def cue(message: CueMessage) -> None:
        say(f"\N{SPEAKER} {message.text}")

    processes = Processes(out)
    env = dict(os.environ)
    tasks: list[asyncio.Task[None]] = []
    try:
        print(f"An invented spring maintenance visit, {asked.speed:g} times real speed. Logs and journal in {out}")
        described = {}
        for system, scenario, folder in (
            ("downstairs", "spring_visit", "bench"),
            ("upstairs", "upstairs", "upstairs"),
        ):
            described[system] = await start_bench(processes, scenario, folder, out, asked.speed, env)
            for note in described[system]["notes"]:
                print(f"note: {note}")
        if described["downstairs"]["dbus"]:
            env["DBUS_SYSTEM_BUS_ADDRESS"] = described["downstairs"]["dbus"]
        relay_port = await start_relay(processes, described["upstairs"], out, asked.speed, env)
        config = out / "station.toml"
        config.write_text(station_config(described, relay_port, out, asked.speed))
        child = await processes.start(
            "station", program("lineset"), "run", "--config", str(config), "--at", str(out / "run"), env=env
        )
        await appear(out / "run" / "board.json", child, out / "station.log")
        broker = read_broker_file(out / "run")
        benches = {system: Bench(description) for system, description in described.items()}
        for bench in benches.values():
            await bench.open()
        shown = Shown(broker, benches, cue)
        tasks.append(asyncio.create_task(shown.listen(), name="listen"))
        how_to_watch(broker, out)
        begun = time.monotonic()
        await Technician(benches, shown, asked.speed, say).play(asked.until)
        promised = until(asked.until)
        print()
        print(table(shown.settled, promised))
        print()
        print(verdicts(shown.verdicts))
        print(findings(shown.findings))
        lost = missing(shown.settled, promised)
        print(f"\n{shown.messages} messages heard from the broker, {shown.cues} of them cues")
        sealed = True if asked.until else await finish(out, env)
        if lost:
            print("missing: " + ", ".join("/".join(key) for key in lost))
        if not asked.once:
            print("\nThe benches and the station keep running; stop them with Ctrl-C.")
            how_to_watch(broker, out)
            await asyncio.Event().wait()
        for bench in benches.values():
            bench.close()
        return 1 if lost or not sealed else 0
    except DemoError as error:
        print(f"demo/run: {error}", file=sys.stderr)
        print(f"demo/run: see {out}/station.log and {out}/bench.log", file=sys.stderr)
        return 2
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await processes.end()


async def start_relay(
    processes: Processes, description: dict[str, Any], out: Path, speed: float, env: dict[str, str]
) -> int:
    """The relay near the second air handler; the port where it listens."""
    key = await processes.start("relay-key", program("lineset"), "relay", "--new-key", str(out / "relay.key"), env=env)
    await key.wait()
    (out / "relay.toml").write_text(relay_config(description, out, speed))
    log = out / "relay.log"
    child = await processes.start("relay", program("lineset"), "relay", "--config", str(out / "relay.toml"), env=env)
    deadline = time.monotonic() + START_S
    while not (found := re.search(r"listens on port (\d+)", log.read_text(errors="replace"))):
        if child.returncode is not None or time.monotonic() > deadline:
            raise DemoError(f"the relay did not start; the end of {log}:\n{log.read_text(errors='replace')[-2000:]}")
        await asyncio.sleep(0.05)
    return int(found[1])


async def finish(out: Path, env: dict[str, str]) -> bool:
    """Audit the sealed record, and write the report from it alone."""
    journal = out / "data" / "visits" / f"{VISIT}.journal"
    audited, said = await run("audit", str(journal), "--data", str(out / "data"), env=env)
    print("\n".join(said.splitlines()[:5]))
    reported, said = await run("report", str(journal), "--out", str(out / "report"), env=env)
    print(said.strip())
    return audited == reported == 0


def how_to_watch(broker: BrokerFile, out: Path) -> None:
    who = broker.credentials["watch"]
    host, _, port = broker.url.removeprefix("mqtt://").rpartition(":")
    print(
        f"\nboard:      {read_board_file(out / 'run').url}\n"
        f"watch:      {program('lineset')} watch --at {out / 'run'}\n"
        f"subscribe:  mosquitto_sub -h {host} -p {port} -u {who['username']} -P {who['password']} "
        f"-v -t 'lineset/v1/#'\n",
        flush=True,
    )


def main() -> int:
    asked = arguments()
    set_up_quiet_logs()  # what listens here is ours too; its log has no place between the lines of the play
    try:
        return asyncio.run(until_told(shop_day(asked) if asked.shop or asked.cluster else play(asked)))
    except (KeyboardInterrupt, asyncio.CancelledError):
        return 0


async def until_told(work: Coroutine[object, object, int]) -> int:
    """`work`, ended by SIGTERM as by Ctrl-C: its children must not go on by themselves."""
    task = asyncio.ensure_future(work)
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, task.cancel)
    return await task


if __name__ == "__main__":
    sys.exit(main())
