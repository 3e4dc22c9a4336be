"""How far the shipped saturation curves are from what is published: Markdown tables, one per fluid and per source.

    python tests/evidence/fluids.py

Deviations are curve minus table in kelvin at the table's pressure. A makers' chart rests on its own property model, so
a difference is none of ours by itself; it is what a technician sees who holds the chart beside the number. A handbook
that agrees to 0.001 K rests on the same equation of state: it proves the code, not the refrigerant. Every row is in
tests/data/thermo/saturation.csv with its source.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from published_saturation import LEFT_OUT, Pair, pairs

from lineset.physics import generate_curves
from lineset.physics.refrigerant import REFRIGERANTS, curve, curve_file

MAKERS = "maker's or supplier's chart"
# What a source is; its full name is in tests/data/thermo/README.md under this id's rows.
WORDS = {
    "handbook": ("MORAN22", "VDI2010", "EPLUS", "MORAN134", "MORAN290", "CENGEL134", "ASHRAE407", "ASHRAE34"),
    "correlation, evaluated": ("MCGARRY", "PERRY28", "RICHTER11", "VDIPPDS3"),
    "another property program": ("REFPROP683", "REFPROP921", "NISTISS402", "NISTISS177"),
    MAKERS: (
        "CARRIER22", "DUPONT410", "FUJITSU410", "JCI410", "LENNOX410", "TRANE410", "LIEBERT407", "HONEY448", "CHEM454",
        "CHART449", "GM134", "SUZUKI134", "ALLCHEM32",
    ),
    "trade page": ("TRADE3", "LEARN454", "SPATZ1234"),
}  # fmt: skip
_KIND = {source: words for words, sources in WORDS.items() for source in sources}


def _worst(rows: Iterable[Pair]) -> Pair:
    return max(rows, key=lambda pair: abs(pair.miss()[0]))


def _table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> list[str]:
    return [
        "| " + " | ".join(head) + " |",
        "| " + " | ".join("---" for _ in head) + " |",
        *("| " + " | ".join(row) + " |" for row in rows),
        "",
    ]


def per_fluid(rows: list[Pair]) -> list[str]:
    """One line a fluid: what was compared, median and worst deviation, and what was left out."""
    out = []
    for name, refrigerant in REFRIGERANTS.items():
        mine = [pair for pair in rows if pair.refrigerant == name]
        trusted = [pair for pair in mine if pair.trusted]
        recalled = [pair for pair in mine if pair.kind == "memory" and not pair.suspect]
        aside = len(mine) - len(trusted) - len(recalled)
        saturation = curve(name)
        glide = saturation.glide(saturation.bubble.pressure(40.0))
        cells: tuple[str, ...] = ("0", "none published in our reference data", "", "")
        if trusted:
            misses = [pair.miss()[0] for pair in trusted]
            worst = _worst(trusted)
            cells = (
                str(len(trusted)), f"{median(misses):+.3f}", f"{worst.miss()[0]:+.3f}",
                f"{worst.row}: {worst.printed} ({_KIND[worst.source]})",
            )  # fmt: skip
        charts = [pair.miss()[0] for pair in trusted if _KIND[pair.source] == MAKERS]
        beside = f"{median(charts):+.2f} / {max(charts, key=abs):+.2f} ({len(charts)})" if charts else "none here"
        memory = f"{len(recalled)} (worst {_worst(recalled).miss()[0]:+.2f} K)" if recalled else "0"
        out.append((name, refrigerant.safety_class, f"{glide:.1f}", *cells, beside, memory, str(aside)))
    head = ("fluid", "class", "glide at 40 degC, K", "rows compared", "median, K", "worst, K", "worst row",
            "of these makers' charts: median / worst, K (rows)", "recalled rows, not counted", "left out")  # fmt: skip
    return _table(head, out)


def per_source(rows: list[Pair]) -> list[str]:
    """One line a fluid and source: charts differ from each other by more than from the curve."""
    out = []
    for name in REFRIGERANTS:
        sources = sorted({pair.source for pair in rows if pair.refrigerant == name and pair.trusted})
        for source in sources:
            mine = [pair for pair in rows if (pair.refrigerant, pair.source) == (name, source) and pair.trusted]
            misses = [pair.miss()[0] for pair in mine]
            digits = median(pair.miss()[1] for pair in mine)
            temperatures = [pair.temperature_cel for pair in mine]
            out.append((
                name, _KIND[source], f"{mine[0].row} .. {mine[-1].row}", str(len(mine)),
                f"{min(temperatures):.0f} .. {max(temperatures):.0f}", f"{median(misses):+.3f}",
                f"{max(misses, key=abs):+.3f}", f"{digits:.3f}",
            ))  # fmt: skip
    head = ("fluid", "source", "rows", "n", "degC", "median, K", "worst, K", "printed digits leave open, K")
    return _table(head, out)


def left_out(rows: list[Pair]) -> list[str]:
    """Every row that is not counted, and why."""
    out = []
    for pair in rows:
        if pair.suspect:
            reason = {"typo": "misprint: breaks its own column", "typo?": "misprint, or recalled wrongly",
                      "wrong": "published result of a mistaken calculation"}[pair.suspect]  # fmt: skip
            why = f"{reason}; {pair.note}" if pair.note else reason
        elif (pair.source, pair.refrigerant) in LEFT_OUT and pair.kind != "memory":
            why = (
                "this page's R-134a column departs from every handbook by up to 1.5 K beyond its digits; still checked"
            )
        else:
            continue
        out.append((pair.row, pair.refrigerant, pair.printed, f"{pair.miss()[0]:+.2f}", why))
    return _table(("row", "fluid", "as printed", "curve - table, K", "why it is left out"), out)


def fidelity() -> list[str]:
    """The curves against the property model that they are made from, between their nodes, every sixth step."""
    out = []
    for name in REFRIGERANTS:
        body = json.loads(curve_file(name).read_text())
        found = list(generate_curves.differences(body, fractions=(0.5,), stride=6))
        line = curve(name).bubble
        out.append((
            name, body["fluid"], body["coolprop"], f"{line.low_cel:.0f} .. {line.high_cel:.0f}",
            *(f"{difference.kelvin * 1e3:+.4f}" for difference in found),
        ))  # fmt: skip
    return _table(("fluid", "CoolProp's fluid", "version", "degC", "bubble, mK", "dew, mK"), out)


def report() -> str:
    """All tables as Markdown."""
    rows = pairs()
    return "\n".join([
        "### Saturation curves against published tables", "", *per_fluid(rows),
        "### The same by source", "", *per_source(rows),
        "### Rows left out, and why", "", *left_out(rows),
        "### The curves against the property model that they were made from", "", *fidelity(),
    ])  # fmt: skip


if __name__ == "__main__":
    print(report())
