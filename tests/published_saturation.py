"""The published pressure-temperature pairs of tests/data/thermo/saturation.csv, and how far curves are from them."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

from lineset.physics.refrigerant import curve

FILE = Path(__file__).parent / "data" / "thermo" / "saturation.csv"

# Agreement [K] beyond the printed digits, per source: tests/data/thermo/README.md, "Treat 0.3 K as agreement for
# R-410A, R-448A, R-449A and R-454B, and 0.6 K for the R-407C liquid chart"; handbooks of pure fluids agree to 0.05 K,
# correlations with few coefficients to 0.1 K. Where a number is wider, the reason stands beside it.
HANDBOOKS = dict.fromkeys(("EPLUS", "MORAN22", "VDI2010", "VDIPPDS3", "GM134", "CARRIER22", "ALLCHEM32"), 0.05)
CORRELATIONS = dict.fromkeys(("MCGARRY", "PERRY28", "RICHTER11"), 0.1)
CHARTS = dict.fromkeys(
    ("DUPONT410", "JCI410", "TRANE410", "NISTISS402", "NISTISS177", "CHART449", "REFPROP683", "REFPROP921"), 0.3
)
WIDER = {
    "LIEBERT407": 0.6,
    "LENNOX410": 0.4,  # the top two rows, 145 and 150 degF, near the critical point; the others stay inside 0.3 K
    "FUJITSU410": 0.4,  # one row at -37 degC
    "SUZUKI134": 0.4,  # whole degC against 0.1 kPa: the sheet's own steps scatter by 0.3 K
    "HONEY448": 0.35,  # converted with 14.7 psi, its -40 degF row is below one atmosphere
    "CHEM454": 0.35,
    "LEARN454": 0.35,  # range end points of a web article, phase inferred
    "TRADE3": 0.4,  # whole psi and whole degF of a trade page
}
AGREEMENT = HANDBOOKS | CORRELATIONS | CHARTS | WIDER
# Its R-134a column departs from every handbook by 1 to 2 K above 50 degF; its R-22 and R-410A columns do not.
LEFT_OUT = {("TRADE3", "R-134a")}


@dataclass(frozen=True)
class Pair:
    """One published pair. `kind` is read, computed or memory; `suspect` says what is wrong with it, if anything."""

    row: str
    refrigerant: str
    source: str
    kind: str
    phase: str
    pressure_pa: float
    temperature_cel: float
    half_k: float
    half_pa: float
    printed: str
    suspect: str
    note: str

    @property
    def trusted(self) -> bool:
        """Whether the row counts: read or computed, and nothing wrong with it."""
        return not self.suspect and self.kind != "memory" and (self.source, self.refrigerant) not in LEFT_OUT

    def miss(self) -> tuple[float, float]:
        """Curve minus table [K], and what the table's printed digits leave open [K]."""
        saturation = curve(self.refrigerant)
        # A chart with one column for a blend does not say which line it prints: the nearer one must agree.
        lines = {"bubble": [saturation.bubble], "dew": [saturation.dew]}.get(
            self.phase, [saturation.bubble, saturation.dew]
        )
        miss = min((line(self.pressure_pa) - self.temperature_cel for line in lines), key=abs)
        return miss, self.half_k + self.half_pa * lines[0].slope(self.pressure_pa)


def pairs() -> list[Pair]:
    """All rows of the file."""
    with FILE.open() as file:
        return [
            Pair(
                row["row_id"], row["refrigerant"], row["source_id"], row["source_kind"], row["phase"],
                float(row["p_abs_Pa"]), float(row["t_K"]) - 273.15, float(row["t_halfstep_K"] or 0),
                float(row["p_halfstep_Pa"] or 0),
                f"{row['t_printed']} {row['t_unit']}, {row['p_printed']} {row['p_unit']}", row["suspect"], row["note"],
            )
            for row in csv.DictReader(file)
        ]  # fmt: skip
