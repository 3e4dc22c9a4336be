"""A scenario: a TOML file that says which system, which instruments on which links, and what happens when.

[scenario]
title = "An invented visit"
seed = 7

[plant]                                   # keys of plant_config.PlantConfig
refrigerant = "R-410A"

[[instrument]]
id = "gauges"
model = "pressure-transducer-2ch"         # a name of instruments.py
link = "serial:bus"                       # serial:NAME, tcp, tcp:NAME, rtu+tcp:NAME or ble:ADDRESS; units share a NAME
unit = 1
channels = { low = "vapor_service_pressure", high = "liquid_service_pressure" }
probes.low = { offset = 1500.0 }          # keys of probe.ProbeModel, over what the instrument has

[[instrument]]
id = "return"
model = "air-beacon"
link = "ble:C0:FF:EE:00:00:02"
channels = { temperature = "return_air_temperature", humidity = "return_air_humidity" }
bindkey = "000102030405060708090a0b0c0d0e0f"  # its adverts are encrypted with this invented key; without: plain
battery = 64                              # per cent, of an instrument on the radio

[[event]]
at = 60.0                                 # visit seconds
do = "blower"                             # as the control socket understands it
value = true
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lineset_simulators.instruments import MODBUS_INSTRUMENTS
from lineset_simulators.plant_config import PlantConfig
from lineset_simulators.probe import MODELS, ProbeModel

MOVABLE = ("bench-meter", "clamp-meter-line", "clamp-meter-ble")
RADIO = ("air-probe", "air-beacon", "clamp-meter-ble")
_ADDRESS = re.compile(r"([0-9A-F]{2}:){5}[0-9A-F]{2}")
_KEY = re.compile(r"[0-9a-f]{32}")
_OPTIONS = ("on", "mode", "error_style", "bindkey", "battery")
_NAME = re.compile(r"[a-z0-9_-]{1,32}")


class ScenarioError(Exception):
    """A scenario that cannot be played; the message names file, place and remedy."""


@dataclass(frozen=True)
class InstrumentPlan:
    """One instrument of a bench. `channels` maps its channels to points; a movable meter has none."""

    id: str
    model: str
    scheme: str  # serial, tcp, rtu+tcp, ble
    place: str  # name of the shared port, or the radio address
    unit: int
    channels: Mapping[str, str]
    probes: Mapping[str, ProbeModel]
    options: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Event:
    """Something that happens at a visit second: `request` as the control socket understands it."""

    at: float
    request: Mapping[str, object]


@dataclass(frozen=True)
class Scenario:
    """A bench to be built and played."""

    title: str
    seed: int
    plant: PlantConfig
    instruments: tuple[InstrumentPlan, ...]
    events: tuple[Event, ...]


def load(file: Path) -> Scenario:
    """Read a scenario file. Raises ScenarioError."""
    try:
        root = tomllib.loads(file.read_text("utf-8"))
    except OSError as error:
        raise ScenarioError(f"{file}: cannot be read ({error.strerror}); check the path") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ScenarioError(f"{file}: this is not TOML ({error}); put it right there") from error
    try:
        return read(root)
    except ValueError as error:
        raise ScenarioError(f"{file}: {error}") from error


def read(root: Mapping[str, Any]) -> Scenario:
    """A scenario from its parsed tables. Raises ValueError with the place and what would do."""
    unknown = set(root) - {"scenario", "plant", "instrument", "event"}
    if unknown:
        raise ValueError(f"unknown table {sorted(unknown)[0]!r}; use scenario, plant, instrument, event")
    head = _table(root, "scenario")
    seed = head.get("seed", 1)
    if not isinstance(seed, int):
        raise ValueError(f"scenario: seed is a whole number, not {seed!r}")
    instruments = tuple(_instrument(table) for table in _tables(root, "instrument"))
    seen: set[str] = set()
    stations: set[tuple[str, str, int]] = set()
    for plan in instruments:
        if plan.id in seen:
            raise ValueError(f"two instruments are called {plan.id!r}; give each its own id")
        seen.add(plan.id)
        station = (plan.scheme, plan.place, plan.unit if plan.model in MODBUS_INSTRUMENTS else 0)
        if plan.place and station in stations:
            raise ValueError(f"instrument {plan.id}: {plan.scheme}:{plan.place} is taken; choose another unit or name")
        stations.add(station)
    return Scenario(
        title=str(head.get("title", "untitled")),
        seed=seed,
        plant=PlantConfig.from_table(_table(root, "plant")),
        instruments=instruments,
        events=tuple(sorted((_event(table) for table in _tables(root, "event")), key=lambda event: event.at)),
    )


def _table(root: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    table = root.get(key, {})
    if not isinstance(table, dict):
        raise ValueError(f"{key} is a table; write [{key}]")
    return table


def _tables(root: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
    tables = root.get(key, [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise ValueError(f"{key} is a list of tables; write [[{key}]]")
    return tables


def _event(table: Mapping[str, Any]) -> Event:
    at = table.get("at")
    if isinstance(at, bool) or not isinstance(at, int | float) or at < 0:
        raise ValueError(f"event: at is visit seconds from 0, not {at!r}")
    if not isinstance(table.get("do"), str):
        raise ValueError(f'event at {at}: do is missing, such as do = "outdoor_unit"')
    return Event(float(at), {key: value for key, value in table.items() if key != "at"})


def _instrument(table: Mapping[str, Any]) -> InstrumentPlan:
    name = str(table.get("id", ""))
    if not _NAME.fullmatch(name):
        raise ValueError(f'instrument: id {name!r} is not of a-z, 0-9, _ and -; such as id = "gauges"')
    model = str(table.get("model", ""))
    if model not in MODELS:
        raise ValueError(f"instrument {name}: no model {model!r}; use one of {', '.join(MODELS)}")
    known = {"id", "model", "link", "unit", "channels", "probes", *_OPTIONS}
    if unknown := set(table) - known:
        raise ValueError(
            f"instrument {name}: unknown key {sorted(unknown)[0]!r}; use one of {', '.join(sorted(known))}"
        )
    scheme, place = _link(name, model, str(table.get("link", "tcp")))
    unit = table.get("unit", 1)
    if not isinstance(unit, int) or not 1 <= unit <= 247:
        raise ValueError(f"instrument {name}: unit goes from 1 to 247, not {unit!r}")
    return InstrumentPlan(
        id=name,
        model=model,
        scheme=scheme,
        place=place or (name if scheme != "ble" else ""),
        unit=unit,
        channels=_channels(name, model, _table(table, "channels")),
        probes=_probes(name, model, _table(table, "probes")),
        options=_options(name, model, table),
    )


def _options(name: str, model: str, table: Mapping[str, Any]) -> dict[str, object]:
    battery, key = table.get("battery", 90), table.get("bindkey", "0" * 32)
    if "battery" in table and model not in RADIO:
        raise ValueError(f"instrument {name}: only {', '.join(RADIO)} tell about a battery")
    if isinstance(battery, bool) or not isinstance(battery, int) or not 0 <= battery <= 100:
        raise ValueError(f"instrument {name}: battery goes from 0 to 100 per cent, not {battery!r}")
    if "bindkey" in table and model != "air-beacon":
        raise ValueError(f"instrument {name}: only an air-beacon has a bindkey")
    if not isinstance(key, str) or not _KEY.fullmatch(key):
        raise ValueError(f"instrument {name}: bindkey is 32 digits 0-9 and a-f, not {key!r}")
    return {key: table[key] for key in _OPTIONS if key in table}


def _link(name: str, model: str, link: str) -> tuple[str, str]:
    scheme, _, place = link.partition(":")
    allowed = ("ble",) if model in RADIO else ("serial", "tcp", "rtu+tcp")
    if scheme not in allowed or (scheme == "rtu+tcp" and model not in MODBUS_INSTRUMENTS):
        raise ValueError(f"instrument {name}: a {model} cannot be on {link!r}; use {' or '.join(allowed)}")
    if scheme == "ble" and not _ADDRESS.fullmatch(place):
        raise ValueError(f"instrument {name}: {link!r} has no address; write it like ble:C0:FF:EE:00:00:01")
    if scheme != "ble" and place and not _NAME.fullmatch(place):
        raise ValueError(f"instrument {name}: the name in {link!r} is not of a-z, 0-9, _ and -")
    return scheme, place


def _channels(name: str, model: str, table: Mapping[str, Any]) -> dict[str, str]:
    if model in MOVABLE:
        if table:
            raise ValueError(f'instrument {name}: a {model} is moved from point to point; say on = "POINT"')
        return {}
    for channel, point in table.items():
        if channel not in MODELS[model]:
            raise ValueError(f"instrument {name}: no channel {channel!r}; it has {', '.join(MODELS[model])}")
        if not isinstance(point, str):
            raise ValueError(f"instrument {name}: channel {channel} names a point, not {point!r}")
    return dict(table)


def _probes(name: str, model: str, table: Mapping[str, Any]) -> dict[str, ProbeModel]:
    probes = dict(MODELS[model])
    for channel, changes in table.items():
        if channel not in probes:
            raise ValueError(f"instrument {name}: no probe {channel!r}; it has {', '.join(probes)}")
        if not isinstance(changes, dict):
            raise ValueError(f"instrument {name}: probes.{channel} is a table, such as {{ offset = 0.5 }}")
        try:
            probes[channel] = probes[channel].changed(changes)
        except ValueError as error:
            raise ValueError(f"instrument {name}, channel {channel}: {error}") from error
    return probes
