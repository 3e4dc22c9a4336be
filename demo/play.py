"""Play the invented visit: bench, station and technician, each a process or task of its own; then the table."""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import shutil
import signal
import sys
import time
from pathlib import Path

from bench_link import Bench, DemoError, Shown, station_config
from settled_table import missing, table, verdicts
from visit import PROMISED, Visit

from lineset.stream.address import BrokerFile, read_broker_file

HERE = Path(__file__).resolve().parent
START_S = 30.0


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="demo/run",
        description="Play one invented spring maintenance visit through real drivers and a real broker.",
        epilog="Exit code: 0 when every promised reading settled, 1 when one is missing, 2 when it cannot be played.",
    )
    parser.add_argument("--once", action="store_true", help="end when the visit is done")
    parser.add_argument("--speed", type=float, default=20.0, help="visit seconds for each real second (default 20)")
    parser.add_argument("--out", type=Path, default=HERE / "out", help="folder for journal, logs and configuration")
    found = parser.parse_args()
    if not 1.0 <= found.speed <= 60.0:
        parser.error("--speed goes from 1 to 60")
    return found


class Processes:
    """The demo's children, ended in any case, last first."""

    def __init__(self, out: Path) -> None:
        self._out = out
        self._running: list[asyncio.subprocess.Process] = []

    async def start(self, name: str, *command: str, env: dict[str, str]) -> asyncio.subprocess.Process:
        log = open(self._out / f"{name}.log", "wb")  # noqa: SIM115 - handed to the child
        try:
            child = await asyncio.create_subprocess_exec(*command, stdout=log, stderr=log, env=env)
        finally:
            log.close()
        self._running.append(child)
        return child

    async def end(self) -> None:
        for child in reversed(self._running):
            if child.returncode is None:
                child.send_signal(signal.SIGTERM)
                try:
                    async with asyncio.timeout(10):
                        await child.wait()
                except TimeoutError:
                    child.kill()
                    await child.wait()


async def appear(file: Path, child: asyncio.subprocess.Process, log: Path) -> None:
    """Wait until a child has written `file`. Raises DemoError with its last words when it does not."""
    deadline = time.monotonic() + START_S
    while not file.exists():
        if child.returncode is not None or time.monotonic() > deadline:
            raise DemoError(f"it did not start; the end of {log}:\n{log.read_text(errors='replace')[-2000:]}")
        await asyncio.sleep(0.05)


def program(name: str) -> str:
    return str(Path(sys.executable).with_name(name))


async def play(asked: argparse.Namespace) -> int:
    out: Path = asked.out.resolve()
    for old in ("data", "bench", "run"):
        shutil.rmtree(out / old, ignore_errors=True)
    out.mkdir(parents=True, exist_ok=True)
    begun = time.monotonic()

    def say(text: str) -> None:
        visit_s = int((time.monotonic() - begun) * asked.speed)
        print(f"  {visit_s // 60:3d}:{visit_s % 60:02d}  {text}", flush=True)

    processes = Processes(out)
    env = dict(os.environ)
    tasks: list[asyncio.Task[None]] = []
    try:
        print(f"An invented spring maintenance visit, {asked.speed:g} times real speed. Logs and journal in {out}")
        child = await processes.start(
            "bench",
            program("lineset-bench"), str(HERE / "scenarios" / "spring_visit.toml"),
            "--speed", str(asked.speed), "--out", str(out / "bench"),
            env=env,
        )  # fmt: skip
        await appear(out / "bench" / "bench.json", child, out / "bench.log")
        description = json.loads((out / "bench" / "bench.json").read_text())
        for note in description["notes"]:
            print(f"note: {note}")
        if description["dbus"]:
            env["DBUS_SYSTEM_BUS_ADDRESS"] = description["dbus"]
        config = out / "station.toml"
        config.write_text(station_config(description, out, asked.speed))
        child = await processes.start(
            "station", program("lineset"), "run", "--config", str(config), "--at", str(out / "run"), env=env
        )
        await appear(out / "run" / "broker.json", child, out / "station.log")
        broker = read_broker_file(out / "run")
        bench = Bench(description)
        await bench.open()
        shown = Shown(broker, bench)
        tasks.append(asyncio.create_task(shown.listen(), name="listen"))
        how_to_watch(broker, out)
        begun = time.monotonic()
        await Visit(bench, shown, asked.speed, say).play()
        print()
        print(table(shown.settled, PROMISED))
        print()
        print(verdicts(shown.verdicts))
        lost = missing(shown.settled, PROMISED)
        print(f"\n{shown.messages} messages heard from the broker; journal: {out / 'data' / 'visits'}")
        if lost:
            print("missing: " + ", ".join(f"{phase}/{name}" for phase, name in lost))
        if not asked.once:
            print("\nThe bench and the station keep running; stop them with Ctrl-C.")
            how_to_watch(broker, out)
            await asyncio.Event().wait()
        bench.close()
        return 1 if lost else 0
    except DemoError as error:
        print(f"demo/run: {error}", file=sys.stderr)
        print(f"demo/run: see {out}/station.log and {out}/bench.log", file=sys.stderr)
        return 2
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await processes.end()


def how_to_watch(broker: BrokerFile, out: Path) -> None:
    who = broker.credentials["watch"]
    host, _, port = broker.url.removeprefix("mqtt://").rpartition(":")
    print(
        f"\nwatch:      {program('lineset')} watch --at {out / 'run'}\n"
        f"subscribe:  mosquitto_sub -h {host} -p {port} -u {who['username']} -P {who['password']} "
        f"-v -t 'lineset/v1/#'\n",
        flush=True,
    )


def main() -> int:
    asked = arguments()
    try:
        return asyncio.run(play(asked))
    except KeyboardInterrupt:
        return 0


if __name__ == "__main__":
    sys.exit(main())
