"""The command `lineset-bench`: starts the simulated system and instruments of a scenario and plays it."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import signal
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from lineset_simulators.rig import Rig

app = typer.Typer(rich_markup_mode=None, add_completion=True, pretty_exceptions_enable=False)

_EPILOG = (
    "Example: lineset-bench demo/scenarios/spring_visit.toml --speed 20 --out bench. "
    'Then, to the control address that is printed, one JSON object a line: {"do": "outdoor_unit", "value": true}, '
    '{"do": "clamp", "instrument": "clamp", "on": "compressor_common_current"}, {"do": "truth"}, {"do": "clock"}, '
    '{"do": "list"}, {"do": "mode", ...}, {"do": "hold", ...}, {"do": "fault", "instrument": "gauges", "kind": '
    '"silence", "times": 3}, {"do": "clear_faults", ...}, {"do": "unplug", ...}, {"do": "plug", ...}, '
    '{"do": "speed", "value": 10}. Everything simulated is invented. '
    "Exit codes: 0 ended by a signal, 1 a port could not be had, 2 the scenario cannot be played."
)


@app.command(epilog=_EPILOG)
def bench(
    scenario: Annotated[Path, typer.Argument(help="TOML file: the system, its instruments, what happens when.")],
    speed: Annotated[float, typer.Option(help="Visit seconds for each real second.", min=0.01, max=200.0)] = 1.0,
    out: Annotated[
        Path | None, typer.Option(help="Folder for bench.json and the names of the serial ports; made if needed.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print bench.json in one line instead of a list.")] = False,
) -> None:
    """Start simulated instruments on real transports, and say where each one is; ends with Ctrl-C or SIGTERM."""
    import structlog

    from lineset_simulators.scenario import ScenarioError, load  # late, so that help is quick

    structlog.configure(logger_factory=structlog.PrintLoggerFactory(sys.stderr))  # stdout is for what was asked

    try:
        plan = load(scenario)
    except ScenarioError as error:
        print(f"lineset-bench: {error}", file=sys.stderr)
        raise typer.Exit(2) from error
    folder = out or Path(tempfile.mkdtemp(prefix="lineset-bench-"))
    from lineset_simulators.rig import Rig

    try:
        folder.mkdir(parents=True, exist_ok=True)
        asyncio.run(_play(Rig(plan, folder, speed=speed), folder, as_json=as_json))
    except ValueError as error:
        print(f"lineset-bench: {scenario}: {error}", file=sys.stderr)
        raise typer.Exit(2) from error
    except OSError as error:
        print(f"lineset-bench: {error}; is the folder writable, are pseudo-terminals to be had?", file=sys.stderr)
        raise typer.Exit(1) from error
    finally:
        if out is None:
            shutil.rmtree(folder, ignore_errors=True)


async def _play(rig: Rig, folder: Path, *, as_json: bool) -> None:
    from lineset_simulators.control import ControlServer

    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    control = ControlServer(rig)
    file = folder / "bench.json"
    playing: asyncio.Task[None] | None = None
    try:
        await rig.start()
        await control.start()
        found = _description(rig, control.address)
        fresh = folder / "bench.json.new"
        fresh.write_text(json.dumps(found, indent=2) + "\n", "utf-8")
        fresh.replace(file)  # whoever waits for the file never reads half of it
        print(json.dumps(found) if as_json else _told(found), flush=True)
        playing = loop.create_task(rig.play(), name="play")
        stopping = loop.create_task(stop.wait(), name="stop")
        await asyncio.wait({playing, stopping}, return_when=asyncio.FIRST_COMPLETED)
        stopping.cancel()
        if playing.done():
            playing.result()  # raises what ended it
    finally:
        if playing is not None:
            playing.cancel()
            await asyncio.gather(playing, return_exceptions=True)
        file.unlink(missing_ok=True)
        await control.close()
        await rig.close()


def _description(rig: Rig, control: str) -> dict[str, object]:
    from lineset_simulators.control import listing

    return {
        "title": rig.scenario.title,
        "invented": True,
        "pid": os.getpid(),
        "speed": rig.speed,
        "control": control,
        "dbus": rig.bus_address,
        "refrigerant": rig.scenario.plant.refrigerant,
        "metering": rig.scenario.plant.metering,
        "instruments": listing(rig),
        "notes": rig.notes,
    }


def _told(found: dict[str, object]) -> str:
    lines = [f"{found['title']} (invented), {found['speed']:g} visit seconds a second"]
    instruments = found["instruments"]
    assert isinstance(instruments, list)
    for row in instruments:
        unit = f", unit {row['unit']}" if "unit" in row else ""
        lines.append(f"  {row['id']:<14} {row['model']:<24} {row['link']}{unit}")
    lines.append(f"  control        JSON lines               tcp://{found['control']}")
    if found["dbus"]:
        lines.append(f"  Bluetooth: run programs with DBUS_SYSTEM_BUS_ADDRESS={found['dbus']}")
    notes = found["notes"]
    assert isinstance(notes, list)
    lines += [f"  note: {note}" for note in notes]
    return "\n".join(lines)


def run() -> None:
    """Entry point of `lineset-bench`."""
    app()


if __name__ == "__main__":
    run()
