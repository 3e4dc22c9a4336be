"""The bench's control socket: JSON lines over TCP on loopback, one request a line, one answer a line.

request                                                               answer besides "ok": true
{"do": "truth"}                                                       "t" and "truth": points and what follows, SI
{"do": "clock"}                                                       "t" (visit seconds), "speed"
{"do": "list"}                                                        "instruments", as in bench.json
{"do": "clamp", "instrument": "clamp", "on": "line_voltage"}          on: a point, or "released"; "mode" if not usual
{"do": "mode", "instrument": "clamp", "mode": "CAP"}                  ACA ACV CAP RES (bench meter also FREQ)
{"do": "hold", "instrument": "clamp", "value": true}
{"do": "aside", "instrument": "gauges", "value": true}               off the system, in open air (false: back on)
{"do": "battery", "instrument": "supply", "value": 8}                 per cent, of an instrument on the radio
{"do": "outdoor_unit", "value": true}                                 and the other commands of plant.COMMANDS
{"do": "fault", "instrument": "gauges", "kind": "late", "times": 3}   kinds: faults.KINDS; "times": null lasts;
                                                                      "delay_s", "code" as there
{"do": "clear_faults", "instrument": "gauges"}
{"do": "unplug", "instrument": "clamp"} and "plug"                    the whole port goes, with its neighbours
{"do": "speed", "value": 10}

A request that cannot be done is answered {"ok": false, "error": "why, and what to do"}.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING

import structlog

from lineset_simulators.ble_instruments import ClampMeterBle
from lineset_simulators.meters import ClampMeter
from lineset_simulators.plant import COMMANDS

if TYPE_CHECKING:
    from lineset_simulators.rig import Rig

log = structlog.get_logger("bench")


def _number(request: Mapping[str, object], key: str, default: float) -> float:
    value = request.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{key} is a number, not {value!r}")
    return float(value)


def act(rig: Rig, request: Mapping[str, object]) -> None:
    """Do what a request asks that has no answer of its own. Raises ValueError with the reason."""
    verb = request.get("do")
    if verb in COMMANDS:
        rig.plant.command(str(verb), request.get("value", True))
    elif verb == "clamp":
        mode = request.get("mode")
        rig.place(request.get("instrument"), str(request.get("on")), None if mode is None else str(mode))
    elif verb == "mode":
        rig.select(rig.station(request.get("instrument")), str(request.get("mode")))
    elif verb == "hold":
        meter = rig.station(request.get("instrument")).meter
        if not isinstance(meter, ClampMeter | ClampMeterBle):
            raise ValueError("only a clamp meter has a hold key")
        meter.hold(request.get("value", True) is True)
    elif verb == "aside":
        rig.station(request.get("instrument")).aside = request.get("value", True) is True
    elif verb in ("fault", "clear_faults"):
        _fault(rig, request)
    elif verb == "battery":
        rig.set_battery(rig.station(request.get("instrument")), round(_number(request, "value", 90.0)))
    elif verb == "unplug":
        rig.unplug(rig.station(request.get("instrument")))
    elif verb == "speed":
        rig.set_speed(_number(request, "value", 1.0))
    else:
        raise ValueError(f"no such request {verb!r}; see `lineset-bench --help` for all of them")


def _fault(rig: Rig, request: Mapping[str, object]) -> None:
    station = rig.station(request.get("instrument"))
    if station.faults is None:
        raise ValueError(f"{station.plan.id} is on the radio: unplug and plug it instead")
    if request.get("do") == "clear_faults":
        station.faults.clear()
        return
    times = request.get("times", 1)
    if times is not None and (isinstance(times, bool) or not isinstance(times, int) or times < 1):
        raise ValueError(f"times is a whole number above zero, or null for lasting, not {times!r}")
    station.faults.inject(
        str(request.get("kind")),
        times=times,
        delay_s=_number(request, "delay_s", 0.5),
        code=int(_number(request, "code", 4)),
    )


def listing(rig: Rig) -> list[dict[str, object]]:
    """Where each instrument is and what sits where: what bench.json and the answer to "list" hold."""
    rows: list[dict[str, object]] = []
    for name, station in rig.stations.items():
        row: dict[str, object] = {"id": name, "model": station.model, "link": station.link}
        if station.plan.scheme in ("serial", "tcp", "rtu+tcp") and station.movable is None:
            row["unit"] = station.plan.unit
        if station.movable is None:
            row["channels"] = dict(station.plan.channels)
        else:
            row["on"] = station.movable.on
        if station.peripheral is not None and "bindkey" in station.plan.options:
            row["bindkey"] = station.plan.options["bindkey"]
        rows.append(row)
    return rows


async def _answer(rig: Rig, line: bytes) -> dict[str, object]:
    try:
        request = json.loads(line)
    except ValueError as error:
        return {"ok": False, "error": f'this is not JSON ({error}); send one object a line, such as {{"do": "truth"}}'}
    if not isinstance(request, dict):
        return {"ok": False, "error": 'a request is an object, such as {"do": "truth"}'}
    try:
        verb = request.get("do")
        if verb == "truth":
            return {"ok": True, "t": rig.plant.time_s, "truth": rig.plant.truth()}
        if verb == "clock":
            return {"ok": True, "t": rig.plant.time_s, "speed": rig.speed}
        if verb == "list":
            return {"ok": True, "instruments": listing(rig)}
        if verb == "plug":
            await rig.plug(rig.station(request.get("instrument")))
        else:
            rig.do(request)
    except (ValueError, OSError) as error:
        return {"ok": False, "error": str(error)}
    return {"ok": True, "t": rig.plant.time_s}


class ControlServer:
    """Serves the control socket of one rig; `address` is host:port once started."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()

    async def start(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)

    @property
    def address(self) -> str:
        if self._server is None:
            raise RuntimeError("the control socket is not open; call start() first")
        host, port = self._server.sockets[0].getsockname()[:2]
        return f"{host}:{port}"

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        try:
            while line := await reader.readline():
                answer = await _answer(self._rig, line)
                writer.write(json.dumps(answer).encode() + b"\n")
                await writer.drain()
        except (ConnectionError, ValueError) as error:  # gone, or a line without end
            log.info("control connection ended", reason=str(error))
        finally:
            self._writers.discard(writer)
            writer.close()

    async def close(self) -> None:
        if self._server is None:
            return
        self._server.close()
        for writer in tuple(self._writers):
            writer.close()
        await self._server.wait_closed()
        self._server = None
