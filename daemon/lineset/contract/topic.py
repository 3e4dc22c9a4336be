"""Topics: where on the wire each message is, as one table, with what builds and reads the names.

A name is `lineset/v1/{shop}/{station}/` and one row of `KINDS`. Levels hold only [a-z0-9_-], so that every MQTT 3.1.1
broker treats them alike (a space or `*` means something to some). An instance of a point is written with a dash:
`heat_strip_current.2` travels as `heat_strip_current-2`.
"""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass

from lineset.contract.topic_kind import KINDS as KINDS
from lineset.contract.topic_kind import Kind as Kind

ROOT = "lineset/v1"
MAX_LEVEL = 64

_LEVEL = re.compile(rf"[a-z0-9_-]{{1,{MAX_LEVEL}}}")
_NAME = re.compile(r"(?P<base>[a-z0-9_]+)(?:\.(?P<instance>[1-9][0-9]?))?")
_NAME_LEVEL = re.compile(r"(?P<base>[a-z0-9_]+)(?:-(?P<instance>[1-9][0-9]?))?")

# A system may not be called like a level that stands beside the systems of a visit, now or later.
RESERVED_SYSTEMS = frozenset({"event", "observation", "cue", "question", "block", "blob"})
# Fields that carry the name of a point or derived value, which may have an instance.
NAME_FIELDS = frozenset({"point", "name"})


class TopicError(ValueError):
    """A topic, or a part of one, that does not belong to the contract; says which part and what is allowed."""


@dataclass(frozen=True, slots=True)
class Parsed:
    """A topic read back: its kind, and its variable levels by name (a point with its instance as `point.2`)."""

    kind: Kind
    fields: dict[str, str]


def check_level(level: str, what: str) -> str:
    """`level` itself when it may stand in a topic. Raises TopicError that names `what` it is."""
    if not _LEVEL.fullmatch(level):
        raise TopicError(
            f"{what} {level!r} cannot stand in a topic: use 1 to {MAX_LEVEL} of a-z, 0-9, underscore and dash"
        )
    return level


def is_level(level: str) -> bool:
    """Whether `level` may stand in a topic."""
    return _LEVEL.fullmatch(level) is not None


def level_of(name: str) -> str:
    """The level for a point or derived value: "heat_strip_current.2" gives "heat_strip_current-2"."""
    match = _NAME.fullmatch(name)
    if match is None:
        raise TopicError(f"{name!r} is not the name of a point or derived value: a-z, 0-9, underscore, and .N at most")
    level = match["base"] if match["instance"] is None else f"{match['base']}-{match['instance']}"
    return check_level(level, "name")


def name_of(level: str) -> str:
    """The point or derived value of a level: the inverse of `level_of`."""
    match = _NAME_LEVEL.fullmatch(level)
    if match is None or len(level) > MAX_LEVEL:
        raise TopicError(f"{level!r} is not the level of a point or derived value")
    return match["base"] if match["instance"] is None else f"{match['base']}.{match['instance']}"


@functools.lru_cache(maxsize=4096)
def _build(base: str, kind_name: str, values: tuple[str, ...]) -> str:
    kind = KINDS[kind_name]
    topic = kind.pattern
    for field, value in zip(kind.fields, values, strict=True):
        if field in NAME_FIELDS:
            level = level_of(value)
        else:
            level = check_level(value, field)
            if field == "system" and level in RESERVED_SYSTEMS:
                raise TopicError(f"a system cannot be called {level!r}: that level of a visit has another meaning")
        topic = topic.replace(f"{{{field}}}", level, 1)
    return f"{base}/{topic}"


