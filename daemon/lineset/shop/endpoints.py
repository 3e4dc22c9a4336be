"""The table of what the shop's API answers: path, parameters, the right that is needed, and the model of the answer.

Routes and the OpenAPI document are both made from it, so neither can say anything else than the other.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Literal

import msgspec

from lineset.shop import answers as a
from lineset.shop.board_tokens import Scope
from lineset.shop.queries import MOST
from lineset.shop.refusal import Refusal

BASE = "/api/v1"
MOST_POINTS = 2000


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter: how it is read and described. `read` turns its text into a value or raises ValueError."""

    name: str
    about: str
    schema: dict[str, Any] = field(default_factory=lambda: {"type": "string"})
    required: bool = False
    where: Literal["query", "path"] = "query"
    argument: str = ""  # what the question calls it

    def read(self, text: str) -> Any:
        """Its value. Raises ValueError that says what is allowed."""
        kind = self.schema.get("format") or self.schema["type"]
        if kind == "integer":
            low, high = self.schema["minimum"], self.schema["maximum"]
            if not re.fullmatch(r"\d{1,9}", text) or not low <= int(text) <= high:
                raise ValueError(f"a whole number from {low} to {high}")
            return int(text)
        if kind == "date-time":
            return _moment(text, end=self.name == "to")
        if (choices := self.schema.get("enum")) and text not in choices:
            raise ValueError(f"one of {', '.join(choices)}")
        if (pattern := self.schema.get("pattern")) and not re.fullmatch(pattern, text):
            raise ValueError(f"a text like {pattern}")
        if len(text) > self.schema.get("maxLength", 200) or "\x00" in text:
            raise ValueError("a shorter text without control characters")
        return text


def _moment(text: str, *, end: bool) -> datetime:
    """A moment, or a day in UTC: its beginning, or for the end of a span the beginning of the next."""
    try:
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
            day = date.fromisoformat(text) + timedelta(days=1 if end else 0)
            return datetime.combine(day, time(), UTC)
        found = datetime.fromisoformat(re.sub(r" (\d\d:?\d\d)$", r"+\1", text))  # a + of an address is read as a space
        if found.tzinfo is not None:
            return found.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise ValueError("a day (2026-11-25) or a moment with its zone (2026-11-25T08:00:00Z)") from error
    raise ValueError("a moment with its zone (2026-11-25T08:00:00Z)")


@dataclass(frozen=True, slots=True)
class Endpoint:
    """One row: what is asked where. `answer` is the model of a JSON answer, or the media type of another."""

    name: str
    path: str  # below BASE
    about: str
    answer: type[msgspec.Struct] | str
    scope: Scope = "board"
    parameters: tuple[Parameter, ...] = ()

    @property
    def of_visit(self) -> bool:
        """Whether it is about one visit."""
        return "{visit}" in self.path

    def read(self, path: dict[str, str], query: list[tuple[str, str]]) -> dict[str, Any]:
        """The values of all parameters that were given. Raises Refusal (422)."""
        given: dict[str, str] = {}
        known = {each.name: each for each in self.parameters}
        for name, text in query:
            if name not in known or known[name].where == "path":
                there = ", ".join(each.name for each in self.parameters if each.where == "query") or "none"
                raise Refusal(422, f"{name!r} is no parameter here", f"{BASE}{self.path}", f"parameters are: {there}")
            if name in given:
                raise Refusal(422, "it was given twice", f"parameter {name}", "give it once")
            given[name] = text
        given |= path
        values: dict[str, Any] = {}
        for name, each in known.items():
            if given.get(name, "") == "":
                if each.required:
                    raise Refusal(422, "it is missing", f"parameter {name}", f"give it: {each.about}")
                continue
            try:
                values[each.argument or name] = each.read(given[name])
            except ValueError as error:
                raise Refusal(
                    422, f"{given[name][:80]!r} is not what is wanted", f"parameter {name}", f"give {error}"
                ) from error
        return values


_LEVEL = {"type": "string", "pattern": "[a-z0-9_-]{1,64}"}
_NAME = {"type": "string", "pattern": r"[a-z0-9_]{1,64}(\.[0-9]{1,2})?"}
_STATION = Parameter("station", "Name of a station.", _LEVEL, True, "path")
_VISIT = Parameter("visit", "Name of a visit.", _LEVEL, True, "path")
_OF_VISIT = (_STATION, _VISIT)
_SYSTEM = Parameter("system", "Only of this system, by its id.", _LEVEL)
_PHASE = Parameter(
    "phase", "Only of this phase.", {"type": "string", "enum": ["at_rest", "before", "work", "drying", "after"]}
)
_STATION_ONLY = Parameter("station", "Only of this station.", _LEVEL)
_PAGE = (
    Parameter("limit", "Most rows of a page.", {"type": "integer", "minimum": 1, "maximum": MOST, "default": MOST}),
    Parameter("cursor", "`next` of the page before.", {"type": "string", "maxLength": 400}),
)
_SPAN = {"type": "string", "format": "date-time"}

