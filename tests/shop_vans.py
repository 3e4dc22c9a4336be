"""For tests of the shop's page: invented vans that say what stations say, as messages of the contract."""

from __future__ import annotations

import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import aiomqtt

from lineset.contract import live as m
from lineset.contract.topic import Topics
from lineset.contract.worklist import ObservationMessage

PHASES = ("at_rest", "before", "work", "drying", "after")
FOUND = (
    ("Too little indoor air", "likely"),
    ("The outdoor coil rejects its heat badly", "clear"),
    ("The run capacitor is failing", "probable"),
)
WANTS: tuple[tuple[str, str, str, tuple[str, ...]], ...] = (
    ("the capacitor's top is bulged", "capacitor", "soon", ("part", "approval")),
    ("the drain pan is cracked", "drain", "soon", ("part", "approval", "return_visit")),
    ("a duct leaks, or has come apart", "ducts", "soon", ("approval", "return_visit")),
    ("an electrical connection has been overheated", "connections", "now", ("approval",)),
    ("", "blower", "next_visit", ("part",)),
)


class Van:
    """One station with at most one open visit, and what it last said."""

    def __init__(self, client: aiomqtt.Client, name: str, visit: str = "", shop: str = "north") -> None:
        self.client, self.topics, self.name = client, Topics(shop, name), name
        self.visit = m.VisitMessage(
            t=time.time(), visit=visit, state="open", phase="before", technician="t-7", opened=time.time() - 1900.0,
            systems={"upstairs": {"title": "Upstairs", "refrigerant": "R-410A", "metering_device": "txv"}},
            run={"upstairs": "running"}, minutes_left=35.0, progress={"upstairs": (31, 44)}, checks={"pass": 4},
        )  # fmt: skip

    async def _say(self, topic: str, message: m.Message | None, *, qos: int = 1, retain: bool = True) -> None:
        await self.client.publish(topic, b"" if message is None else m.encode(message), qos=qos, retain=retain)

    async def on_the_air(self, online: bool = True, t: float | None = None) -> None:
        message = m.StationMessage(t=t or time.time(), online=online, version="0.1.0", station=self.name)
        await self._say(self.topics.station(), message)

    async def tell(self, **changed: Any) -> None:
        """The visit as it is now, with what has changed of it."""
        fields = {name: getattr(self.visit, name) for name in self.visit.__struct_fields__}
        self.visit = m.VisitMessage(**{**fields, "t": time.time(), **changed})
        await self._say(self.topics.visit(self.visit.visit), self.visit)

    async def want(self, seq: int, which: int = 0) -> None:
        title, about, urgency, wants = WANTS[which % len(WANTS)]
        more = m.WantMessage(seq=seq, system="upstairs", wants=wants, about=about, title=title, urgency=urgency)
        await self.tell(wanted=(*self.visit.wanted, more))

    async def instrument(self, name: str, due: str) -> None:
        await self._say(
            self.topics.instrument(name),
            m.InstrumentMessage(
                t=time.time(), instrument=name, state="linked", reason="answers every poll",
                calibration_due={"low": due, "high": due},
            ),
        )  # fmt: skip

    async def now(self, value: float, t: float | None = None) -> None:
        at = t or time.time()
        reading = m.ValueMessage(
            t=at, name="vapor_service_pressure", v=value * 6894.757, u="Pa", text=f"{value:.1f} psig"
        )
        message = m.NowMessage(
            t=at, system="upstairs", phase="before", run="running", run_s=900.0,
            readings={"vapor_service_pressure": reading},
        )  # fmt: skip
        await self._say(self.topics.now(self.visit.visit, "upstairs"), message, qos=0)

    async def observe(self, seq: int, text: str) -> None:
        topic = self.topics.observation(self.visit.visit, seq)
        await self._say(topic, ObservationMessage(t=time.time(), seq=seq, system="upstairs", text=text), retain=False)

    async def judged(self) -> None:
        """Some record events, kept by the broker as a station's are."""
        visit = self.visit.visit
        await self._say(
            self.topics.settled(visit, "upstairs", "before", "total_superheat"),
            m.SettledMessage(
                t=time.time(), seq=900, system="upstairs", phase="before", name="total_superheat", settled=True,
                title="total superheat", v=6.4, u="K", sd=0.6, text="11.5 +/- 2.1 degF",
            ),
        )  # fmt: skip
        await self._say(
            self.topics.check(visit, "upstairs", "before", "airflow"),
            m.CheckMessage(
                t=time.time(), seq=901, system="upstairs", phase="before", name="airflow",
                title="air temperature split", state="fail", reason="the split is above its target by more than the "
                "tolerance", text="24.1 degF",
            ),
        )  # fmt: skip
        title, confidence = FOUND[0]
        await self._say(
            self.topics.finding(visit, "upstairs", "before", "airflow"),
            m.FindingMessage(
                t=time.time(), seq=902, system="upstairs", phase="before", id="airflow", title=title, state="open",
                rank=1, confidence=confidence, meaning="less air than the coil needs", next_step="look at the filter",
            ),
        )  # fmt: skip
        await self.tell(
            found=(m.FoundMessage(system="upstairs", phase="before", title=title, rank=1, confidence=confidence),),
            checks={"pass": 4, "fail": 1},
        )

    async def clear(self) -> None:
        """What a station does after the final receipt: nothing of the visit is kept any more."""
        await self._say(self.topics.visit(self.visit.visit), None)


@asynccontextmanager
async def air(port: int) -> AsyncIterator[aiomqtt.Client]:
    """A client for any number of vans at a broker that lets anybody in."""
    async with aiomqtt.Client("127.0.0.1", port, timeout=10) as client:
        yield client


async def fleet(client: aiomqtt.Client, count: int) -> list[Van]:
    """Many vans, each with its visit, by seed: one in eight wants something, one in five has found something."""
    vans = []
    for n in range(count):
        van = Van(client, f"van-{n + 1}", f"{1000 + n}")
        vans.append(van)
        await van.on_the_air()
        title, confidence = FOUND[n % len(FOUND)]
        both = {
            "upstairs": {"title": "Upstairs", "refrigerant": "R-410A"},
            "downstairs": {"title": "Downstairs", "refrigerant": "R-454B"},
        }
        await van.tell(
            phase=PHASES[n % 5], minutes_left=float(5 + n * 7 % 90), technician=f"t-{n % 60 + 1}",
            opened=time.time() - 600.0 - n * 37 % 9000, progress={"upstairs": (n * 3 % 44, 44)},
            systems=both if n % 3 == 0 else {"upstairs": both["upstairs"]},
            found=(m.FoundMessage(system="upstairs", phase="before", title=title, rank=1, confidence=confidence),)
            if n % 5 == 0
            else (),
            checks={"pass": n % 6, **({"fail": 1} if n % 7 == 0 else {}), **({"undecided": 2} if n % 4 == 0 else {})},
        )  # fmt: skip
        if n % 8 == 0:
            await van.want(600 + n, n // 8)
        for name in ("gauges", "clamp", "pipes"):
            await van.instrument(name, f"20{26 + (n + 1) % 3}-12-31")
    return vans
