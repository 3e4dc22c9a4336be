"""What happened, as one sentence each: record events and changes of state, for `lineset watch`."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from lineset.contract.live import (
    EventMessage,
    HuntingMessage,
    InstrumentMessage,
    RunMessage,
    SettledMessage,
    StationMessage,
)
from lineset.station.events import title_of

RUNNING = {"cool": "cooling", "heat": "heating", "fan": "blower only", "emergency": "emergency heat"}
_UNKNOWN_RUN = "running state not known yet: it takes two kinds of probe that agree"


def named(name: str) -> str:
    """The title of a point or derived value; of one that this version does not know, its name in words."""
    try:
        return title_of(name)
    except (KeyError, ValueError):
        return name.replace("_", " ").replace(".", " ")


def run_words(state: str, mode: str) -> str:
    """A system's running state in words: "running, cooling"."""
    if state == "unknown":
        return _UNKNOWN_RUN
    return f"{state}, {RUNNING.get(mode, mode)}" if mode else state


def span(seconds: float) -> str:
    """How long, in words as coarse as they are useful: "42 s", "12 min", "2 h 05 min"."""
    if seconds < 60:
        return f"{max(seconds, 0.0):.0f} s"
    minutes = int(seconds // 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def settled_sentence(message: SettledMessage) -> str:
    """What settled, or stopped being steady."""
    title = message.title or named(message.name)
    if not message.settled:
        return f"{title} is no longer steady: {message.reason}" if message.reason else f"{title} is no longer steady"
    if message.origin == "entered":
        return f"{title}: {message.text}, entered by a person, read on {message.instrument or 'an instrument'}"
    return f"{title} settled at {message.text}"


def hunting_sentence(message: HuntingMessage) -> str:
    """A value that swings too wide to settle, or does so no more."""
    title = message.title or named(message.name)
    if message.state == "ended":
        return f"{title} hunts no more" + (f": {message.reason}" if message.reason else "")
    return f"{title} is {message.text}, so it does not settle"


def run_sentence(message: RunMessage) -> str:
    """A new running state, with what each kind of probe says."""
    asked: dict[str, list[str]] = {}
    for what, vote in message.evidence.items():
        about, _, kind = what.rpartition(" ")
        if vote:
            asked.setdefault(about or "running", []).append(f"{kind.replace('_', ' ')} {vote}")
    says = "; ".join(f"{about}? {', '.join(votes)}" for about, votes in asked.items())
    stage = f", {message.stage} stage" if message.stage else ""
    words = f"system {message.system}: {run_words(message.state, message.mode)}{stage}"
    return f"{words} ({says})" if says else words


def instrument_sentence(message: InstrumentMessage) -> str:
    """How an instrument stands."""
    return f"instrument {message.instrument} is {message.state}: {message.reason}"


def station_sentence(message: StationMessage, station: str) -> str:
    """How the station stands."""
    who = f"station {message.station or station}"
    if not message.online:
        return f"{who} is offline" + (f": {message.reason}" if message.reason else "")
    if not message.recording:
        return f"{who} does NOT RECORD, nothing settles: {message.reason or 'its journal cannot write'}"
    return f"{who} is online and recording (lineset {message.version})"


def _by(body: Mapping[str, Any], key: str = "by") -> str:
    return f", by {body[key]}" if body.get(key) else ""


def event_sentence(message: EventMessage) -> str:
    """Another event of the record; empty for one that another message tells better."""
    body = message.body
    channel = f"{body.get('instrument', '')}/{body.get('channel', '')}"
    match message.event:
        case "entered":
            return ""  # its settled message carries value and title
        case "placed" if body.get("point"):
            return f"{channel} sits at {named(body['point'])} of {body.get('system', '')}{_by(body)}"
        case "placed":
            return f"{channel} was taken away from its point{_by(body)}"
        case "declared":
            said = {True: "declared", False: "declared not so", None: "taken back"}[body.get("value", True)]
            return f"{said} on {body.get('system', '')}: {str(body.get('fact', '')).replace('_', ' ')}{_by(body)}"
        case "refrigerant":
            amount = f" ({body['text']})" if body.get("text") else ""
            return f"refrigerant {body.get('action', '')} on {body.get('system', '')}{amount}, by {body['certified']}"
        case "phase":
            return f"the visit goes on to phase {body.get('phase')}{_by(body)}"
        case "comparison":
            done = "corrected from now on" if body.get("applied", True) else str(body.get("reason", ""))
            return f"{channel} compared with {body.get('against') or 'its fellows'}: {done}"
        case "amended":
            of = body.get("record", {}).get("id", "")
            return f"more is known of {of}: {', '.join(body.get('keys', ()))}{_by(body)}"
        case "opened":
            systems = ", ".join(f"{s.get('id')} ({s.get('refrigerant')})" for s in body.get("systems", ()))
            return f"visit {body['visit']} opened on {systems}{_by(body)}" if body.get("visit") else "station started"
        case "closed":
            return f"visit closed{_by(body)}" + (f": {body['reason']}" if body.get("reason") else "")
        case "quality":
            what, quality = named(body.get("name", "")), str(body.get("quality", "")).replace("_", " ")
            return f"{what} ({channel}) is {quality}: {body.get('reason', '')}"
        case "too_coarse":
            return f"{named(body.get('name', ''))} ({channel}) cannot be shown to settle: {body.get('reason', '')}"
        case "command" if body.get("verb") == "note" and body.get("ok", True):
            return f"note: {body.get('args', {}).get('text', '')}{_by(body, 'actor')}"
        case "command" if not body.get("ok", True):
            return f"refused{_by(body, 'actor')}: {body.get('verb')}: {body.get('answer', '')}"
        case "command":
            return ""  # what it did has an event of its own
    return f"{message.event.replace('_', ' ')}: {json.dumps(body)}"
