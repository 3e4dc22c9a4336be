"""The invented visit, step by step: what the technician's hands do, and what each step is to prove.

Everything here is invented: the house, the system, the figures. Times are visit seconds.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from bench_link import Bench, Shown

CLAMPED = ("compressor_common_current", "outdoor_fan_current", "herm_lead_current", "fan_capacitor_lead_current")
PROBED = ("capacitor_herm_voltage", "capacitor_fan_voltage")
CIRCUIT = (
    "vapor_service_pressure",
    "liquid_service_pressure",
    "vapor_line_temperature",
    "liquid_line_temperature",
    "total_superheat",
    "subcooling",
    "compression_ratio_estimate",
    "temperature_split",
    "return_air_temperature",
    "supply_air_temperature",
    "line_voltage",
    "power",
    "return_static",
    "supply_static",
)
CAPACITORS = ("herm_capacitance_under_load", "fan_capacitance_under_load", "compressor_apparent_power")
STANDING = ("vapor_service_pressure", "liquid_service_pressure", "outdoor_air_temperature", "return_air_temperature")
INDOORS = ("blower_current", "heat_strip_current.1", "heat_strip_current.2")
ON_THE_BENCH = ("herm_capacitance", "fan_capacitance")

PROMISED: dict[str, tuple[str, ...]] = {
    "at_rest": STANDING,
    "before": (*CIRCUIT, *CLAMPED, *PROBED, *CAPACITORS, *INDOORS),
    "work": ON_THE_BENCH,
    "after": (*CIRCUIT, *CLAMPED, *PROBED, *CAPACITORS, *INDOORS),
}

Say = Callable[[str], None]


class Visit:
    """Plays the visit. `say` prints a line for whoever watches; all waits are bounded."""

    def __init__(self, bench: Bench, shown: Shown, speed: float, say: Say) -> None:
        self._bench, self._shown, self._speed, self._say = bench, shown, speed, say

    async def play(self) -> None:
        """The whole visit, from opening to closing. Raises DemoError."""
        bench, shown = self._bench, self._shown
        await shown.command("visit-open", visit="spring-demo", systems=[])
        self._say("visit opened; the system is at rest, power verified off, gauges and probes on")
        await self._prove("at_rest", STANDING, 480)
        await self._declare("power_off_verified", "no_start_assist")
        # the invented technician put the gauges on before the visit was opened
        await shown.command("force-phase", phase="before", reason="gauges and thermometers were compared in the van")
        self._say("phase before")
        await self._run_and_measure("before")
        await self._phase("work")
        self._say("power off and locked out, capacitors discharged; they are measured on the bench")
        for point in ON_THE_BENCH:
            await bench.ask(do="clamp", instrument="bench", on=point)
            await self._place("bench", "capacitance", point)
            await self._prove("work", (point,), 90)
        await shown.command("place", instrument="bench", channel="capacitance", point="")
        await bench.ask(do="clamp", instrument="bench", on="released")
        self._say("the outdoor coil is washed from inside out, the filter replaced, the drain flushed")
        await bench.ask(do="clean_coil", value=1.0)
        await bench.ask(do="replace_filter", value=True)
        await shown.command("note", text="outdoor coil washed, filter replaced, drain flushed; acid cleaner rinsed off")
        await self._phase("drying")
        self._say("panels back on; the coil dries")
        await self._pass(120)
        await self._declare("panels_on", "filter_in", "outdoor_coil_dry")
        await self._start()
        await self._phase("after")
        await self._run_and_measure("after")
        self._say("all off, caps on; the visit is closed and sealed")
        await self._declare("thermostat_restored", "caps_on", "disconnect_in")
        reply = await shown.command("visit-close", reason="done")
        self._say(reply.text)

    async def _run_and_measure(self, phase: str) -> None:
        bench, shown = self._bench, self._shown
        if phase == "before":
            await self._start()
        for point in CLAMPED:
            await self._clamp("current", "ACA", point)
            await self._prove(phase, (point,), 120)
        for point in PROBED:
            await self._clamp("voltage", "ACV", point)
            await self._prove(phase, (point,), 120)
        await self._release("voltage")
        self._say("waiting for the circuit and the air side to settle")
        await self._prove(phase, (*CIRCUIT, *CAPACITORS), 1500)
        if phase == "after":
            self._say("everything is steady; charge is judged after 15 minutes of running")
            if not await shown.wait_judged(phase, "subcooling", self._real(1000)):
                self._say("subcooling was not judged in time")
        shown.keep(phase)
        self._say("outdoor unit off; indoor blower and heat strips")
        await bench.ask(do="outdoor_unit", value=False)
        await shown.wait_run(("stopped",), self._real(240))
        await self._clamp("current", "ACA", "blower_current")
        await self._prove(phase, ("blower_current",), 120)
        await bench.ask(do="strips", value=2)
        await self._pass(60)  # the sequencer takes its time
        for point in INDOORS[1:]:
            await self._clamp("current", "ACA", point)
            await self._prove(phase, (point,), 120)
        await bench.ask(do="strips", value=0)
        await self._release("current")
        await self._pass(60)
        await bench.ask(do="blower", value=False)

    async def _start(self) -> None:
        self._say("blower and outdoor unit on")
        await self._bench.ask(do="blower", value=True)
        await self._bench.ask(do="outdoor_unit", value=True)
        await self._shown.wait_run(("starting", "running"), self._real(180))

    async def _declare(self, *facts: str) -> None:
        for fact in facts:
            await self._shown.command("declare", fact=fact)

    async def _phase(self, phase: str) -> None:
        await self._shown.command("phase", phase=phase)
        self._say(f"phase {phase}")

    async def _clamp(self, channel: str, mode: str, point: str) -> None:
        """Move the one meter: first by hand, then say where it is."""
        await self._bench.ask(do="clamp", instrument="clamp", on=point, mode=mode)
        await self._place("clamp", channel, point)

    async def _place(self, instrument: str, channel: str, point: str) -> None:
        await self._shown.command("place", instrument=instrument, channel=channel, point=point)
        self._say(f"{instrument} on {point.replace('_', ' ')}")

    async def _release(self, channel: str) -> None:
        await self._shown.command("place", instrument="clamp", channel=channel, point="")
        await self._bench.ask(do="clamp", instrument="clamp", on="released")

    async def _prove(self, phase: str, names: tuple[str, ...], visit_s: float) -> None:
        missing = await self._shown.wait_settled(phase, names, self._real(visit_s))
        for name in missing:
            self._say(f"not settled in time: {name}")

    async def _pass(self, visit_s: float) -> None:
        await asyncio.sleep(visit_s / self._speed)

    def _real(self, visit_s: float) -> float:
        # a loaded machine needs a little real time whatever the demo's speed
        return visit_s / self._speed + 5.0
