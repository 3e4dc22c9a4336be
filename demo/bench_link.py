"""The demo's hands: the bench's control socket, and the station's commands and events."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import msgspec

from lineset.contract.command import Reply
from lineset.contract.live import CheckMessage, RunMessage, SettledMessage
from lineset.contract.topic import TopicError, Topics
from lineset.stream.address import BrokerFile
from lineset.stream.ask import ask, listen
from lineset.stream.errors import StreamError

PROFILES = Path(__file__).resolve().parent / "scenarios" / "profiles"


class DemoError(Exception):
    """The demo cannot go on; says why."""


class Bench:
    """The control socket of `lineset-bench`: what the technician's hands do, and what is true of the plant."""

    def __init__(self, description: dict[str, Any]) -> None:
        self.description = description
        self._lock = asyncio.Lock()

    async def open(self) -> None:
        host, _, port = self.description["control"].rpartition(":")
        self._reader, self._writer = await asyncio.open_connection(host, int(port), limit=2**20)

    async def ask(self, **request: object) -> dict[str, Any]:
        """One request; raises DemoError when the bench refuses it."""
        async with self._lock:
            self._writer.write(json.dumps(request).encode() + b"\n")
            line = await self._reader.readline()
        if not line:
            raise DemoError("the bench went away")
        answer: dict[str, Any] = json.loads(line)
        if not answer.get("ok"):
            raise DemoError(f"the bench refused {request}: {answer.get('error')}")
        return answer

    async def truth(self) -> dict[str, float]:
        found: dict[str, float] = (await self.ask(do="truth"))["truth"]
        return found

    def close(self) -> None:
        self._writer.close()


class Seen(msgspec.Struct, frozen=True):
    """A settled event as it came over the broker, with the plant's truth at that moment."""

    message: SettledMessage
    truth: float | None


class Shown:
    """What the broker says, heard as any stranger could: settled events, run states, missing ones waited for."""

    def __init__(self, broker: BrokerFile, bench: Bench) -> None:
        self._broker, self._bench = broker, bench
        self.topics: Topics = broker.topics
        self.settled: dict[tuple[str, str], Seen] = {}
        self.verdicts: dict[tuple[str, str], CheckMessage] = {}  # phase and check -> what was last said
        self.steady: set[tuple[str, str]] = set()
        self.run = "unknown"
        self._kept: set[tuple[str, str]] = set()
        self._changed = asyncio.Condition()
        self.messages = 0

    async def listen(self) -> None:
        """Hear everything until cancelled."""
        async for message in listen(self._broker.address("watch"), self.topics.everything, qos=1):
            self.messages += 1
            try:
                parsed = self.topics.parse(message.topic)
            except TopicError:
                continue
            if not message.payload:
                continue
            if parsed.kind.name == "settled":
                event = msgspec.json.decode(message.payload, type=SettledMessage)
                key = event.phase, event.name
                if key in self._kept:
                    continue
                if event.settled:
                    truth = (await self._bench.truth()).get(event.name)
                    self.settled[key] = Seen(event, truth)
                    self.steady.add(key)
                else:
                    self.steady.discard(key)
                async with self._changed:
                    self._changed.notify_all()
            elif parsed.kind.name == "check":
                verdict = msgspec.json.decode(message.payload, type=CheckMessage)
                self.verdicts[verdict.phase, verdict.name] = verdict
                async with self._changed:
                    self._changed.notify_all()
            elif parsed.kind.name == "run":
                self.run = msgspec.json.decode(message.payload, type=RunMessage).state
                async with self._changed:
                    self._changed.notify_all()

    def keep(self, phase: str) -> None:
        """What has settled in this phase is what the technician writes down: the unit goes off now."""
        self._kept |= {key for key in self.settled if key[0] == phase}

    async def wait_settled(self, phase: str, names: tuple[str, ...], timeout_s: float) -> list[str]:
        """Wait (real seconds) until all names have settled in this phase; returns those that have not."""

        def missing() -> list[str]:
            return [name for name in names if (phase, name) not in self.settled]

        async with self._changed:
            try:
                async with asyncio.timeout(timeout_s):
                    await self._changed.wait_for(lambda: not missing())
            except TimeoutError:
                pass
        return missing()

    async def wait_judged(self, phase: str, check: str, timeout_s: float) -> bool:
        """Wait (real seconds) until a check has passed, failed or advised in this phase; whether it has."""

        def judged() -> bool:
            said = self.verdicts.get((phase, check))
            return said is not None and said.state in ("pass", "fail", "advisory")

        async with self._changed:
            try:
                async with asyncio.timeout(timeout_s):
                    await self._changed.wait_for(judged)
            except TimeoutError:
                pass
        return judged()

    async def wait_run(self, states: tuple[str, ...], timeout_s: float) -> None:
        """Wait (real seconds) for a run state. Raises DemoError when it does not come."""
        async with self._changed:
            try:
                async with asyncio.timeout(timeout_s):
                    await self._changed.wait_for(lambda: self.run in states)
            except TimeoutError as error:
                raise DemoError(f"the run state stayed {self.run}, {' or '.join(states)} was expected") from error

    async def command(self, verb: str, **args: object) -> Reply:
        """Give the station a command. Raises DemoError when it is refused."""
        try:
            reply = await ask(
                self._broker.address("technician"), self.topics, verb, args, actor="the demo's technician"
            )
        except StreamError as error:
            raise DemoError(str(error)) from error
        if not reply.ok:
            raise DemoError(f"{verb} was refused: {reply.text}")
        return reply


