"""Join the tables of evidence into one page, tests/evidence/EVIDENCE.md; see tests/evidence/run."""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).resolve().parent
TOP = HERE.parents[1]
PAGE = HERE / "EVIDENCE.md"


class Section(NamedTuple):
    """One part of the page: the script that prints it, and what it can and cannot show."""

    name: str
    title: str
    command: tuple[str, ...]
    about: str


SECTIONS = (
    Section(
        "fluids",
        "Saturation curves against published tables",
        ("tests/evidence/fluids.py",),
        "Deviations are of the shipped curve from each table; makers' charts rest on property models of their own.",
    ),
    Section(
        "moist_air",
        "Moist air against published values",
        ("tests/evidence/moist_air.py",),
        "With the bias of a perfect-gas mixture beside it.",
    ),
    Section(
        "coverage",
        "Coverage of 95 % intervals",
        ("tests/evidence/coverage.py",),
        "The model's coverage, not the field's: errors are drawn as stated. Whether field errors are as stated it "
        "cannot show. Propagation is of first order. That is not enough where a value stands against a bound or bends "
        "within its own interval: nearly saturated air, a ratio of two small differences, a supply that is balanced. "
        "The hard corners show by how much; a row that falls short is marked, and no verdict of pass or fail rests on "
        "the sensible heat ratio or the bypass factor.",
    ),
    Section(
        "settle",
        "The settled detector against textbook detectors",
        ("tests/bench/settle/scoreboard.py", "--seeds", "50", "--first", "6001", "--by-kind"),
        "Seeded streams with known truth, judged on seeds that nothing was tuned on. The slow channels miss their "
        "goals of false events and of delay, and so does the whole system: a creep with one to two bands left looks, "
        "for as long as the goals allow, like a legitimate ramp. Capacitance falls a little short in delay and in "
        "what it misses, and its few samples a verdict cost more than the goal. Tried on tuning streams without "
        "getting there: bounded sizes of tails and ramps, other priors and time constants, longer and shorter "
        "windows, one to four looks in a row, a window begun anew at a change, a longer memory of changes (kept), and "
        "decision trees on 32 features of the blocks (at best 7.8 % false at 143 s and 585 s, or 5.8 % at 200 s and "
        "703 s).",
    ),
    Section(
        "confusion",
        "Diagnosis over simulated visits",
        ("tests/evidence/confusion.py",),
        "Simulated systems of one make: it shows that the reasoning holds on systems that behave as the sign charts "
        "say, not how it does in the field.",
    ),
    Section(
        "rooftop",
        "Diagnosis of a measured rooftop unit",
        ("tests/evidence/rooftop.py",),
        "Real measurements, of a blocked condenser and of no fault only.",
    ),
)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sections", nargs="*", metavar="SECTION", help=", ".join(s.name for s in SECTIONS))
    asked = parser.parse_args()
    known = {section.name: section for section in SECTIONS}
    wrong = [name for name in asked.sections if name not in known]
    if wrong:
        parser.error(f"no section is called {wrong[0]!r}; there are {', '.join(known)}")
    kept = _parts(PAGE.read_text(encoding="utf-8")) if PAGE.exists() else {}
    failed = []
    for n, section in enumerate(SECTIONS, 1):
        if asked.sections and section.name not in asked.sections:
            continue
        print(f"[{n}/{len(SECTIONS)}] {section.title} ...", file=sys.stderr, flush=True)
        done = subprocess.run([sys.executable, *section.command], cwd=TOP, stdout=subprocess.PIPE, text=True)
        if done.returncode:
            failed.append(section.name)
            print(f"{section.name} failed; what stood there is kept", file=sys.stderr)
            continue
        kept[section.name] = done.stdout.strip()
    text = [
        "# Evidence",
        "",
        "Made by `tests/evidence/run`; nothing here is written by hand. Misses are shown as they are.",
    ]
    for section in SECTIONS:
        if section.name in kept:
            text += ["", f"<!-- {section.name} -->", f"## {section.title}", "", section.about, "", kept[section.name]]
            text += ["", f"<!-- end of {section.name} -->"]
    PAGE.write_text("\n".join(text) + "\n", encoding="utf-8")
    print(PAGE.relative_to(TOP))
    return 1 if failed else 0


def _parts(page: str) -> dict[str, str]:
    found = {}
    for section in SECTIONS:
        match = re.search(
            rf"<!-- {section.name} -->\n## .*?\n\n.*?\n\n(.*?)\n\n<!-- end of {section.name} -->", page, re.DOTALL
        )
        if match:
            found[section.name] = match[1]
    return found


if __name__ == "__main__":
    sys.exit(main())
