"""The limits: one table, each with its source, edition, how surely it is known, and its decision rule.

Figures are SI (K for differences, Pa, V, A, parts of one). `side` says what they bound: the value itself, its
deviation from the target, or its deviation as a part of the target. A role names whose tolerance it is: who installs
or services (the default), or who verifies afterwards.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from lineset.assess.basis import Basis
from lineset.assess.decision import Rule
from lineset.assess.demands import K_PER_F

Side = Literal["value", "deviation", "part"]
_INWC = 249.0889
SERVICE, VERIFIER, LATER_VERIFIER = "service", "verifier", "verifier_later"
ROLES = (SERVICE, VERIFIER, LATER_VERIFIER)
_RA3 = "Reference Residential Appendices RA3.2"


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit. `low` or `high` is None where it is open; each side has its own basis."""

    check: str
    role: str
    side: Side
    low: float | None
    high: float | None
    source: str
    edition: str
    low_basis: Basis
    high_basis: Basis
    rule: Rule
    if_low: str = ""
    if_high: str = ""
    low_passes: bool = False  # the source lets a value below pass, with a word about it

    @property
    def named(self) -> str:
        """Source, edition and how surely it is known, in one line."""
        known = sorted({self.low_basis, self.high_basis})
        bases = " and ".join(known)
        return ", ".join(part for part in (self.source, self.edition, bases) if part)


def _f(value: float | None) -> float | None:
    return None if value is None else value * K_PER_F


def _tolerance(
    check: str, role: str, low: float | None, high: float | None, page: str, edition: str,
    basis: Basis = Basis.SEEN, high_basis: Basis | None = None, *, side: Side = "deviation",
    if_low: str = "", if_high: str = "", low_passes: bool = False,
) -> Limit:  # fmt: skip
    return Limit(
        check, role, side, _f(low), _f(high), f"{_RA3}{page}", edition, basis,
        basis if high_basis is None else high_basis, Rule.SIMPLE, if_low, if_high, low_passes,
    )  # fmt: skip