ENDPOINTS: tuple[Endpoint, ...] = (
    Endpoint(
        "visits", "/visits", "Visits, the latest opened first.", a.VisitPage,
        parameters=(
            _STATION_ONLY,
            Parameter(
                "system", "Only with a system whose id, title or nameplate (serial number, model) holds this text.",
                {"type": "string", "maxLength": 80},
            ),
            Parameter("from", "Opened on this day (UTC) or at this moment, or later.", _SPAN, argument="opened_from"),
            Parameter("to", "Opened by the end of this day (UTC), or before this moment.", _SPAN, argument="opened_to"),
            Parameter(
                "state", "Only in this state.", {"type": "string", "enum": ["open", "closed", "sealed", "removed"]}
            ),
            *_PAGE,
        ),
    ),
    Endpoint(
        "visit", "/visits/{station}/{visit}", "A visit, and how its checks, findings and wants stand.", a.VisitDetail,
        parameters=_OF_VISIT,
    ),
    Endpoint(
        "settled", "/visits/{station}/{visit}/settled", "What settled, and what stopped being steady.", a.SettledPage,
        parameters=(*_OF_VISIT, _SYSTEM, _PHASE, *_PAGE),
    ),
    Endpoint(
        "checks", "/visits/{station}/{visit}/checks", "Verdicts, whenever they changed.", a.CheckPage,
        parameters=(*_OF_VISIT, _SYSTEM, _PHASE, *_PAGE),
    ),
    Endpoint(
        "findings", "/visits/{station}/{visit}/findings", "What explains the readings, whenever it changed.",
        a.FindingPage, parameters=(*_OF_VISIT, _SYSTEM, _PHASE, *_PAGE),
    ),
    Endpoint(
        "placements", "/visits/{station}/{visit}/placements", "Where channels sat.", a.PlacementPage,
        parameters=(*_OF_VISIT, *_PAGE),
    ),
    Endpoint(
        "events", "/visits/{station}/{visit}/events", "Other entries of the record, without what people wrote.",
        a.EventPage,
        parameters=(
            *_OF_VISIT, Parameter("kind", "Only of this kind.", {"type": "string", "pattern": "[a-z_]{1,32}"}), *_PAGE,
        ),
    ),
    Endpoint(
        "observations", "/visits/{station}/{visit}/observations", "What people saw and wrote.", a.ObservationPage,
        scope="notes", parameters=(*_OF_VISIT, *_PAGE),
    ),
    Endpoint(
        "photo", "/visits/{station}/{visit}/photos/{sha256}", "A photo of a visit.", "image/*", scope="notes",
        parameters=(
            *_OF_VISIT,
            Parameter("sha256", "Its hash.", {"type": "string", "pattern": "[0-9a-f]{64}"}, True, "path"),
        ),
    ),
    Endpoint(
        "series_names", "/visits/{station}/{visit}/names", "What a visit has values of.", a.SeriesNames,
        parameters=_OF_VISIT,
    ),
    Endpoint(
        "series", "/visits/{station}/{visit}/series",
        "A reading or derived value over time: lowest and highest in spans of equal length.", a.Series,
        parameters=(
            *_OF_VISIT,
            Parameter("name", "A point or derived value.", _NAME, True),
            Parameter("system", "Of this system, by its id.", _LEVEL, True),
            Parameter(
                "points", "Most spans.", {"type": "integer", "minimum": 2, "maximum": MOST_POINTS, "default": 600}
            ),
        ),
    ),
    Endpoint(
        "report", "/visits/{station}/{visit}/report", "The visit's report, made from the stored record.", "text/html",
        scope="notes",
        parameters=(
            *_OF_VISIT,
            Parameter("language", "Of the report.", {"type": "string", "enum": ["en", "es"], "default": "en"}),
            Parameter(
                "units", "Of the report.", {"type": "string", "enum": ["customary", "si"], "default": "customary"}
            ),
            Parameter(
                "zone", "Time zone of dates and times, such as America/Chicago.",
                {"type": "string", "pattern": "[A-Za-z0-9_+/-]{1,40}", "default": "UTC"},
            ),
        ),
    ),
    Endpoint(
        "wants", "/wants", "What visits of the last days want of the shop.", a.WantPage,
        parameters=(
            Parameter(
                "days", "Of visits opened in so many days.",
                {"type": "integer", "minimum": 1, "maximum": 400, "default": 14},
            ),
            _STATION_ONLY, *_PAGE,
        ),
    ),
    Endpoint(
        "stations", "/stations", "Stations, when something of their record last came, and for how long nothing has.",
        a.StationPage, parameters=_PAGE,
    ),
    Endpoint(
        "instruments", "/instruments", "Calibration of instruments, the first due first.", a.InstrumentPage,
        parameters=(
            _STATION_ONLY,
            Parameter(
                "standing", "Only these.", {"type": "string", "enum": ["over", "soon", "good", "unknown"]}
            ),
            *_PAGE,
        ),
    ),
    Endpoint("openapi", "/openapi.json", "This document.", "application/json"),
)  # fmt: skip
"""Every question that the API answers"""
