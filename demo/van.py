"""One of the vans of the shop's demo: a bench, a station and a technician with a short invented visit."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from bench_link import Bench, DemoError, van_config
from processes import Processes, appear, program, run, start_bench
from sheet import Shown

from lineset.stream.address import read_broker_file

PROMISED = ("vapor_service_pressure", "liquid_service_pressure", "vapor_line_temperature", "power")
OVER = "the demo's short visit leaves out what the sheet still wants"


@dataclass(frozen=True)
class Sign:
    """What the technician sees: a quick observation of the catalogue, and what is wanted of the shop."""

    id: str
    wants: tuple[str, ...]


@dataclass(frozen=True)
class Plan:
    """An invented van: its name, its visit's reference, what its system is marked with, what is seen."""

    name: str
    visit: str
    nameplate: str
    signs: tuple[Sign, ...] = ()
    dead_spot: bool = False


def marked(tons: float, herm_uf: float, metering: str) -> str:
    """The description of a van's invented system."""
    return f"""
metering_device = "{metering}"
kind = "split_ac"
capacity_control = "single"
altitude_m = 190.0

[system.nameplate]  # invented, as the scenario's plant is marked
capacity_tons = {tons}
subcooling_target_f = 10.0
herm_capacitor_uf = {herm_uf}
capacitor_tolerance_pct = 6.0
"""


PLANS = (
    Plan(
        "van-1",
        "1041",
        marked(3.0, 45.0, "txv"),
        (Sign("capacitor_bulged", ("part", "approval")),),
    ),
    Plan(
        "van-2",
        "1042",
        marked(2.5, 40.0, "txv"),
        (Sign("coil_dirty", ("return_visit",)),),
    ),
    Plan("van-3", "1043", marked(2.0, 35.0, "txv"), dead_spot=True),
)


class Van:
    """Starts and plays one van; its system runs for `run_s` visit seconds. `say` prints a line for whoever watches."""

    def __init__(self, plan: Plan, out: Path, speed: float, run_s: float, say: Callable[[str], None]) -> None:
        self.plan, self.speed, self._run_s = plan, speed, run_s
        self.out = out / plan.name
        self.data = self.out / "data"
        self.journal = self.data / "visits" / f"{plan.visit}.journal"
        self._say = say
        self._listening: asyncio.Task[None] | None = None

    async def start(self, processes: Processes, join_file: Path) -> None:
        """Bench and station, joined to the shop by the file that the shop made for it."""
        plan, env = self.plan, dict(os.environ)
        self.out.mkdir(parents=True, exist_ok=True)
        scenario = plan.name.replace("-", "_")
        described = await start_bench(processes, scenario, f"{plan.name}/bench", self.out.parent, self.speed, env)
        config = self.out / "station.toml"
        config.write_text(van_config(plan.name, described, plan.nameplate, self.data, self.speed))
        code, said = await run("shop", "join", str(join_file), "--data", str(self.data), env=env)
        if code:
            raise DemoError(f"{plan.name} could not join the shop: {said}")
        runtime = self.out / "run"
        child = await processes.start(
            f"{plan.name}/station", program("lineset"), "run", "--config", str(config), "--at", str(runtime), env=env
        )
        await appear(runtime / "broker.json", child, self.out / "station.log")
        self.bench = Bench(described)
        await self.bench.open()
        self.shown = Shown(read_broker_file(runtime), {"main": self.bench}, lambda _: None)
        self._listening = asyncio.create_task(self.shown.listen(), name=f"listen to {plan.name}")

    async def play(self) -> None:
        """Open, let it run until what is promised has settled, say what was seen, close. Raises DemoError."""
        shown, plan = self.shown, self.plan
        opened = await shown.command("visit-open", visit=plan.visit, systems=[])
        self._say(f"{plan.name}: {opened.text}")
        await shown.command("force-phase", phase="before", reason=OVER)
        await self.bench.ask(do="blower", value=True)
        await self.bench.ask(do="outdoor_unit", value=True)
        await shown.wait(lambda: shown.run.get("main") == "running", self._real(240.0))
        self._say(f"{plan.name}: the system runs")
        for sign in plan.signs:
            seen = await shown.command("observe", sign=sign.id, wants=list(sign.wants), system="main")
            self._say(f"{plan.name}: {seen.text}")
        await asyncio.sleep(self._run_s / self.speed)
        await shown.wait(lambda: not self.missing(), self._real(600.0))
        await shown.command("force-phase", phase="after", reason=OVER)
        await asyncio.sleep(60.0 / self.speed)
        await self.bench.ask(do="outdoor_unit", value=False)
        await self.bench.ask(do="blower", value=False)
        closed = await shown.command("force-close", reason=OVER)
        self._say(f"{plan.name}: {closed.text}, {closed.data.get('entries')} entries")

    def missing(self) -> list[str]:
        """What is promised to settle and has not."""
        return [name for name in PROMISED if ("main", "before", name) not in self.shown.settled]

    async def end(self) -> None:
        if self._listening is not None:
            self._listening.cancel()
            await asyncio.gather(self._listening, return_exceptions=True)
            self.bench.close()

    def _real(self, visit_s: float) -> float:
        return visit_s / self.speed + 10.0
