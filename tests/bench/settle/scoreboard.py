"""The settle scoreboard: our detector and the textbook ones on streams whose truth is known.

    python tests/bench/settle/scoreboard.py [--seeds N] [--first N] [--json] [--only ours] [--no-system]

The rivals are tuned on tuning seeds and judged, like ours, on judging seeds, which differ by construction.
Prints a Markdown table; asserts nothing.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time

from ours import ours
from rivals import Builder, maker, rivals
from score import Maker, Score, score, score_system
from streams import JUDGING, KINDS, NS, SLOW, TUNING, Stream, stream, system

GOALS: dict[str, dict[str, float]] = {
    "slow channels": {
        "false_per_hour": 0.05, "false_pct": 2, "missed_pct": 2, "delay_median_s": 120, "delay_p95_s": 300,
        "error_p95_bands": 0.30, "release_p95_s": 60, "events_per_interval": 1.05, "us_per_sample": 3,
    },
    "spot current": {"false_pct": 3, "missed_pct": 3, "delay_median_s": 5, "delay_p95_s": 10, "us_per_sample": 3},
    "capacitance": {"false_pct": 0, "missed_pct": 1, "delay_median_s": 1.2, "delay_p95_s": 2, "us_per_sample": 3},
    "whole system": {"false_per_hour": 0.05, "missed_pct": 5, "delay_median_s": 180, "delay_p95_s": 450},
}  # fmt: skip
COLUMNS = {
    "false_per_hour": "false/h", "false_pct": "false %", "missed_pct": "missed %", "delay_median_s": "delay med s",
    "delay_p95_s": "delay p95 s", "error_p95_bands": "error p95 bands", "to_final_p95_bands": "to final p95",
    "coverage_pct": "coverage %", "release_p95_s": "release p95 s", "events_per_interval": "events/interval",
    "us_per_sample": "us/sample",
}  # fmt: skip


FINE = ("false_per_hour", "error_p95_bands", "events_per_interval", "to_final_p95_bands")


def cost(got: Score, goal: dict[str, float]) -> float:
    """What the tuning makes small: how far it is from the goals that say whether it is right, and how quick."""
    f = got.figures()
    total = 0.0
    for name, weight in (("false_pct", 1.0), ("missed_pct", 1.0), ("delay_median_s", 1.0), ("delay_p95_s", 1.0)):
        value = f[name]
        total += 50.0 if math.isnan(value) else weight * value / max(goal[name], 1.0)
    flapping = f["events_per_interval"]
    return total + (0.0 if math.isnan(flapping) else 2.0 * (flapping - 1.0))


def tell(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def run(kinds: tuple[str, ...], purpose: str, seeds: range, make: Maker) -> Score:
    total = Score()
    for name in kinds:
        for n in seeds:
            got = stream(purpose, name, n) if (purpose, name, n) not in _KEPT else _KEPT[purpose, name, n]
            if purpose == TUNING:
                _KEPT[purpose, name, n] = got
            total.add(score(got, make(got)))
    return total


_KEPT: dict[tuple[str, str, int], Stream] = {}


def tune(group: str, kinds: tuple[str, ...], seeds: int) -> dict[str, tuple[str, Builder]]:
    """The best setting of each rival on tuning seeds."""
    chosen: dict[str, tuple[str, Builder]] = {}
    for name, settings in rivals(group == "slow channels").items():
        best: tuple[float, str, Builder] | None = None
        for text, builder in settings.items():
            value = cost(run(kinds, TUNING, range(seeds), maker(builder)), GOALS[group])
            if best is None or value < best[0]:
                best = (value, text, builder)
        assert best is not None
        chosen[name] = best[1:]
        tell(f"  {group}: {name} tuned to {best[1]} (cost {best[0]:.1f})")
    _KEPT.clear()
    return chosen


def coarse(seeds: range) -> dict[str, tuple[int, int, int]]:
    """Of meters too coarse: how many streams, how many were told so, how many settled nevertheless.

    A band in proportion to the value may be wider than the display's step where the reading is large: the meter is
    not too coarse there, and to settle is no mistake.
    """
    found = {}
    for name in KINDS:
        told = settled = 0
        for n in seeds:
            s = stream(JUDGING, name, n, coarse=True)
            judge = ours(s)
            said = False
            events = 0
            for t, x in s.samples:
                if judge.push(t, x) and judge.settled:
                    events += s.resolution > s.kind.band_at(s.regime(t / NS).base)
                said = said or judge.detector.coarse
            told += said
            settled += events > 0
        found[name] = (len(seeds), told, settled)
    return found


def table(rows: list[tuple[str, Score]], goal: dict[str, float]) -> list[str]:
    lines = ["| detector | " + " | ".join(COLUMNS.values()) + " | events | hours |", "|" + "---|" * (len(COLUMNS) + 3)]
    cells = [f"{goal[name]:g}" if name in goal else "93-98" if name == "coverage_pct" else "" for name in COLUMNS]
    lines.append("| *goal: at most* | " + " | ".join(cells) + " | | |")
    for name, got in rows:
        f = got.figures()
        cells = []
        for key in COLUMNS:
            value = f[key]
            digits = (
                2 if key in ("false_per_hour", "error_p95_bands", "events_per_interval", "to_final_p95_bands") else 1
            )
            cells.append("" if math.isnan(value) else f"{value:.{digits}f}")
        lines.append(f"| {name} | " + " | ".join(cells) + f" | {got.events} | {got.hours:.1f} |")
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=12, help="judging streams a kind (four times as many spot ones)")
    parser.add_argument("--first", type=int, default=0, help="number of the first judging stream of a kind")
    parser.add_argument("--only", choices=("ours", "all"), default="all", help="`ours`: leave the rivals out")
    parser.add_argument("--no-system", action="store_true", help="leave the whole-system score out")
    parser.add_argument("--by-kind", action="store_true", help="ours also for each slow kind by itself")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    began = time.monotonic()
    out: dict[str, dict[str, dict[str, float]]] = {}
    text: list[str] = []
    groups: dict[str, tuple[tuple[str, ...], int]] = {
        "slow channels": (SLOW, asked.seeds),
        "spot current": (("spot current",), 4 * asked.seeds),
        "capacitance": (("capacitance",), 6 * asked.seeds),
    }
    makers: dict[str, Maker] = {}
    first = asked.first
    for group, (kinds, count) in groups.items():
        seeds = range(first, first + count)
        tell(f"{group}: {count} streams a kind ({time.monotonic() - began:.0f} s)")
        rows = [("ours", run(kinds, JUDGING, seeds, ours))]
        if asked.by_kind and len(kinds) > 1:
            rows += [(f"ours, {kind}", run((kind,), JUDGING, seeds, ours)) for kind in kinds]
        if asked.only == "all":
            tuned = tune(group, kinds, 2 if group == "slow channels" else 8)
            for name, (setting, builder) in tuned.items():
                rows.append((f"{name} ({setting})", run(kinds, JUDGING, seeds, maker(builder))))
                if group == "slow channels":
                    makers[f"{name} ({setting})"] = maker(builder)
        text += [f"\n**{group}**\n", *table(rows, GOALS[group])]
        out[group] = {name: got.figures() for name, got in rows}
    if not asked.no_system:
        tell(f"whole system: {asked.seeds} visits ({time.monotonic() - began:.0f} s)")
        rows = []
        for name, make in {"ours": ours, **makers}.items():
            total = Score()
            for n in range(first, first + asked.seeds):
                total.add(score_system(system(JUDGING, n), make))
            rows.append((name, total))
            tell(f"  whole system: {name} ({time.monotonic() - began:.0f} s)")
        text += ["\n**whole system** (two pipe and two air temperatures, both pressures, settled together)\n"]
        text += table(rows, GOALS["whole system"])
        out["whole system"] = {name: got.figures() for name, got in rows}
    told = coarse(range(first, first + max(asked.seeds // 3, 2)))
    text += [
        "\n**meters too coarse to prove stability**\n",
        "| kind | streams | told so | settled nevertheless |",
        "|---|---|---|---|",
    ]
    text += [f"| {name} | {a} | {b} | {c} |" for name, (a, b, c) in told.items()]
    out["coarse"] = {n: {"streams": a, "told": b, "settled": c} for n, (a, b, c) in told.items()}
    print(json.dumps(out, indent=1) if asked.json else "\n".join(text))
    tell(f"done in {time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
