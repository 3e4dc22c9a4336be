"""A clamp that goes from wire to wire: when it takes hold and lets go, and which wire it is likely to be on.

Pure. A grab is a current that stands for half a second after none did; a release the other way round. Which conductor
it is on follows from how many amps each may carry (nameplate, what was read there before) and from the order in which
the sheet suggests them. Only what is clear is taken; everything else is asked. Nothing here asks for a movement.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import msgspec

GRAB_NS = 500_000_000
RELEASE_NS = 400_000_000
# A current that leaps to another level and stays there, though none was seen between: a quick hand, or a slow meter.
LEAP_NS = 1_200_000_000
_LEAP = 1.3
_FOLLOW_S = 30.0  # what drifts slowly is followed
# It is judged once what it reads has stood for so long, within so much of itself.
LOOK_NS = 1_500_000_000
_STEADY = 0.06
# Taken without asking: so probable, and the next best so improbable.
TAKE = 0.90
_NEXT = 0.08
_NONE_OF_THESE = 0.15  # prior of a conductor that nobody thought of, spread evenly over the decades of amps
_DECADES = math.log(1000.0)  # 0.1 A to 100 A


class RoamState(msgspec.Struct):
    """One roaming channel. `since` is when what it does now began; `levels` what it read since it took hold."""

    on: bool = False
    since: int = -1
    leap: int = -1  # when it began to read another level than it was judged at
    flip: int = -1  # when it began to read otherwise than `on` says; -1: it does not
    levels: list[float] = []
    judged: bool = False
    base: float = 0.0  # the level that it was judged at, followed slowly
    base_t: int = 0
    grab: int = 0  # how often it has taken hold
    awaited: bool = False  # a person said where it is going to be; that holds when it takes hold


class Candidate(NamedTuple):
    """One conductor: what it is expected to carry (`centre`), how surely (`spread` of its logarithm), its prior."""

    system: str
    point: str
    centre: float
    spread: float
    prior: float = 1.0


class Likely(NamedTuple):
    """A candidate with its probability."""

    candidate: Candidate
    probability: float


def push(state: RoamState, t: int, value: float, threshold: float) -> str:
    """Take one reading [SI] at `t` [ns]; "grab", "release", "look" (time to judge), or ""."""
    active = abs(value) >= threshold
    if active == state.on:
        state.flip = -1
        if state.on:
            return _level(state, t, abs(value), threshold)
        return ""
    if state.flip < 0:
        state.flip = t
    if t - state.flip < (GRAB_NS if active else RELEASE_NS):
        return ""
    state.on, state.since, state.flip = active, state.flip, -1
    state.levels, state.judged = [], False
    if active:
        state.grab += 1
        _level(state, t, abs(value), threshold)
        return "grab"
    return "release"


def _level(state: RoamState, t: int, level: float, threshold: float) -> str:
    if state.judged:
        return _leapt(state, t, level)
    state.levels.append(level)
    if len(state.levels) > 64:
        del state.levels[0]
    recent = state.levels[-6:]
    steady = len(recent) >= 3 and max(recent) - min(recent) <= max(_STEADY * max(recent), threshold / 2)
    if t - state.since >= LOOK_NS and steady:
        state.judged, state.base, state.base_t, state.leap = True, level_of(state), t, -1
        return "look"
    return ""


def _leapt(state: RoamState, t: int, level: float) -> str:
    since_s, state.base_t = (t - state.base_t) / 1e9, t
    if state.base / _LEAP <= level <= state.base * _LEAP:
        state.leap = -1
        state.base += (level - state.base) * min(1.0, since_s / _FOLLOW_S)
        return ""
    if state.leap < 0:
        state.leap = t
    if t - state.leap < LEAP_NS:
        return ""
    state.since, state.levels, state.judged = state.leap, [level], False
    state.grab += 1
    return "grab"


def level_of(state: RoamState) -> float:
    """What it reads since it took hold: the middle one of the last few."""
    recent = sorted(state.levels[-6:])
    return recent[len(recent) // 2] if recent else 0.0


def weigh(level: float, candidates: Sequence[Candidate]) -> list[Likely]:
    """How probable each candidate is, the likeliest first; what is left over to one is none of them."""
    if level <= 0.0 or not candidates:
        return []
    total_prior = sum(each.prior for each in candidates)
    weights = []
    for each in candidates:
        off = (math.log(level) - math.log(each.centre)) / each.spread
        density = math.exp(-0.5 * off * off) / (each.spread * math.sqrt(2 * math.pi))
        weights.append(each.prior / total_prior * (1.0 - _NONE_OF_THESE) * density)
    total = sum(weights) + _NONE_OF_THESE / _DECADES
    found = [Likely(each, weight / total) for each, weight in zip(candidates, weights, strict=True)]
    return sorted(found, key=lambda each: (-each.probability, each.candidate.system, each.candidate.point))


def clear(level: float, weighed: Sequence[Likely], least: float) -> Candidate | None:
    """The candidate that may be taken without asking; None when somebody has to be asked.

    What reads less than `least` is never taken: it may be a jaw around both conductors, or a motor that idles.
    """
    if not weighed or level < least or weighed[0].probability < TAKE:
        return None
    if len(weighed) > 1 and weighed[1].probability > _NEXT:
        return None
    return weighed[0].candidate
