"""A shop's rules: a TOML text that replaces limits and figures of preconditions, and is named in the verdict.

name = "our rules, spring"
role = "service"                 # or verifier: whose published tolerances

[preconditions]
run_minutes = 20

[limits.static]
high_inwc = 0.8
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from lineset.assess.decision import Rule
from lineset.assess.limits import LIMITS, ROLES, SERVICE, Limit, limit, overridden
from lineset.assess.preconditions import Settings
from lineset_drivers.errors import ProfileError
from lineset_drivers.toml_text import Table, parse

# check -> (what the key ends in, factor to SI)
_UNIT: dict[str, tuple[str, float]] = {
    **dict.fromkeys(("superheat", "lowest_superheat", "subcooling", "metering_device", "split"), ("f", 5.0 / 9.0)),
    **dict.fromkeys(("line_voltage", "control_voltage", "contactor_drop"), ("v", 1.0)),
    **dict.fromkeys(("capacitor", "motor_amps", "strip_amps", "voltage_unbalance"), ("pct", 0.01)),
    "strips_off": ("a", 1.0),
    "static": ("inwc", 249.0889),
}
CONFIRMABLE = ("RA3.2-2", "RA3.2-3")


class RulesError(ValueError):
    """A rules file that cannot be used; `problems` holds every one of them, with key, line and remedy."""

    def __init__(self, problems: list[ProfileError]) -> None:
        self.problems = problems
        super().__init__("\n".join(str(problem) for problem in problems))


@dataclass(frozen=True)
class Rules:
    """What verdicts are judged by: limits by (check, role), figures of preconditions, and where they came from.

    `confirmed` are the recalled tables that the shop says it has compared with the document.
    """

    limits: Mapping[tuple[str, str], Limit] = field(default_factory=lambda: LIMITS)
    settings: Settings = field(default_factory=Settings)
    role: str = SERVICE
    name: str = ""
    text: str = ""
    confirmed: tuple[str, ...] = ()

    @property
    def sha256(self) -> str:
        """SHA-256 of the text; empty for the rules that lineset ships."""
        return hashlib.sha256(self.text.encode()).hexdigest() if self.text else ""


SHIPPED = Rules()


def read_rules(text: str, file: str = "rules") -> Rules:
    """Rules from a TOML text. An empty one gives what lineset ships. Raises RulesError with every problem found."""
    if not text.strip():
        return SHIPPED
    root = parse(text, file)
    problems = root.problems
    if problems:
        raise RulesError(problems)
    name = root.text("name", "the shop's rules", example='"our rules, spring"')
    role = root.text("role", SERVICE, one_of=ROLES)
    settings = _settings(root.table("preconditions"))
    tables = root.table("tables")
    confirmed = tables.items("confirmed", (str,), (), example='["RA3.2-3"]')
    for each in confirmed:
        if each not in CONFIRMABLE:
            tables.problem("confirmed", f"{each!r} is no recalled table", f"Use {', '.join(CONFIRMABLE)}")
    tables.finish()
    limits = dict(LIMITS)
    given = root.table("limits")
    for check in given:
        if check not in _UNIT:
            given.problem(check, f"no limit is called {check!r}", f"Use one of {', '.join(sorted(_UNIT))}")
            given.rest()
            continue
        row = _limit(given.table(check), check, limit(check, role), name)
        limits[check, role] = row
    given.finish()
    root.finish()
    if problems:
        raise RulesError(problems)
    return Rules(limits, settings, role, name, text, confirmed)


def _settings(table: Table) -> Settings:
    usual = Settings()
    low_f = table.number("lowest_outdoor_f", None, least=-40.0, most=120.0, example="55")
    found = replace(
        usual,
        run_minutes=table.number("run_minutes", usual.run_minutes, least=0.0, most=240.0, example="15"),
        assumed_humidity=table.number("assumed_humidity_pct", usual.assumed_humidity, least=1.0, most=100.0),
        lowest_outdoor_cel=usual.lowest_outdoor_cel if low_f is None else (low_f - 32.0) / 1.8,
    )
    table.finish()
    return found


def _limit(table: Table, check: str, usual: Limit, name: str) -> Limit:
    suffix, factor = _UNIT[check]
    low = _side(table, f"low_{suffix}", factor)
    high = _side(table, f"high_{suffix}", factor)
    source = table.text("source", "", example='"the maker\'s sheet of 2024"')
    rule = Rule(table.text("rule", str(usual.rule), one_of=tuple(str(each) for each in Rule)))
    bottom, top = usual.low if low is None else low, usual.high if high is None else high
    if bottom is not None and top is not None and not bottom < top:
        key = f"high_{suffix}" if high is not None else f"low_{suffix}"
        table.problem(key, "the high limit is not above the low one", "Swap or correct them")
    table.finish()
    return overridden(usual, low, high, f"{name}: {source}" if source else name, rule)


def _side(table: Table, key: str, factor: float) -> float | None:
    found: Any = table.number(key, None, example="3.0")
    if found is None:
        return None
    if not abs(found) < 1e6:
        table.problem(key, f"{found!r} cannot be a limit", "Give a number")
        return None
    return float(found) * factor
