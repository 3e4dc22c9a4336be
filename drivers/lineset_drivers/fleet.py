"""All instruments of a station: one supervised task a link or radio, none of which can delay or stop another."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import structlog

from .clock import Clock
from .errors import DriverError, LinkError
from .frame import InstrumentState, State
from .instrument import Context, Driver, InstrumentSpec, Sink, factory_of
from .link import parse_link
from .wired import Pause

if TYPE_CHECKING:
    from .transports.serial import PortWatch

__all__ = ["Fleet", "InstrumentSpec"]

log = structlog.get_logger(__name__)

STOP_S = 5.0  # real seconds that drivers have to end in
RADIO = ("gatt", "bthome")


class Fleet:
    """`async with Fleet(specs, clock, sink):` runs all instruments. `seed` seeds the jitter of pauses.

    An instrument that cannot even be tried (a wrong link, two with one unit number) is told through its state, and
    the others run. Raises nothing after construction; ValueError when two instruments have one id.
    """

    def __init__(
        self,
        specs: Sequence[InstrumentSpec],
        clock: Clock,
        sink: Sink,
        *,
        seed: int = 0,
        ports: PortWatch | None = None,
    ) -> None:
        ids = [spec.id for spec in specs]
        if twice := {name for name in ids if ids.count(name) > 1}:
            raise ValueError(f"two instruments are called {', '.join(sorted(twice))}; give each its own id")
        self.specs = tuple(specs)
        self.context = Context(clock, sink, seed=seed, ports=ports)
        self._tasks: list[asyncio.Task[None]] = []

    @property
    def states(self) -> Mapping[str, InstrumentState]:
        """The last state told of each instrument."""
        return self.context.told

    def _tell(self, spec: InstrumentSpec, reason: str) -> None:
        before = self.context.told.get(spec.id)
        new = InstrumentState(
            instrument=spec.id,
            t=self.context.clock.now(),
            state=State.SEEKING if before is None or before.state is State.SEEKING else State.LOST,
            reason=reason,
            profile=spec.profile.name,
            identity=before.identity if before is not None else "",
            identity_weak=before is not None and before.identity_weak,
            link=before.link if before is not None else spec.link,
        )
        self.context.told[spec.id] = new
        self.context.sink.state(new)

    # -- who belongs together ---------------------------------------------------------------------------------

    def _groups(self) -> dict[str, list[InstrumentSpec]]:
        """Instruments by what they share: a link, the radio, or the person who reads them."""
        groups: dict[str, list[InstrumentSpec]] = {}
        for spec in self.specs:
            protocol = spec.profile.protocol
            try:
                if protocol == "entered":
                    key = "entered"
                elif spec.link.startswith("relay:"):
                    key = parse_link(spec.link).key
                elif protocol in RADIO:
                    key = "ble"
                else:
                    key = parse_link(spec.link).key
                    self._check_neighbours(spec, groups.get(key, []))
            except LinkError as error:
                self._tell(spec, f"{error.problem}. {error.remedy}")
                continue
            groups.setdefault(key, []).append(spec)
        return groups

    @staticmethod
    def _check_neighbours(spec: InstrumentSpec, others: Sequence[InstrumentSpec]) -> None:
        """Raises LinkError when `spec` cannot share its link with the `others`."""
        for other in others:
            if spec.profile.protocol != "modbus" or other.profile.protocol != "modbus":
                raise LinkError(
                    spec.link,
                    f"{other.id} is on this link already, and only Modbus units share one",
                    remedy="Give each instrument its own link",
                    permanent=True,
                )
            numbers = [s.profile.link.unit if s.unit is None else s.unit for s in (spec, other)]
            if numbers[0] == numbers[1]:
                raise LinkError(
                    spec.link,
                    f"{other.id} has the unit number {numbers[0]} on this link too",
                    remedy="Set another number on one of the two instruments, and in its configuration",
                    permanent=True,
                )

    # -- running ----------------------------------------------------------------------------------------------

    async def start(self) -> None:
        """Start all drivers and return; what becomes of them is told through states."""
        for key, specs in self._groups().items():
            try:
                if key.startswith("relay:"):
                    from .relayed import Relayed

                    driver: Driver = Relayed(specs, self.context)
                else:
                    driver = factory_of(specs[0].profile.protocol)(specs, self.context)
            except (DriverError, LookupError) as error:
                for spec in specs:
                    self._tell(spec, str(error))
                continue
            self._tasks.append(asyncio.create_task(self._supervise(driver), name=f"instruments {key}"))

    async def _supervise(self, driver: Driver) -> None:
        """Run one driver, and start it again when a fault of ours ends it; never lets one out."""
        pause = Pause(self.context.random, least_s=1.0, most_s=60.0)
        while True:
            try:
                await driver.run()
                problem = "its driver ended by itself"
            except asyncio.CancelledError:
                raise
            except Exception as error:
                log.exception("driver failed", driver=driver.name)
                problem = f"a fault in its driver ({type(error).__name__}: {error})"
            pause_s = pause.next()
            for spec in driver.instruments:
                self._tell(spec, f"{problem}. It is started again by itself; if this stays so, report it with the log")
            await asyncio.sleep(pause_s)

    async def stop(self) -> None:
        """End all drivers within `STOP_S` real seconds: ports closed, losses told."""
        for task in self._tasks:
            task.cancel()
        if self._tasks:
            done, stuck = await asyncio.wait(self._tasks, timeout=STOP_S)
            for task in stuck:
                log.error("driver does not end", task=task.get_name())
            for task in done:
                if not task.cancelled() and (error := task.exception()) is not None:
                    log.error("driver ended with a fault", task=task.get_name(), error=str(error))
        self._tasks.clear()

    async def __aenter__(self) -> Fleet:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()
