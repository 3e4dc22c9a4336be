"""The demo's hands: the bench's control socket, and the station's commands and events."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

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


def relay_config(description: dict[str, Any], out: Path, speed: float) -> str:
    """The configuration of the relay near the second air handler, for the instruments on its bench, as text."""
    lines = [
        "# Written by the demo: an invented relay.",
        "[relay]",
        'name = "attic"',
        'listen = "127.0.0.1:0"',
        'key_file = "relay.key"',
        f'spool = "{out / "relay" / "spool"}"',
        f'profiles = "{PROFILES}"',
        f"speed = {speed:g}",
    ]
    for item in description["instruments"]:
        lines += _instrument(item, item["link"])
    return "\n".join(lines) + "\n"


def _instrument(item: dict[str, Any], link: str) -> list[str]:
    from lineset_drivers.profile import load

    lines = ["", "[[instrument]]", f'id = "{item["id"]}"', f'profile = "{item["model"]}"', f'link = "{link}"']
    if "unit" in item and load(item["model"], PROFILES).protocol == "modbus":
        lines.append(f"unit = {item['unit']}")
    if "bindkey" in item:
        lines.append(f'options = {{ bindkey = "{item["bindkey"]}" }}')
    if "on" in item:
        lines.append("roams = true")
    return lines


SYSTEMS = {
    "downstairs": """
title = "downstairs"
metering_device = "txv"
kind = "split_ac"
capacity_control = "single"
altitude_m = 190.0

[system.nameplate]  # invented, as the scenario's plant is marked
capacity_tons = 3.0
subcooling_target_f = 10.0
herm_capacitor_uf = 45.0
fan_capacitor_uf = 5.0
blower_capacitor_uf = 10.0
capacitor_tolerance_pct = 6.0
compressor_rla_a = 16.7
outdoor_fan_fla_a = 1.2
compressor_motor = "psc"
outdoor_fan_motor = "psc"
blower_fla_a = 4.3
blower_motor = "psc"
heat_strip_kw = [4.8, 4.8]
heat_strip_rated_v = 240.0
""",
    "upstairs": """
title = "upstairs"
metering_device = "fixed_orifice"
kind = "split_ac"
capacity_control = "single"
altitude_m = 190.0

[system.nameplate]  # invented, as the scenario's plant is marked
capacity_tons = 2.0
herm_capacitor_uf = 35.0
fan_capacitor_uf = 5.0
blower_capacitor_uf = 7.5
capacitor_tolerance_pct = 6.0
compressor_rla_a = 11.0
outdoor_fan_fla_a = 1.0
compressor_motor = "psc"
outdoor_fan_motor = "psc"
blower_fla_a = 3.0
blower_motor = "psc"
""",
}
"""The two systems of the invented house, as a technician would describe them."""


def station_config(benches: dict[str, dict[str, Any]], relay_port: int, out: Path, speed: float) -> str:
    """The station's configuration: the instruments downstairs at hand, those upstairs through the relay, as text."""
    lines = [
        "# Written by the demo: an invented station with the benches' simulated instruments.",
        "[station]",
        'name = "demo"',
        'shop = "demo"',
        'technician = "demo-1"',
        f'data = "{out / "data"}"',
        f'profiles = "{PROFILES}"',
        f"speed = {speed:g}",
        "",
        "[board]",
        "port = 0",
        "",
        "[cues]",
        'level = "chatty"',
        "speak = false  # the board speaks, if it is asked to",
        "",
        "[relay]",
        'key_file = "relay.key"',
    ]
    for system, text in SYSTEMS.items():
        refrigerant = benches[system]["refrigerant"]
        lines += ["", "[[system]]", f'id = "{system}"', f'refrigerant = "{refrigerant}"', text.strip()]
    for system, description in benches.items():
        for item in description["instruments"]:
            through = system == "upstairs"
            lines += _instrument(item, f"relay://127.0.0.1:{relay_port}" if through else item["link"])
        lines += _placements(description, system)
    return "\n".join(lines) + "\n"


def van_config(name: str, description: dict[str, Any], nameplate: str, data: Path, speed: float) -> str:
    """The configuration of one van's station with the instruments of its bench at hand, as text."""
    lines = [
        "# Written by the demo: an invented van with its bench's simulated instruments.",
        "[station]",
        f'name = "{name}"',
        'shop = "demo"',
        f'technician = "{name.replace("van", "demo")}"',
        f'data = "{data}"',
        f'profiles = "{PROFILES}"',
        f"speed = {speed:g}",
        "",
        "[board]",
        "enabled = false",
        "",
        "[cues]",
        "speak = false",
        "",
        "[[system]]",
        'id = "main"',
        f'refrigerant = "{description["refrigerant"]}"',
        nameplate.strip(),
    ]
    for item in description["instruments"]:
        lines += _instrument(item, item["link"])
    lines += _placements(description, "main")
    return "\n".join(lines) + "\n"


def _placements(description: dict[str, Any], system: str) -> list[str]:
    """Where the bench's probes sit for good, as far as the station knows such a point."""
    from lineset.equipment.points import POINTS
    from lineset_drivers.profile import load

    lines: list[str] = []
    taken: set[str] = set()
    for item in description["instruments"]:
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
                f'system = "{system}"',
                f'point = "{point}"',
            ]
    return lines
