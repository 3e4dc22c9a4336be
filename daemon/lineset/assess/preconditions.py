"""Preconditions: what must hold before a reading may be held against a limit, each with its source.

A precondition is met, not met, not met yet (waiting helps), or taken as met because nobody said otherwise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from lineset.assess.evidence import FACTS, Evidence

_RA3 = "2008 Reference Residential Appendices RA3.2"


class Held(StrEnum):
    """How a precondition stands."""

    MET = "met"
    NOT_MET = "not_met"
    NOT_YET = "not_yet"
    ASSUMED = "assumed"


class Standing(NamedTuple):
    """How a precondition stands, and a sentence about it (with what to do, where it is not met)."""

    held: Held
    words: str


@dataclass(frozen=True)
class Settings:
    """Figures of preconditions that a shop may change. Minutes, Cel."""

    run_minutes: float = 15.0  # RA3-13 (read); one maker's guide asks 20
    lowest_outdoor_cel: float = (55.0 - 32.0) / 1.8  # RA3-9 (read)
    assumed_humidity: float = 50.0  # %RH, where it is not measured; common practice, no source


@dataclass(frozen=True)
class Precondition:
    """One precondition: its name, where it is from, and how it stands by the evidence."""

    name: str
    source: str
    stands: Callable[[Evidence, Settings], Standing]


def _cooling(evidence: Evidence, _settings: Settings) -> Standing:
    if evidence.mode == "heat" and evidence.run in ("running", "starting"):
        return Standing(Held.NOT_MET, "it heats now; this is a test of cooling")
    if evidence.run == "defrost":
        return Standing(Held.NOT_MET, "it defrosts now; this is a test of cooling")
    if evidence.run == "stopped":
        return Standing(Held.NOT_YET, "the system is stopped: run it in cooling")
    if evidence.run in ("running", "starting"):
        if evidence.mode == "cool":
            return Standing(Held.MET, "it cools")
        return Standing(Held.ASSUMED, "it cools (no air probes tell)")
    if evidence.said("steady_cooling"):
        return Standing(Held.MET, "it cools, as declared")
    return Standing(
        Held.NOT_YET, "whether it runs is not known: clamp the compressor's conductor, or say that it cools"
    )


def _running(evidence: Evidence, _settings: Settings) -> Standing:
    if evidence.run in ("running", "starting"):
        return Standing(Held.MET, "it runs")
    if evidence.run == "stopped":
        return Standing(Held.NOT_YET, "the system is stopped")
    if evidence.said("steady_cooling"):
        return Standing(Held.MET, "it runs, as declared")
    return Standing(Held.ASSUMED, "it runs (its run state is not known)")


def _long_enough(evidence: Evidence, settings: Settings) -> Standing:
    needed = settings.run_minutes
    if evidence.said("steady_cooling") and needed <= Settings.run_minutes:
        return Standing(Held.MET, "long enough, as declared")
    touched = evidence.since_touched_s
    for seconds, since in ((evidence.run_s, "it started"), (touched, "refrigerant was added or removed")):
        if seconds is not None and seconds < needed * 60.0:
            left = needed - seconds / 60.0
            return Standing(Held.NOT_YET, f"less than {needed:g} minutes since {since}: wait about {left:.0f} more")
    return Standing(Held.MET, f"at least {needed:g} minutes in this run")


def _warm_enough(evidence: Evidence, settings: Settings) -> Standing:
    outdoor = evidence.settled("outdoor_air_temperature")
    low = settings.lowest_outdoor_cel
    if outdoor is None:
        return Standing(Held.ASSUMED, f"it is at least {low * 1.8 + 32:.0f} degF outdoors")
    if outdoor.value < low - 1e-9:
        return Standing(
            Held.NOT_MET,
            f"below {low * 1.8 + 32:.0f} degF outdoors a charge test does not hold: weigh the charge in, or come back "
            "on a warmer day",
        )
    return Standing(Held.MET, "warm enough outdoors")


def _fact(fact: str, if_not: str) -> Callable[[Evidence, Settings], Standing]:
    def stands(evidence: Evidence, _settings: Settings) -> Standing:
        said = evidence.said(fact)
        if said is None:
            return Standing(Held.ASSUMED, FACTS[fact])
        return Standing(Held.MET, FACTS[fact]) if said else Standing(Held.NOT_MET, if_not)

    return stands


def _stage(evidence: Evidence) -> str:
    """The stage that it runs in: by two kinds of evidence, else as declared; "" where nobody can tell."""
    if evidence.stage:
        return evidence.stage
    full, low = evidence.said("full_capacity"), evidence.said("low_stage")
    if full is not None and full == low:
        return ""  # both or neither cannot be
    return "high" if full or low is False else "low" if low or full is False else ""


def _charge_stage(evidence: Evidence, settings: Settings) -> Standing:
    if evidence.system.capacity_control != "two_stage":
        return _full_capacity(evidence, settings)
    wanted = evidence.system.charge_stage or "high"
    named = {"high": "full stage", "low": "low stage, which the maker names for it"}[wanted]
    runs = _stage(evidence)
    if not runs:
        fact = {"high": "full_capacity", "low": "low_stage"}[wanted]
        return Standing(
            Held.NOT_YET,
            f"in which stage it runs is neither seen nor said: its charge is judged in {named}; call for it, and say "
            f"so ({fact})",
        )
    seen = "by two kinds of evidence" if evidence.stage else "as declared"
    if runs != wanted:
        return Standing(Held.NOT_MET, f"it runs in {runs} stage, {seen}: its charge is judged in {named}; call for it")
    return Standing(Held.MET, f"it runs in {'full' if runs == 'high' else runs} stage, {seen}")


def _full_capacity(evidence: Evidence, _settings: Settings) -> Standing:
    control = evidence.system.capacity_control
    said = evidence.said("full_capacity")
    if control == "two_stage" and _stage(evidence):
        if _stage(evidence) == "high":
            return Standing(Held.MET, "full stage")
        said = False
    if said is False:
        return Standing(
            Held.NOT_MET, "the unit does not run at full capacity: call for high stage or the maker's test mode"
        )
    if said or control in ("", "single"):
        return Standing(Held.MET, "full capacity")
    if control == "inverter":
        return Standing(
            Held.NOT_MET,
            "with an inverter this cannot be judged here: its pressures follow its speed, so that only the maker's "
            "test mode holds it still; start that, and say so (full_capacity)",
        )
    return Standing(Held.ASSUMED, FACTS["full_capacity"])


COOLING = Precondition("cooling", f"{_RA3} (read)", _cooling)
RUNNING = Precondition("running", "definition", _running)
RUN_TIME = Precondition(
    "run_time", f"{_RA3} p. RA3-13 and RA3-14 (read); a maker's guide asks 20 minutes", _long_enough
)
OUTDOOR = Precondition("outdoor_temperature", f"{_RA3} p. RA3-9 (read)", _warm_enough)
FULL_CAPACITY = Precondition("full_capacity", "common practice, no source", _full_capacity)
CHARGE_STAGE = Precondition("charge_stage", "common practice, no source", _charge_stage)
PANELS = Precondition(
    "panels_on", "common practice, no source", _fact("panels_on", "panels or covers are off: put them on and wait")
)
FILTER = Precondition(
    "filter_in", "common practice, no source", _fact("filter_in", "no clean filter is in place: put one in and wait")
)
COIL_DRY = Precondition(
    "outdoor_coil_dry", "common practice, no source",
    _fact("outdoor_coil_dry", "the outdoor coil is wet, which cools it below the air: let it dry"),
)  # fmt: skip
AIRFLOW = Precondition(
    "airflow", f"{_RA3} p. RA3-15 (read): 300 cfm/ton at least",
    _fact("airflow_checked", "indoor airflow is too low for a charge test (300 cfm/ton): put it right first"),
)  # fmt: skip
NO_START_ASSIST = Precondition(
    "no_start_assist", "definition",
    _fact("no_start_assist", "a start-assist branch shares the lead: measure the capacitor alone, on the bench"),
)  # fmt: skip
ISOLATED = Precondition(
    "isolated", "common practice, no source",
    _fact("isolated", "the capacitor is not isolated: power off, locked out, discharged, leads off"),
)  # fmt: skip

CHARGE = (COOLING, OUTDOOR, CHARGE_STAGE, RUN_TIME, PANELS, FILTER, COIL_DRY, AIRFLOW)