@dataclass(frozen=True, slots=True)
class Topics:
    """The topics of one station: builds names and reads them. All raise TopicError for what the contract forbids."""

    shop: str
    station_id: str

    def __post_init__(self) -> None:
        check_level(self.shop, "shop")
        check_level(self.station_id, "station")

    @property
    def base(self) -> str:
        """What all topics of this station begin with, without a slash at the end."""
        return f"{ROOT}/{self.shop}/{self.station_id}"

    @property
    def everything(self) -> str:
        """Filter for all that this station says."""
        return f"{self.base}/#"

    @property
    def commands(self) -> str:
        """Filter for all commands to this station."""
        return f"{self.base}/command/#"

    @property
    def receipts(self) -> str:
        """Filter for all receipts to this station."""
        return f"{self.base}/receipt/+"

    @property
    def cue_filter(self) -> str:
        """Filter for the cues of all visits."""
        return f"{self.base}/visit/+/cue/+"

    def station(self) -> str:
        return _build(self.base, "station", ())

    def instrument(self, instrument: str) -> str:
        return _build(self.base, "instrument", (instrument,))

    def visit(self, visit: str) -> str:
        return _build(self.base, "visit", (visit,))

    def event(self, kind: str, visit: str) -> str:
        """Topic of an event of a visit's record that has no topic of its own."""
        return _build(self.base, "visit_event", (visit, kind))

    def now(self, visit: str, system: str) -> str:
        return _build(self.base, "now", (visit, system))

    def run(self, visit: str, system: str) -> str:
        return _build(self.base, "run", (visit, system))

    def reading(self, visit: str, system: str, point: str) -> str:
        return _build(self.base, "reading", (visit, system, point))

    def derived(self, visit: str, system: str, name: str) -> str:
        return _build(self.base, "derived", (visit, system, name))

    def settled(self, visit: str, system: str, phase: str, name: str) -> str:
        return _build(self.base, "settled", (visit, system, phase, name))

    def hunting(self, visit: str, system: str, phase: str, name: str) -> str:
        return _build(self.base, "hunting", (visit, system, phase, name))

    def check(self, visit: str, system: str, phase: str, name: str) -> str:
        return _build(self.base, "check", (visit, system, phase, name))

    def finding(self, visit: str, system: str, phase: str, id_: str) -> str:
        return _build(self.base, "finding", (visit, system, phase, id_))

    def worklist(self, visit: str, system: str) -> str:
        return _build(self.base, "worklist", (visit, system))

    def question(self, visit: str, id_: str) -> str:
        return _build(self.base, "question", (visit, id_))

    def cue(self, visit: str, n: int) -> str:
        return _build(self.base, "cue", (visit, str(n)))

    def observation(self, visit: str, n: int) -> str:
        return _build(self.base, "observation", (visit, str(n)))

    def block(self, visit: str, n: int) -> str:
        return _build(self.base, "block", (visit, str(n)))

    def receipt(self, visit: str) -> str:
        return _build(self.base, "receipt", (visit,))

    def command(self, verb: str) -> str:
        return _build(self.base, "command", (verb,))

    def reply(self, request: str) -> str:
        return _build(self.base, "reply", (request,))

    def parse(self, topic: str) -> Parsed:
        """What a topic of this station means. Raises TopicError for a foreign or unknown one."""
        if not topic.startswith(self.base + "/"):
            raise TopicError(f"{topic!r} is not below {self.base}/")
        return parse_below(topic[len(self.base) + 1 :])


def parse_below(rest: str) -> Parsed:
    """What the part of a topic below lineset/v1/{shop}/{station}/ means. Raises TopicError for an unknown one."""
    levels = rest.split("/")
    for level in levels:
        check_level(level, "level")
    for kind in KINDS.values():
        fields = _match(kind.pattern.split("/"), levels)
        if fields is not None:
            return Parsed(kind, fields)
    raise TopicError(f"no topic of the contract looks like {rest!r}; `lineset contract` lists them")


def _match(pattern: list[str], levels: list[str]) -> dict[str, str] | None:
    if len(pattern) != len(levels):
        return None
    fields: dict[str, str] = {}
    for want, level in zip(pattern, levels, strict=True):
        if not want.startswith("{"):
            if want != level:
                return None
            continue
        field = want[1:-1]
        if field == "system" and level in RESERVED_SYSTEMS:
            return None
        fields[field] = name_of(level) if field in NAME_FIELDS else level
    return fields
