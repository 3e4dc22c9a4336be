"""A bench being played: the plant, its instruments on their transports, and the visit clock that drives them."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import structlog

from lineset_simulators.ble_instruments import AirBeacon, Battery, ClampMeterBle, air_probe
from lineset_simulators.bluez import SimulatedBluez
from lineset_simulators.bluez_peripheral import Peripheral
from lineset_simulators.bus import NoBusError, private_bus
from lineset_simulators.faults import Faults
from lineset_simulators.instruments import MODBUS_INSTRUMENTS
from lineset_simulators.line_stream import LineStream
from lineset_simulators.meters import AirProbe, BenchMeter, ClampMeter
from lineset_simulators.modbus_server import RtuBus, TcpUnits
from lineset_simulators.movable import RELEASED, Movable, bench_function, mode_of
from lineset_simulators.plant import Plant
from lineset_simulators.port import Port
from lineset_simulators.probe import Probe, ProbeModel
from lineset_simulators.pty_port import PtyPort
from lineset_simulators.scenario import InstrumentPlan, Scenario
from lineset_simulators.scpi_server import ScpiServer
from lineset_simulators.tcp_port import TcpPort

log = structlog.get_logger("bench")

STEP_S = 0.25  # visit seconds of one step of plant and probes
_TICK_S = 0.02  # real seconds: the shortest pause between bursts of steps
_Clamp = TypeVar("_Clamp", ClampMeter, ClampMeterBle)
_MODES = {"VOLT:AC": "ACV", "CURR:AC": "ACA", "RES": "RES", "CAP": "CAP", "FREQ": "FREQ"}


@dataclass
class Station:
    """One instrument on the bench, and what can be done to it."""

    plan: InstrumentPlan
    link: str  # as a driver is told it
    model: str  # what is offered: another than planned where the machine has no message bus
    probes: dict[str, Probe] = field(default_factory=dict)
    movable: Movable | None = None
    meter: ClampMeter | ClampMeterBle | BenchMeter | None = None
    port: Port | None = None
    faults: Faults | None = None
    peripheral: Peripheral | None = None
    battery: Battery | None = None
    aside: bool = False  # off the system, in the open air beside its fellows

    def senses(self, point: str, senses: Mapping[str, float]) -> float:
        """What a channel that belongs at `point` senses where the instrument is now."""
        if not self.aside:
            return senses[point]
        if point == "barometric_pressure":
            return senses[point]
        if point.endswith("_temperature"):
            return senses["outdoor_air_temperature"]
        return 0.0 if point.endswith(("_pressure", "_static", "_drop")) else senses[point]


class _Through:
    """A clamp meter's source: what its jaw or leads sense in the mode that it is in."""

    def __init__(self, movable: Movable) -> None:
        self._movable = movable
        self.meter: ClampMeter | ClampMeterBle | None = None

    def read(self) -> float | None:
        return self._movable.sense("ACA" if self.meter is None else self.meter.mode)


