"""The measured rooftop cases: a blocked outdoor coil at two levels, and days without.

    python tests/evidence/rooftop.py

15-minute averages of a real two-circuit rooftop unit (see tests/data/protocol/README.md). A blocked row is judged
against the unblocked days; an unblocked row against the other unblocked day, so that no row vouches for itself or its
neighbours. The source states no accuracies: those here are assumed. Its high-side pressure is the discharge's, and is
taken for the liquid port's; its supply air is that of both circuits, and is left out; its metering device is not known.
"""

from __future__ import annotations

import csv
import math
import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from lineset.assess.diagnosis import Diagnosis, Outcome, diagnose
from lineset.assess.evidence import Evidence, Known
from lineset.equipment.system import SystemRecord

CASES = Path(__file__).parents[1] / "data" / "protocol" / "fault_cases_measured.csv"
PSI = 6894.757293168361
RECORD = SystemRecord(id="rooftop", refrigerant="R-410A")
# column -> (point, limit of error assumed, SI)
_TEMPERATURES = {
    "outdoor_db_f": "outdoor_air_temperature",
    "return_db_f": "return_air_temperature",
    "suction_line_f": "vapor_line_temperature",
    "liquid_line_f": "liquid_line_temperature",
    "discharge_line_f": "discharge_line_temperature",
}
_PRESSURES = {"suction_psig": "vapor_service_pressure", "discharge_psig": "liquid_service_pressure"}
_LIMIT_K, _LIMIT_PA, _LIMIT_RH = 0.5, 1.0 * PSI, 2.0


class Case(NamedTuple):
    """One row: what was blocked, on which day and circuit, and what a technician would have read."""

    id: str
    level: int
    circuit: str
    day: str
    evidence: Evidence


def cases() -> list[Case]:
    """All measured rows. Raises OSError or KeyError when the file is not what it should be."""
    with CASES.open(encoding="utf-8") as file:
        return [_case(row) for row in csv.DictReader(file)]


def _case(row: Mapping[str, str]) -> Case:
    values = {
        point: Known((float(row[column]) - 32.0) / 1.8, _LIMIT_K / math.sqrt(3.0))
        for column, point in _TEMPERATURES.items()
    }
    values |= {
        point: Known(float(row[column]) * PSI, _LIMIT_PA / math.sqrt(3.0)) for column, point in _PRESSURES.items()
    }
    values["return_air_humidity"] = Known(float(row["return_rh_pct"]), _LIMIT_RH / math.sqrt(3.0))
    values["barometric_pressure"] = Known(float(row["baro_psia"]) * PSI, 100.0)
    evidence = Evidence(RECORD, run="running", mode="cool", run_s=900.0, values=values)
    day = row["timestamp_local"].partition(" ")[0]
    return Case(row["case_id"], int(row["level_pct"]), row["circuit"], day, evidence)


def judged(all_cases: Sequence[Case]) -> list[tuple[Case, Diagnosis]]:
    """Each row with its diagnosis against unblocked rows of the same circuit from other days."""
    out = []
    for case in all_cases:
        earlier = [
            other.evidence
            for other in all_cases
            if other.level == 0 and other.circuit == case.circuit and other.day != case.day
        ]
        out.append((case, diagnose(case.evidence, earlier=earlier)))
    return out


def said(diagnosis: Diagnosis) -> str:
    """What is alleged: a cause's id, or that nothing was found, or that it cannot tell."""
    if diagnosis.outcome is Outcome.NAMED and diagnosis.first is not None:
        return diagnosis.first.id
    return diagnosis.outcome.value.replace("_", " ")


def report() -> str:
    """The cases as a Markdown table: what was said of how many rows."""
    counted: dict[tuple[int, str, str], Counter[str]] = {}
    for case, diagnosis in judged(cases()):
        counted.setdefault((case.level, case.circuit, case.day), Counter())[said(diagnosis)] += 1
    lines = ["| outdoor coil blocked | circuit | day | rows | said first |", "|---|---|---|---|---|"]
    for (level, circuit, day), found in sorted(counted.items()):
        words = ", ".join(f"{name} {count}" for name, count in found.most_common())
        lines.append(f"| {level} % | {circuit} | {day} | {sum(found.values())} | {words} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.stdout.write(report())
