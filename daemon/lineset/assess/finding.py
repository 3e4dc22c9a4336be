"""A finding: what to tell the technician of one cause: evidence, meaning, caution, next step, and how sure it is.

Wording rules: a finding says what the evidence is, never what to do to the charge. Where charge is what the evidence
points at, airflow and coils are to be ruled out first, and what follows is the maker's charging procedure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lineset.assess.cause import Cause, Kind
from lineset.assess.diagnosis import Diagnosis, Outcome
from lineset.assess.expectation import Footing

CANNOT_TELL, NOTHING_FOUND = "cannot_tell", "nothing_found"
_MOST = 3  # causes told at once; the others hang on what these come to

# share of what may explain the readings -> word
_WORDS = ((0.95, "clear"), (0.80, "likely"), (0.60, "probable"), (0.0, "possible"))
_FOOTING = {
    Footing.OWN: "against this system's own earlier visits",
    Footing.TARGET: "against published targets, the nameplate and what the trade takes as usual",
    Footing.GENERIC: "against published targets, the nameplate and what the trade takes as usual",
}
ADVICE = "Advice only: it never replaces the maker's procedure, local code or a licensed person."


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding. `rank` counts from 1, the likeliest; `share` is the cause's part of what may explain the readings.

    `confidence` is clear, likely, probable or possible; `basis` says against what the readings were held.
    """

    id: str
    title: str
    kind: str
    rank: int
    confidence: str
    share: float
    evidence: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    meaning: str = ""
    caution: str = ""
    next_step: str = ""
    basis: str = ""


def confidence(share: float) -> str:
    """The word for a share of what may explain the readings."""
    return next(word for least, word in _WORDS if share >= least)


def findings(diagnosis: Diagnosis, *, earlier: Sequence[str] = ()) -> tuple[Finding, ...]:
    """What to tell of a diagnosis, the likeliest first; nothing where too little has settled.

    `earlier` names the earlier visits that readings were held against ("2026-05-02 (spring-7)").
    """
    basis = _basis(diagnosis.footing, earlier)
    if diagnosis.outcome is Outcome.NOT_ENOUGH:
        return ()
    if diagnosis.outcome is Outcome.SOUND:
        return (_nothing(diagnosis, basis),)
    if diagnosis.outcome is Outcome.CANNOT_TELL:
        return (_cannot_tell(diagnosis, basis),)
    return tuple(_of(cause, rank, basis) for rank, cause in enumerate(diagnosis.causes[:_MOST], start=1))


def _basis(footing: Footing, earlier: Sequence[str]) -> str:
    if footing is not Footing.OWN or not earlier:
        return _FOOTING[footing]
    visits = "visit" if len(earlier) == 1 else "visits"
    return f"against this system's own earlier {visits} of {' and '.join(earlier)}, judged sound then"


def _of(cause: Cause, rank: int, basis: str) -> Finding:
    plain = cause.kind in (Kind.INSTRUMENT, Kind.ELECTRICAL) and bool(cause.withholds or cause.kind is Kind.ELECTRICAL)
    return Finding(
        cause.id,
        cause.title,
        cause.kind,
        rank,
        confidence(cause.share),
        round(cause.share, 4),
        cause.speaks_for,
        cause.speaks_against,
        cause.meaning,
        f"{cause.caution} {ADVICE}".strip(),
        cause.next_step,
        "by itself" if plain else basis,
    )


def _cannot_tell(diagnosis: Diagnosis, basis: str) -> Finding:
    outside = diagnosis.residuals.outside
    several = [f"{cause.title} ({confidence(cause.share)})" for cause in diagnosis.causes[:_MOST]]
    first = diagnosis.first
    speaks = () if first is None else first.speaks_for
    unsure = "something is out of the ordinary, and" if outside else "whether anything is wrong is not certain;"
    return Finding(
        CANNOT_TELL,
        "Cannot tell from these readings",
        "",
        1,
        "possible",
        0.0 if first is None else round(first.share, 4),
        speaks,
        (),
        f"{unsure} these would explain it: {', '.join(several)}",
        ADVICE,
        f"what would decide: {diagnosis.next_measurement}" if diagnosis.next_measurement else "",
        basis,
    )


def _nothing(diagnosis: Diagnosis, basis: str) -> Finding:
    looked_at = ", ".join(row.feature.title for row in diagnosis.residuals.rows)
    return Finding(
        NOTHING_FOUND,
        "Nothing speaks for a fault",
        "",
        1,
        "likely",
        0.0,
        (f"all of these lie where a sound system's would: {looked_at}",),
        (),
        "a fault smaller than instruments and expectation allow to be seen is not ruled out",
        ADVICE,
        "",
        basis,
    )