class Rig:
    """Everything of one scenario. `start`, `play` (until cancelled), `close`; `do` acts while it plays.

    Raises ValueError for an instrument at a point that the plant has not, OSError when a port cannot be had.
    """

    def __init__(self, scenario: Scenario, out: Path, *, speed: float = 1.0) -> None:
        if not 0.0 < speed <= 200.0:
            raise ValueError(f"the speed goes from above 0 to 200 visit seconds a second, not {speed:g}")
        self.scenario, self.out = scenario, out
        self.plant = Plant(scenario.plant, scenario.seed)
        self.stations: dict[str, Station] = {}
        self.speed = speed
        self.bus_address = ""
        self.notes: list[str] = []
        self._ports: dict[tuple[str, str], Port] = {}
        self._buses: dict[tuple[str, str], RtuBus | TcpUnits] = {}
        self._streams: list[LineStream] = []
        self._bluez: SimulatedBluez | None = None
        self._closing = contextlib.ExitStack()
        self._events = list(scenario.events)
        self._anchor_real = self._anchor_visit = 0.0
        self._senses = self.plant.senses()

    # -- life --------------------------------------------------------------------------------------------------

    async def start(self) -> None:
        """Open all ports and put the radio instruments on the air."""
        await self._start_radio()
        for plan in self.scenario.instruments:
            self._check_points(plan)
            if plan.model in MODBUS_INSTRUMENTS:
                await self._modbus(plan)
            elif plan.scheme == "ble" and self._bluez is not None:
                self._radio(plan, self._bluez)
            else:
                await self._text(plan)
        for station in self.stations.values():
            if station.movable is not None and "on" in station.plan.options:
                self.place(station.plan.id, str(station.plan.options["on"]))
        self._advance(0.0)
        self._anchor(asyncio.get_running_loop().time(), self.plant.time_s)

    async def play(self) -> None:
        """Let the visit time run; ends only when cancelled."""
        loop = asyncio.get_running_loop()
        while True:
            behind = self._due_s(loop.time()) - self.plant.time_s
            # after a suspend of the machine the plant does not race to catch up
            if behind > 20.0 * self.speed:
                self._anchor(loop.time(), self.plant.time_s)
            while self._due_s(loop.time()) - self.plant.time_s >= STEP_S:
                self._step()
                await asyncio.sleep(0)
            await asyncio.sleep(max(_TICK_S, STEP_S / self.speed / 4))

    async def close(self) -> None:
        """Take everything down; leaves no child process, port or symbolic link."""
        for port in self._ports.values():
            port.close()
        for bus in self._buses.values():
            if isinstance(bus, RtuBus):
                bus.close()
        if self._bluez is not None:
            # Ctrl-C reaches the message bus too: it may be gone before us
            with contextlib.suppress(EOFError, ConnectionError):
                await self._bluez.kill()
        self._closing.close()
        await asyncio.sleep(0)  # aborted connections say goodbye in the next turn of the loop

    def _due_s(self, real: float) -> float:
        return self._anchor_visit + (real - self._anchor_real) * self.speed

    def _anchor(self, real: float, visit: float) -> None:
        self._anchor_real, self._anchor_visit = real, visit

    def _step(self) -> None:
        while self._events and self._events[0].at <= self.plant.time_s:
            event = self._events.pop(0)
            try:
                self.do(event.request)
            except ValueError as error:
                log.error("event refused", at=event.at, request=dict(event.request), reason=str(error))
        self.plant.step(STEP_S)
        self._advance(STEP_S)

    def _advance(self, dt: float) -> None:
        self._senses = self.plant.senses()
        for station in self.stations.values():
            for channel, probe in station.probes.items():
                probe.advance(dt, station.senses(station.plan.channels[channel], self._senses))
            if station.movable is not None:
                station.movable.advance(dt, self._senses)
        for stream in self._streams:
            stream.advance(self.plant.time_s)

    # -- building ----------------------------------------------------------------------------------------------

    def _check_points(self, plan: InstrumentPlan) -> None:
        for channel, point in plan.channels.items():
            if point not in self._senses:
                known = ", ".join(self._senses)
                raise ValueError(f"instrument {plan.id}, channel {channel}: no point {point!r}; there are {known}")

    def _seed(self, plan: InstrumentPlan, channel: str) -> str:
        return f"{self.scenario.seed}/{plan.id}/{channel}"

    def _probed(self, plan: InstrumentPlan) -> dict[str, Probe]:
        return {channel: Probe(plan.probes[channel], self._seed(plan, channel)) for channel in plan.channels}

    async def _port(self, *, scheme: str, place: str) -> Port:
        key = (scheme, place)
        if key not in self._ports:
            if scheme == "serial":
                pty = PtyPort((self.out / "ports" / place).absolute())
                pty.plug()
                self._ports[key] = pty
            else:
                tcp = TcpPort(scheme=scheme)
                await tcp.plug()
                self._ports[key] = tcp
        return self._ports[key]

    async def _modbus(self, plan: InstrumentPlan) -> None:
        probes = self._probed(plan)
        registers = MODBUS_INSTRUMENTS[plan.model](probes)
        port = await self._port(scheme=plan.scheme, place=plan.place)
        key = (plan.scheme, plan.place)
        bus = self._buses.get(key)
        if bus is None:
            bus = self._buses[key] = TcpUnits({}) if plan.scheme == "tcp" else RtuBus({})
            _listen(port, bus)
        unit = bus.add(plan.unit, registers)
        self.stations[plan.id] = Station(plan, port.address, plan.model, probes=probes, port=port, faults=unit.faults)

    async def _text(self, plan: InstrumentPlan) -> None:
        """Instruments that speak in lines, and radio instruments where there is no radio."""
        scheme, place = (plan.scheme, plan.place) if plan.scheme != "ble" else ("tcp", plan.id)
        port = await self._port(scheme=scheme, place=place)
        station = Station(plan, port.address, plan.model, probes=self._probed(plan), port=port)
        if plan.model == "bench-meter":
            station.movable = movable = Movable(plan.probes["leads"], self._seed(plan, "leads"))
            style = str(plan.options.get("error_style", "silence"))
            station.meter = BenchMeter(lambda function: movable.sense(_MODES[function]), error_style=style)
            server = ScpiServer(station.meter)
            station.faults = server.faults
            _listen(port, server)
        else:
            speaker: ClampMeter | AirProbe
            if plan.model.startswith("clamp"):
                speaker = self._clamp(ClampMeter, plan, station)
                station.model = "clamp-meter-line"
            else:
                speaker = AirProbe(_air(station)["temperature"], _air(station)["humidity"])
                station.model = "air-probe-line"
            stream = LineStream(speaker, port)
            station.faults = stream.faults
            self._streams.append(stream)
        self.stations[plan.id] = station

    def _clamp(self, kind: type[_Clamp], plan: InstrumentPlan, station: Station) -> _Clamp:
        station.movable = Movable(plan.probes["jaw"], self._seed(plan, "jaw"))
        through = _Through(station.movable)
        meter = kind(through, mode=str(plan.options.get("mode", "ACA")))
        station.meter = through.meter = meter
        return meter

    # -- radio -------------------------------------------------------------------------------------------------

    async def _start_radio(self) -> None:
        if not any(plan.scheme == "ble" for plan in self.scenario.instruments):
            return
        try:
            bus = self._closing.enter_context(private_bus(export=False))
        except NoBusError as error:
            self.notes.append(f"no Bluetooth here ({error}): the radio instruments are offered over TCP instead")
            log.warning("no bluetooth", reason=str(error))
            return
        bluez = SimulatedBluez()
        await bluez.start(bus.address)
        self._bluez, self.bus_address = bluez, bus.address

    def _radio(self, plan: InstrumentPlan, bluez: SimulatedBluez) -> None:
        station = Station(plan, f"ble://{plan.place}", plan.model, probes=self._probed(plan))
        station.battery = battery = Battery(int(str(plan.options.get("battery", 90))))
        sense = _air(station)
        serial = plan.place[-5:].replace(":", "")
        if plan.model == "clamp-meter-ble":
            meter = self._clamp(ClampMeterBle, plan, station)
            meter.battery = battery
            station.peripheral = meter.peripheral(plan.place, serial=f"CM-{serial}")
        elif plan.model == "air-probe":
            station.peripheral = air_probe(plan.place, sense, battery=battery, serial=f"AP-{serial}")
        else:
            key = bytes.fromhex(str(plan.options.get("bindkey", ""))) or None
            beacon = AirBeacon(sense["temperature"], sense["humidity"], key=key, battery=battery)
            station.peripheral = beacon.peripheral(plan.place)
        station.peripheral.pace = self.speed
        bluez.add(station.peripheral)
        self.stations[plan.id] = station

    # -- acting ------------------------------------------------------------------------------------------------

    def station(self, name: object) -> Station:
        """The instrument called `name`. Raises ValueError naming those that there are."""
        found = self.stations.get(name) if isinstance(name, str) else None
        if found is None:
            raise ValueError(f"no instrument {name!r} on this bench; there are {', '.join(self.stations)}")
        return found

    def place(self, name: object, point: str, mode: str | None = None) -> None:
        """Move a clamp or leads to `point` ("released" takes it off), turning the switch to what fits there."""
        station = self.station(name)
        if station.movable is None:
            raise ValueError(f"{station.plan.id} is not moved about; it sits at {dict(station.plan.channels)}")
        if point != RELEASED and point not in self._senses:
            raise ValueError(f"no point {point!r}; there are {', '.join(self._senses)}")
        station.movable.place(point)
        fits = mode or (None if point == RELEASED else mode_of(point))
        if fits is not None:
            self.select(station, fits)

    def select(self, station: Station, mode: str) -> None:
        """Turn a meter's switch. Raises ValueError for a mode that it has not."""
        if isinstance(station.meter, ClampMeter | ClampMeterBle):
            station.meter.select(mode)
        elif isinstance(station.meter, BenchMeter):
            if mode not in _MODES.values():
                raise ValueError(f"the bench meter has no mode {mode!r}; it has {', '.join(_MODES.values())}")
            station.meter.command(f"CONF:{bench_function(mode)}".encode())
        else:
            raise ValueError(f"{station.plan.id} has no switch")

    def set_battery(self, station: Station, percent: int) -> None:
        """Let a radio instrument's battery be at `percent`. Raises ValueError where there is none."""
        if station.battery is None or station.peripheral is None or self._bluez is None:
            raise ValueError(f"{station.plan.id} tells nothing about a battery")
        if not 0 <= percent <= 100:
            raise ValueError(f"a battery goes from 0 to 100 per cent, not {percent}")
        station.battery.percent = percent
        if station.peripheral.connectable:
            self._bluez.notify(station.peripheral.address, 0x2A19, bytes([percent]))

    def set_speed(self, speed: float) -> None:
        """Visit seconds for each real one from now on."""
        if not 0.0 < speed <= 200.0:
            raise ValueError(f"the speed goes from above 0 to 200, not {speed:g}")
        self._anchor(asyncio.get_running_loop().time(), self.plant.time_s)
        self.speed = speed
        for station in self.stations.values():
            if station.peripheral is not None:
                station.peripheral.pace = speed

    async def plug(self, station: Station) -> None:
        """Plug the instrument's port in again, or bring it back on the air."""
        if station.peripheral is not None and self._bluez is not None:
            self._bluez.appear(station.peripheral.address)
        elif isinstance(station.port, TcpPort):
            await station.port.plug()
        elif isinstance(station.port, PtyPort):
            station.port.plug()

    def unplug(self, station: Station) -> None:
        """Pull the instrument's port, with all that hang on it, or carry it out of reach."""
        if station.peripheral is not None and self._bluez is not None:
            self._bluez.vanish(station.peripheral.address)
        elif station.port is not None:
            station.port.unplug()

    def do(self, request: Mapping[str, object]) -> None:
        """A request that answers nothing, from the timeline or the control socket. Raises ValueError."""
        from lineset_simulators.control import act

        act(self, request)


def _air(station: Station) -> dict[str, Probe]:
    """The sensors of an instrument for air; one to which the scenario gives no point never reads anything."""
    return {name: Probe(ProbeModel(), "") for name in station.plan.probes} | station.probes


def _listen(port: Port, server: RtuBus | TcpUnits | ScpiServer) -> None:
    if isinstance(port, TcpPort):
        port.on_data = server.receive
        if not isinstance(server, RtuBus):
            port.on_gone = server.gone
    elif isinstance(port, PtyPort):
        port.on_data = server.receive