def station_config(description: dict[str, Any], out: Path, speed: float) -> str:
    """The station's configuration for the instruments on the bench, as text."""
    from lineset.equipment.points import POINTS
    from lineset_drivers.profile import load

    lines = [
        "# Written by the demo: an invented station with the bench's simulated instruments.",
        "[station]",
        'name = "demo"',
        'shop = "demo"',
        f'data = "{out / "data"}"',
        f'profiles = "{PROFILES}"',
        f"speed = {speed:g}",
        "",
        "[[system]]",
        'id = "main"',
        f'refrigerant = "{description["refrigerant"]}"',
        f'metering_device = "{description["metering"]}"',
        "altitude_m = 190.0",
        "",
        "[system.nameplate]  # invented, as the scenario's plant is marked",
        "capacity_tons = 3.0",
        "subcooling_target_f = 10.0",
        "herm_capacitor_uf = 45.0",
        "fan_capacitor_uf = 5.0",
        "compressor_rla_a = 16.7",
        "outdoor_fan_fla_a = 1.2",
        'compressor_motor = "psc"',
        'outdoor_fan_motor = "psc"',
        "blower_fla_a = 4.3",
        'blower_motor = "psc"',
        "heat_strip_kw = [4.8, 4.8]",
        "heat_strip_rated_v = 240.0",
    ]
    taken: set[str] = set()
    for item in description["instruments"]:
        lines += ["", "[[instrument]]", f'id = "{item["id"]}"', f'profile = "{item["model"]}"']
        lines.append(f'link = "{item["link"]}"')
        if "unit" in item:
            lines.append(f"unit = {item['unit']}")
        if "bindkey" in item:
            lines.append(f'options = {{ bindkey = "{item["bindkey"]}" }}')
        channels = {channel.name: channel for channel in load(item["model"], PROFILES).channels}
        for channel, point in item.get("channels", {}).items():
            found, place = channels.get(channel), POINTS.get(point)
            if found is None or place is None or found.quantity != place.quantity or point in taken:
                continue
            taken.add(point)
            lines += [
                "",
                "[[placement]]",
                f'instrument = "{item["id"]}"',
                f'channel = "{channel}"',
                f'point = "{point}"',
            ]
    return "\n".join(lines) + "\n"
