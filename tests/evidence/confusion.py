"""The confusion matrix of the diagnosis over simulated visits, as Markdown.

    python tests/evidence/confusion.py [--visits 2000] [--seed 2027] [--jobs 2] [--cache DIR] [--out FILE]

Each visit is judged twice: as the first visit to a system (targets, nameplate and what the trade takes as usual), and
as a later one (the system's own earlier visit, found sound, in other weather and with other instruments). Thresholds
and priors were tuned on seed 1; judge on another. Everything is simulated, and the simulated systems are of one make:
what this shows is that the reasoning holds on systems that behave as the sign charts say, not how it does in the field.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from rich.console import Console
from rich.progress import Progress
from simulated_visits import MIX, visit

from lineset.assess.diagnosis import Outcome, diagnose

TUNED_ON = 1
JUDGED_BEFORE = (2026, 2027)  # no tuning on these, but results of earlier thresholds were seen
# fault of the mix -> ids of the causes that name it
RIGHT: Mapping[str, tuple[str, ...]] = {
    "herm_capacitor": ("failing_herm_capacitor",),
    "fan_capacitor": ("failing_fan_capacitor",),
    "strips_while_cooling": ("heat_strips_while_cooling",),
    "clamp": ("clamp_not_on_one_conductor",),
}
NOTHING, CANNOT = "nothing found", "cannot tell"


@dataclass(frozen=True)
class Judged:
    """What came of one visit: `said` is the first cause's id, nothing found, or cannot tell."""

    fault: str
    severity: str
    said: str
    first_three: tuple[str, ...]

    @property
    def right(self) -> bool:
        return self.said in RIGHT.get(self.fault, (self.fault,))


def judge(number: int, seed: int, cache: Path | None) -> tuple[Judged, Judged]:
    """One visit, judged as a first visit and as a later one."""
    made = visit(seed, number, own=True, cache=cache)
    both = []
    for each in (replace(made, earlier=()), made):
        found = diagnose(each.evidence, at_rest=each.at_rest, earlier=each.earlier)
        ids = tuple(cause.id for cause in found.causes[:3])
        said = {Outcome.SOUND: NOTHING, Outcome.NOT_ENOUGH: NOTHING, Outcome.CANNOT_TELL: CANNOT}.get(found.outcome)
        both.append(Judged(each.fault, each.severity, said or ids[0], ids))
    return both[0], both[1]


def run(visits: int, seed: int, jobs: int, cache: Path | None) -> tuple[list[Judged], list[Judged]]:
    """All visits on several cores, in order, with a progress bar on the error stream."""
    if cache is not None:
        cache.mkdir(parents=True, exist_ok=True)
    first, later = [], []
    work = partial(judge, seed=seed, cache=cache)
    with ProcessPoolExecutor(jobs) as pool, Progress(console=Console(stderr=True)) as bar:
        task = bar.add_task("visits", total=visits)
        for one, other in pool.map(work, range(visits), chunksize=10):
            first.append(one)
            later.append(other)
            bar.advance(task)
    return first, later


def percent(part: int, whole: int) -> str:
    return "-" if not whole else f"{100.0 * part / whole:.1f} %"


def matrix(judged: list[Judged]) -> Iterator[str]:
    """Rows of the matrix: what was wrong and how badly, against what was said first."""
    table: dict[tuple[str, str], Counter[str]] = defaultdict(Counter)
    for each in judged:
        said = "the right cause" if each.right else each.said if each.said in (NOTHING, CANNOT) else "another cause"
        table[each.fault, each.severity][said] += 1
    wrong: dict[tuple[str, str], Counter[str]] = defaultdict(Counter)
    for each in judged:
        if not each.right and each.said not in (NOTHING, CANNOT):
            wrong[each.fault, each.severity][each.said] += 1
    yield "| what was wrong | how badly | visits | right cause first | cannot tell | nothing found | another cause |"
    yield "|---|---|---|---|---|---|---|"
    for fault in MIX:
        for severity in ("sound", "slight", "moderate", "large", "plain"):
            counted = table.get((fault, severity))
            if counted is None:
                continue
            total = sum(counted.values())
            others = ", ".join(f"{name} {count}" for name, count in wrong[fault, severity].most_common())
            right = "-" if fault == "sound" else percent(counted["the right cause"], total)
            nothing = percent(counted[NOTHING], total)
            yield (
                f"| {fault.replace('_', ' ')} | {severity} | {total} | {right} | {percent(counted[CANNOT], total)} "
                f"| {nothing} | {others or '-'} |"
            )


def goals(judged: list[Judged]) -> Iterator[str]:
    """The goals against what was reached, misses included."""
    sound = [each for each in judged if each.fault == "sound"]
    false = [each for each in sound if each.said not in (NOTHING, CANNOT)]
    moderate = [each for each in judged if each.severity == "moderate"]
    right = [each for each in moderate if each.right]
    rest = [each for each in moderate if not each.right]
    cannot = [each for each in rest if each.said == CANNOT]
    wrong = [each for each in rest if each.said not in (CANNOT, NOTHING)]
    among = [each for each in rest if set(RIGHT.get(each.fault, (each.fault,))) & set(each.first_three)]
    plain = [each for each in judged if each.severity == "plain"]
    yield "| goal | wanted | reached | |"
    yield "|---|---|---|---|"
    for what, least, part, whole in (
        ("no fault alleged in healthy visits", 99.0, len(sound) - len(false), len(sound)),
        ("right cause first in moderate faults (10 % of capacity or more)", 90.0, len(right), len(moderate)),
        ("of the others, cannot tell rather than wrong or nothing", 50.0, len(cannot), len(rest)),
    ):
        reached = 100.0 * part / whole if whole else 100.0
        verdict = "reached" if reached >= least else "**missed**"
        yield f"| {what} | {least:.0f} % | {percent(part, whole)} ({part} of {whole}) | {verdict} |"
    yield ""
    unsure = sum(each.said == CANNOT for each in sound)
    yield f"Healthy visits in which it says that it cannot tell: {percent(unsure, len(sound))}."
    yield f"Moderate faults that are called something else: {percent(len(wrong), len(moderate))}; of those not named,"
    yield f"the right cause is among the three listed in {percent(len(among), len(rest))}. Faults that a reading shows"
    right_plain = percent(sum(each.right for each in plain), len(plain))
    yield f"(instruments, capacitors, strips, supply): right first in {right_plain} of {len(plain)}."


def report(first: list[Judged], later: list[Judged], seed: int) -> str:
    lines = [
        f"{len(first)} visits, seed {seed} (tuned on seed {TUNED_ON}). Slight faults cost less than 10 % of capacity.",
        "High charge and gas that does not condense hardly cost capacity: large there means 20 % too much charge, or",
        "half an atmosphere of gas. Instruments err within what they state; the kit differs from visit to visit.",
    ]
    if seed in JUDGED_BEFORE:
        lines += [
            "This seed was never tuned on, but earlier thresholds were judged on it, and what they missed there was",
            "known when the present ones were tuned: not quite as good as a seed that nobody has looked at.",
        ]
    for title, judged in (("First visit to a system", first), ("Later visit, one earlier sound visit known", later)):
        lines += ["", f"### {title}", "", *goals(judged), "", *matrix(judged)]
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--visits", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=2027)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cache", type=Path, help="keeps the steady states, so that a second run is quick")
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    if options.visits < 1 or options.jobs < 1:
        parser.error("--visits and --jobs are 1 or more")
    text = report(*run(options.visits, options.seed, options.jobs, options.cache), options.seed)
    if options.out is None:
        sys.stdout.write(text)
    else:
        options.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
