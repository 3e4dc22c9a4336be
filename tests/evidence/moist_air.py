"""Moist air against published values, with the bias of a perfect-gas mixture beside it: Markdown tables.

    python tests/evidence/moist_air.py

The rows are those of tests/data/thermo/moist_air.csv. "Plain" is the perfect-gas mixture that handbooks give as a
short form and plain libraries compute (tests/perfect_gas_air.py).
"""

from __future__ import annotations

import sys
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import perfect_gas_air as plain_air
import published_air
from published_air import Published

from lineset.physics import air_side, wet_bulb
from lineset.physics.gradient import inputs

SOURCES = {
    "ASHRAE17T1": "ASHRAE Fundamentals 2017, table 1, standard atmosphere",
    "ASHRAE17T2": "ASHRAE Fundamentals 2017, table 2, moist air",
    "ASHRAE17T3": "ASHRAE Fundamentals 2017, table 3, water",
    "ASHRAE17EX1": "ASHRAE Fundamentals 2017, example 1, read off a chart",
    "ASHRAE09T2": "ASHRAE Fundamentals 2009, table 2 (recalled)",
    "ASHRAE09EX": "ASHRAE Fundamentals 2009, examples 2 and 3 (recalled)",
    "CENGEL14_3": "textbook example on a perfect-gas chart (recalled)",
    "CENGEL14_4": "textbook example on a perfect-gas chart (recalled)",
    "CENGEL14_6": "textbook example on a perfect-gas chart (recalled)",
    "PSYXL": "spreadsheet of a perfect-gas mixture, at altitude",
    "ALT5000": "psychrometric chart's heading",
}
OUTPUTS = {"p_std": "standard pressure", "p_ws": "vapor pressure of water", "w": "humidity ratio", "h": "enthalpy",
           "v": "volume", "rh": "relative humidity", "t": "dew point, wet bulb"}  # fmt: skip


def _kind(row: Published) -> str:
    return next(words for start, words in OUTPUTS.items() if row.output.startswith(start))


def _off(row: Published, found: float | None) -> float | None:
    """Deviation: in % of the printed value, of a temperature in its own degrees."""
    if found is None:
        return None
    return found - row.printed if row.output.startswith("t") else 100.0 * (found / row.printed - 1.0)


def _cell(values: list[float]) -> str:
    return f"{median(values):+.4f} / {max(values, key=abs):+.4f}" if values else "-"


def by_source(rows: list[Published]) -> list[str]:
    """One line a source and property: median and worst deviation of ours and of the plain model."""
    out = [
        "| source | property | rows | ours, median / worst | plain, median / worst |",
        "| --- | --- | --- | --- | --- |",
    ]
    groups: dict[tuple[str, str], list[Published]] = {}
    for row in rows:
        if not row.suspect:
            groups.setdefault((SOURCES[row.source], _kind(row)), []).append(row)
    for (source, kind), mine in groups.items():
        real = [off for row in mine if (off := _off(row, published_air.real(row))) is not None]
        plain = [off for row in mine if (off := _off(row, published_air.plain(row))) is not None]
        unit = "degrees" if kind == OUTPUTS["t"] else "%"
        out.append(f"| {source} | {kind}, {unit} | {len(mine)} | {_cell(real)} | {_cell(plain)} |")
    return [*out, ""]


def by_row(rows: list[Published]) -> list[str]:
    """The rows of the moist-air tables one by one."""
    out = ["| row | state | property | printed | ours | plain | ours off by | plain off by |",
           "| --- | --- | --- | --- | --- | --- | --- | --- |"]  # fmt: skip
    for row in rows:
        if row.source not in ("ASHRAE17T2", "ASHRAE09T2") or row.suspect:
            continue
        real, plain = published_air.real(row), published_air.plain(row)
        assert plain is not None
        out.append(
            f"| {row.row} | {row.state} | {row.output} | {row.printed:g} | {real:.6g} | {plain:.6g} | "
            f"{100 * (real / row.printed - 1):+.3f} % | {100 * (plain / row.printed - 1):+.3f} % |"
        )
    return [*out, ""]


def what_it_means() -> list[str]:
    """What the plain model's bias does to figures of a visit, at sea level: invented, ordinary states."""
    p = 101_325.0
    out = ["| state | value | ours | plain | difference |", "| --- | --- | --- | --- | --- |"]
    for t, rh in ((24.0, 50.0), (24.0, 65.0), (13.0, 92.0), (35.0, 40.0)):
        w = plain_air.humidity_ratio(t, rh, p)
        ours, theirs = wet_bulb.wet_bulb_of(t, rh, p).value, plain_air.wet_bulb(t, w, p)
        out.append(f"| {t:g} degC, {rh:g} % | wet bulb, degC | {ours:.3f} | {theirs:.3f} | {theirs - ours:+.3f} |")
    flow, t1, rh1, t2, rh2, pressure = inputs([0.55, 24.0, 50.0, 13.0, 92.0, p])
    entering, leaving = air_side.air(t1, rh1, pressure), air_side.air(t2, rh2, pressure)
    ours = air_side.cooling_duty(air_side.mass_flow(flow, entering), entering, leaving).total.value
    w1, w2 = plain_air.humidity_ratio(24.0, 50.0, p), plain_air.humidity_ratio(13.0, 92.0, p)
    dry = 0.55 / plain_air.volume(24.0, w1, p)
    theirs = dry * (plain_air.enthalpy(24.0, w1) - plain_air.enthalpy(13.0, w2) - (w1 - w2) * 4186.0 * 13.0)
    out.append(f"| 24 degC 50 % to 13 degC 92 %, 0.55 m3/s | total capacity, W | {ours:.0f} | {theirs:.0f} | "
               f"{100 * (theirs / ours - 1):+.2f} % |")  # fmt: skip
    return [*out, ""]


def report() -> str:
    """All tables as Markdown."""
    rows = published_air.rows()
    return "\n".join([
        "### Moist air against published values", "", *by_source(rows),
        "### The moist-air tables row by row", "", *by_row(rows),
        "### What the perfect-gas bias does to a visit's figures", "", *what_it_means(),
    ])  # fmt: skip


if __name__ == "__main__":
    print(report())