_CHARGE_LOW = "rule out airflow and a dirty coil first, then follow the maker's charging procedure"
_ROWS: tuple[Limit, ...] = (
    _tolerance(
        "superheat", SERVICE, -5, 5, " p. RA3-14; a maker's printed chart has the same", "2008",
        if_low=f"below target: overfeeding, low airflow or high charge; {_CHARGE_LOW}",
        if_high=f"above target: underfeeding or low charge; {_CHARGE_LOW}",
    ),
    _tolerance("superheat", VERIFIER, -6, 6, " p. RA3-14", "2008"),
    _tolerance("superheat", LATER_VERIFIER, -8, 8, "", "2013 and later", Basis.MEMORY),
    Limit(
        "lowest_superheat", SERVICE, "value", _f(5), None, "a maker's installation instructions", "", Basis.SEEN,
        Basis.SEEN, Rule.SIMPLE, if_low="liquid may reach the compressor: never accept this",
    ),
    _tolerance(
        "subcooling", SERVICE, -3, 3, " p. RA3-15 (high side by symmetry)", "2008", Basis.SEEN, Basis.MEMORY,
        if_low=f"below target: low charge, or flash gas; {_CHARGE_LOW}",
        if_high=f"above target: high charge, or a liquid-line restriction; {_CHARGE_LOW}",
    ),
    _tolerance("subcooling", VERIFIER, -4, 4, ".2.6", "2008", Basis.MEMORY),
    _tolerance("subcooling", LATER_VERIFIER, -6, 6, "", "2013 and later", Basis.MEMORY),
    _tolerance(
        "metering_device", SERVICE, 4, 25, " p. RA3-15, where the maker gives no range", "2008", side="value",
        if_low="the expansion valve overfeeds, or its bulb is loose or warm",
        if_high="the expansion valve starves the coil, or the charge is low: look at subcooling first",
    ),
    _tolerance("metering_device", VERIFIER, 3, 26, " p. RA3-15", "2008", side="value"),
    _tolerance(
        "split", SERVICE, -3, 3, " p. RA3-16", "2008",
        if_low="measure again; if it stays low, airflow passes but capacity is likely low",
        if_high="suggests low airflow: look at filter, coil, blower and ducts", low_passes=True,
    ),
    _tolerance(
        "split", VERIFIER, -4, 4, " p. RA3-16", "2008",
        if_low="measure again; if it stays low, airflow passes but capacity is likely low",
        if_high="suggests low airflow: look at filter, coil, blower and ducts", low_passes=True,
    ),
    Limit(
        "capacitor", SERVICE, "part", None, None, "the marking on the capacitor, as the system file has it", "",
        Basis.NAMEPLATE, Basis.NAMEPLATE, Rule.GUARDED, if_low="the capacitor has faded: replace it",
        if_high="above its marking: wrong capacitor, or a start-assist branch in the reading",
    ),
    Limit(
        "motor_amps", SERVICE, "part", None, 0.0, "the motor's rating plate", "", Basis.PRACTICE, Basis.PRACTICE,
        Rule.GUARDED,
    ),
    Limit(
        "strip_amps", SERVICE, "part", -0.10, 0.10, "volts over ohms of a resistance", "", Basis.PRACTICE,
        Basis.PRACTICE, Rule.GUARDED, if_low="an element is open, or the volts at the strip are low",
        if_high="more than the rated strip on this conductor",
    ),
    Limit(
        "strips_off", SERVICE, "value", None, 2.0, "resistance heat draws its full amps or none", "", Basis.DEFINITION,
        Basis.DEFINITION, Rule.GUARDED, if_high="heat strips are energised while cooling: look at the control circuit",
    ),
    Limit(
        "line_voltage", SERVICE, "value", 187.0, 253.0, "window of equipment rated 208/230 V", "", Basis.MEMORY,
        Basis.MEMORY, Rule.GUARDED, if_low="low supply voltage", if_high="high supply voltage",
    ),
    Limit(
        "control_voltage", SERVICE, "value", 21.0, 30.0, "24 V control circuit", "", Basis.PRACTICE, Basis.PRACTICE,
        Rule.GUARDED, if_low="contactors may chatter: look at transformer tap, load and line voltage",
        if_high="look at the transformer's primary tap",
    ),
    Limit(
        "contactor_drop", SERVICE, "value", None, 0.25, "drop across one closed pole under load", "", Basis.PRACTICE,
        Basis.PRACTICE, Rule.GUARDED, if_high="burnt contacts: replace the contactor",
    ),
    Limit(
        "static", SERVICE, "value", None, 0.5 * _INWC, "usual rated maximum of residential blowers", "", Basis.MEMORY,
        Basis.MEMORY, Rule.GUARDED, if_high="look at filter, coil and ducts; see the blower's own table",
    ),
    Limit(
        "voltage_unbalance", SERVICE, "value", None, 0.01, "NEMA MG-1 as quoted, at motor terminals", "", Basis.SEEN,
        Basis.SEEN, Rule.GUARDED, if_high="a motor runs hot on unbalanced volts: look at supply and connections",
    ),
)  # fmt: skip

LIMITS: dict[tuple[str, str], Limit] = {(row.check, row.role): row for row in _ROWS}


def limit(check: str, role: str = SERVICE, rows: Mapping[tuple[str, str], Limit] | None = None) -> Limit:
    """The limit of a check for a role; a role without a row of its own has that of who services."""
    table = LIMITS if rows is None else rows
    return table.get((check, role)) or table[check, SERVICE]


def overridden(row: Limit, low: float | None, high: float | None, source: str, rule: Rule) -> Limit:
    """The same limit with a shop's figures, which then carry a verdict in the shop's name. None keeps a side."""
    kept = [row.named] if None in (low, high) and (row.low, row.high) != (None, None) else []
    return replace(
        row,
        low=row.low if low is None else low,
        high=row.high if high is None else high,
        source="; else ".join([source, *kept]),
        edition="",
        low_basis=row.low_basis if low is None else Basis.SHOP,
        high_basis=row.high_basis if high is None else Basis.SHOP,
        rule=rule,
    )
