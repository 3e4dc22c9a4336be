"""The invented technician: does what the sheet says, with the hands of the bench, until the visit is sealed.

Nothing here places a clamp: the hands put it on a wire, and the station tells by its amps which one that is, or asks.
Everything is invented: the house, the systems, the figures. Times are visit seconds unless they say otherwise.
"""

from __future__ import annotations

import asyncio
import base64
import hashlib
import struct
import zlib
from collections.abc import Callable

from bench_link import Bench, DemoError
from sheet import Shown

from lineset.contract.worklist import WorklistItem
from lineset.equipment.display import shown as displayed
from lineset.equipment.points import POINTS
from lineset_drivers.quantity import Quantity

VISIT = "spring-demo"
COOLING_FIRST = ("heat_strip_current", "heat_strip_feed_current", "blower_current")  # read when the unit is off again
OPEN = frozenset({"todo", "settling", "questioned", "hunting", "doing"})
FACTS_AFTER_WORK = ("panels_on", "filter_in", "outdoor_coil_dry", "indoor_coil_dry")
LEAVING = ("thermostat_restored", "caps_on", "disconnect_in")

Say = Callable[[str], None]


class Technician:
    """Plays the visit. `say` prints a line for whoever watches; all waits are bounded."""

    def __init__(self, benches: dict[str, Bench], shown: Shown, speed: float, say: Say) -> None:
        self._benches, self._shown, self._speed, self._say = benches, shown, speed, say
        self.phase = "at_rest"

    async def play(self, until: str = "") -> None:
        """The whole visit, from opening to closing, or to the end of a phase. Raises DemoError."""
        shown = self._shown
        await shown.command("visit-open", visit=VISIT, systems=[])
        await shown.wait(lambda: set(shown.sheets) == set(self._benches), 10.0)
        self._say("visit opened on two systems; both stand, the power is proved off and locked out")
        for phase, part in (
            ("at_rest", self._rest),
            ("before", self._before),
            ("work", self._work),
            ("drying", self._dry),
            ("after", self._after),
        ):
            if phase != "at_rest":
                await self._go_on(phase)
            await part()
            if phase == until:
                self._say(f"the demo's technician stops here, at the end of {phase.replace('_', ' ')}")
                return
        await self._close()

    async def _before(self) -> None:
        for system in self._benches:
            await self._start(system)
        for system in self._benches:
            await self._tasks(system)
        for system in self._benches:
            await self._readings(system)
        await self._end_of_run()

    async def _work(self) -> None:
        for system in self._benches:
            await self._tasks(system)
            await self._release(system)
            await self._by_eye(system, cooling=True)
            await self._by_eye(system, cooling=False)

    async def _after(self) -> None:
        for system in self._benches:
            await self._tasks(system)
            await self._readings(system)
        await self._end_of_run()

    async def _end_of_run(self) -> None:
        for system in self._benches:
            await self._wait_judged(system)
        for system in self._benches:
            await self._stop(system)

    # --------------------------------------------------------------------------------------------------- at rest

    async def _rest(self) -> None:
        """Power verified off; gauges zeroed to the air and thermometers laid together, both on record."""
        for system, bench in self._benches.items():
            await self._declare(system, "power_off_verified", "no_start_assist")
            names = [item["id"] for item in bench.description["instruments"] if "channels" in item]
            for name in names:
                await bench.ask(do="aside", instrument=name, value=True)
        self._say("gauges open to the air, thermometers side by side in the shade: they are compared")
        await self._pass(60)
        await self._declare("downstairs", "gauges_open", "manometer_open", "clamps_released")
        for system in self._benches:
            await self._declare(system, "thermometers_together")
        await self._pass(150)
        for bench in self._benches.values():
            for item in bench.description["instruments"]:
                if "channels" in item:
                    await bench.ask(do="aside", instrument=item["id"], value=False)
        await self._declare("downstairs", "gauges_open", "manometer_open", value=False)
        for system in self._benches:
            await self._declare(system, "thermometers_together", value=False)
        self._say("gauges and probes on the system; it is still at rest")
        await self._settle("downstairs", ("vapor_service_pressure", "liquid_service_pressure"), 300)

    # -------------------------------------------------------------------------------------------------- readings

    async def _readings(self, system: str) -> None:
        """All that the sheet wants in this phase: wire by wire with the clamp, the rest by waiting."""
        bench = self._benches[system]
        for item in self._wanted(system, cooling=True):
            await self._visit(system, item)
        await self._release(system)
        self._say(f"{system}: the rest settles by itself")
        names = tuple(item.id for item in self._wanted(system, cooling=True) if self._sits(system, item))
        await self._settle(system, names, 1200)
        await self._by_eye(system, cooling=True)
        late = self._wanted(system, cooling=False)
        if not late:
            return
        await self._wait_judged(system)
        self._shown.keep(self.phase, system)
        self._say(f"{system}: outdoor unit off; indoor blower and heat strips")
        await bench.ask(do="outdoor_unit", value=False)
        await self._shown.wait_run(system, ("stopped",), self._real(240))
        for item in late:
            if item.id.startswith("heat_strip"):
                await bench.ask(do="strips", value=2)
                await self._pass(60)  # the sequencer takes its time
            await self._visit(system, item)
        await bench.ask(do="strips", value=0)
        await self._release(system)
        await self._by_eye(system, cooling=False)

    def _wanted(self, system: str, *, cooling: bool) -> list[WorklistItem]:
        sheet = self._shown.sheets[system]
        return [
            item
            for item in sheet.items
            if item.kind == "point"
            and item.phase == self.phase
            and item.state in OPEN
            and cooling is not item.id.startswith(COOLING_FIRST)
        ]

    def _sits(self, system: str, item: WorklistItem) -> bool:
        """Whether a probe of the bench sits there for good."""
        kit = self._benches[system].description["instruments"]
        return any(item.id in each.get("channels", {}).values() for each in kit)

    def _meter(self, system: str, point: str) -> str:
        """The meter that goes to this point; "" where none can."""
        base = point.partition(".")[0]
        quantity = POINTS[base].quantity
        for item in self._benches[system].description["instruments"]:
            if "on" not in item:
                continue
            is_bench = item["model"] == "bench-meter"
            if quantity is Quantity.CAPACITANCE:
                if is_bench:
                    return str(item["id"])
            elif not is_bench and (quantity is Quantity.CURRENT or base.startswith("capacitor_")):
                return str(item["id"])
        return ""

    async def _visit(self, system: str, item: WorklistItem) -> None:
        """Put clamp or leads on one wire, hands out of the panel, and wait until it has settled or is asked."""
        bench, shown = self._benches[system], self._shown
        meter = "" if self._sits(system, item) else self._meter(system, item.id)
        if not meter:
            return
        await self._declare(system, "panel_open")
        await bench.ask(do="clamp", instrument=meter, on="released")
        await self._pass(6)
        await bench.ask(do="clamp", instrument=meter, on=item.id)
        await self._declare(system, "panel_open", value=False)
        self._say(f"{system}: {meter} on {POINTS[item.id.partition('.')[0]].title}")
        key = (system, self.phase, item.id)
        deadline = asyncio.get_running_loop().time() + self._real(120)
        while key not in shown.settled:
            left = deadline - asyncio.get_running_loop().time()
            if left <= 0:
                self._say(f"{system}: {item.title} did not settle in time")
                return
            await shown.wait(lambda: key in shown.settled or bool(self._asked(meter)), left)
            for question in self._asked(meter):
                await self._answer(question, f"{system}/{item.id}")

    def _asked(self, meter: str) -> list[str]:
        return [each.id for each in self._shown.questions.values() if each.state == "open" and each.instrument == meter]

    async def _answer(self, question: str, true: str) -> None:
        """One tap or word: the wire is this one."""
        asked = self._shown.questions.pop(question)
        self._say(f"asked: {asked.text} Answered: {true.partition('/')[2].replace('_', ' ')}")
        if any(choice.id == true for choice in asked.choices):
            await self._shown.try_command("answer", question=question, answer=true)
            return
        await self._shown.try_command("answer", question=question, answer="other")
        system, _, point = true.partition("/")
        await self._shown.command(
            "place", instrument=asked.instrument, channel=asked.channel, system=system, point=point
        )

    async def _release(self, system: str) -> None:
        for item in self._benches[system].description["instruments"]:
            if "on" in item:
                await self._benches[system].ask(do="clamp", instrument=item["id"], on="released")

    async def _by_eye(self, system: str, *, cooling: bool) -> None:
        """What no probe of the kit reads is read from a meter without a radio, and entered."""
        truth = await self._benches[system].truth()
        for item in self._wanted(system, cooling=cooling):
            base = item.id.partition(".")[0]
            if item.id in truth and not self._sits(system, item) and not self._meter(system, item.id):
                text = displayed(truth[item.id], POINTS[base].quantity)
                if (await self._shown.try_command("enter", point=item.id, value=text, system=system)).ok:
                    self._say(f"{system}: {item.title} read by eye, {text}, entered")
            elif item.required and not self._sits(system, item) and not self._meter(system, item.id):
                note = "the demo's kit has nothing that measures it"
                await self._shown.try_command("task", task=item.id, state="skipped", note=note, system=system)

    # ------------------------------------------------------------------------------------------------------ work

    async def _tasks(self, system: str) -> None:
        """The tasks of this phase in the sheet's order; each as long as hands take, which the demo shortens."""
        shown = self._shown
        done: set[str] = set()  # a sheet comes once a second only
        while True:
            sheet = shown.sheets[system]
            tasks = [
                item
                for item in sheet.items
                if item.kind == "task" and item.phase == self.phase and item.state in OPEN and item.id not in done
            ]
            if not tasks:
                return
            item = next((each for each in tasks if each.id == sheet.next), tasks[0])
            done.add(item.id)
            begun = await shown.try_command("task", task=item.id, state="begun", system=system)
            self._say(f"{system}: {begun.text}")
            await self._hands(system, item.id)
            await self._pass(min(20.0, 6.0 * max(item.minutes, 0.5)))
            await shown.command("task", task=item.id, state="done", system=system)

    async def _hands(self, system: str, task: str) -> None:
        bench = self._benches[system]
        if task == "wash_outdoor_coil":
            await bench.ask(do="clean_coil", value=1.0)
        elif task == "filter":
            await bench.ask(do="replace_filter", value=True)
        elif task == "capacitors_bench" and self._meter(system, "herm_capacitance"):
            for point in ("herm_capacitance", "fan_capacitance"):
                await self._on_the_bench(system, point)
            await self._photograph(system)
        elif task == "blower_capacitor_bench" and self._meter(system, "blower_capacitance"):
            await self._on_the_bench(system, "blower_capacitance")
        elif task in ("call_for_cooling", "call_for_cooling_again"):
            await self._start(system)

    async def _on_the_bench(self, system: str, point: str) -> None:
        item = next((each for each in self._shown.sheets[system].items if each.id == point), None)
        if item is not None and item.state in OPEN:
            await self._visit(system, item)

    async def _photograph(self, system: str) -> None:
        """An invented picture, kept in the journal by its hash."""
        picture = drawing()
        sha256 = hashlib.sha256(picture).hexdigest()
        await self._shown.command(
            "blob", sha256=sha256, media_type="image/png", size=len(picture), part=0, parts=1,
            data=base64.b64encode(picture).decode(),
        )  # fmt: skip
        await self._shown.command(
            "observe", text="the run capacitor's top is bulged", photo=sha256, urgency="soon", system=system
        )
        self._say(f"{system}: photographed: the run capacitor's top is bulged")

    async def _dry(self) -> None:
        for system in self._benches:
            await self._tasks(system)
            await self._start(system)
        self._say("panels on, power back; the coils dry while the systems run")
        await self._pass(120)
        for system in self._benches:
            await self._declare(system, *FACTS_AFTER_WORK)

    # --------------------------------------------------------------------------------------------------- the rest

    async def _start(self, system: str) -> None:
        bench = self._benches[system]
        await bench.ask(do="blower", value=True)
        await bench.ask(do="outdoor_unit", value=True)
        await self._shown.wait_run(system, ("starting", "running"), self._real(240))

    async def _stop(self, system: str) -> None:
        bench = self._benches[system]
        self._shown.keep(self.phase, system)
        await bench.ask(do="strips", value=0)
        await bench.ask(do="outdoor_unit", value=False)
        await bench.ask(do="blower", value=False)
        # with the blower off too, air that stays cold in the duct says nothing: then nobody can tell for a while
        await self._shown.wait_run(system, ("stopped", "unknown"), self._real(300))

    async def _wait_judged(self, system: str) -> None:
        """Charge is judged after fifteen minutes of running; where it is not to be judged at all, nobody waits."""
        name = "subcooling" if system == "downstairs" else "split"
        shown, phase = self._shown, self.phase

        def judged() -> bool:
            said = [each for (where, when, what), each in shown.verdicts.items()
                    if (where, when) == (system, phase) and what.startswith(name)]  # fmt: skip
            return any(each.state in ("pass", "fail", "advisory") for each in said)

        if shown.run.get(system) == "running" and not await shown.wait(judged, self._real(1000)):
            self._say(f"{system}: {name} was not judged in time")

    async def _settle(self, system: str, names: tuple[str, ...], visit_s: float) -> None:
        shown, phase = self._shown, self.phase

        def missing() -> list[str]:
            return [name for name in names if (system, phase, name) not in shown.settled]

        await shown.wait(lambda: not missing(), self._real(visit_s))
        for name in missing():
            self._say(f"{system}: not settled in time: {name}")

    async def _go_on(self, phase: str) -> None:
        reply = await self._shown.try_command("phase", phase=phase)
        if not reply.ok:
            self._say(f"not yet {phase}: {reply.text}")
            await self._shown.command("force-phase", phase=phase, reason="the demo goes on; see the list on record")
        self.phase = phase
        self._say(f"phase {phase.replace('_', ' ')}")
        await self._shown.wait(lambda: all(each.phase == phase for each in self._shown.sheets.values()), 5.0)

    async def _close(self) -> None:
        for system in self._benches:
            await self._declare(system, *LEAVING)
        reply = await self._shown.try_command("visit-close", reason="done")
        if not reply.ok:
            raise DemoError(f"the visit was not closed: {reply.text}")
        self._say(f"{reply.text}, {reply.data.get('entries')} entries")

    async def _declare(self, system: str, *facts: str, value: bool = True) -> None:
        for fact in facts:
            await self._shown.command("declare", fact=fact, system=system, value=value)

    async def _pass(self, visit_s: float) -> None:
        await asyncio.sleep(visit_s / self._speed)

    def _real(self, visit_s: float) -> float:
        # a loaded machine needs a little real time whatever the demo's speed
        return visit_s / self._speed + 5.0


def drawing() -> bytes:
    """A small picture of an invented capacitor with a bulged top, as PNG."""
    width, height = 240, 200
    rows = bytearray()
    for y in range(height):
        rows.append(0)
        for x in range(width):
            side = abs(x - width // 2) < 60
            top = 60 - 14 * max(0.0, 1.0 - ((x - width // 2) / 60.0) ** 2)
            inside = side and top < y < 180
            pin = abs(abs(x - width // 2) - 28) < 6 and top - 26 < y <= top
            shade = 90 + abs(x - width // 2) if inside else 200 if pin else 235
            rows += bytes((shade, shade, min(255, shade + 8)))

    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    picture = zlib.compress(bytes(rows), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", picture) + chunk(b"IEND", b"")
