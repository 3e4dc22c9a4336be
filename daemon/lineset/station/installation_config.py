"""The installation effects that a station's configuration replaces: `[installation.POINT.EFFECT]`."""

from __future__ import annotations

import msgspec

from lineset.contract.entry import InstallationTerm
from lineset.equipment.points import POINTS
from lineset.measure.installation import INSTALLATION
from lineset_drivers.toml_text import Table, near


def read_installation(table: Table) -> dict[str, tuple[InstallationTerm, ...]]:
    """All effects of each point that the configuration names: the table's, with what is written put in its place.

    Half widths are SI (K, Pa, A, percent of relative humidity); a half width of 0 (and a share of 0) takes an effect
    away. Each change says why. Problems go to the table's list.
    """
    found = {}
    for point in table:
        row = table.table(point)
        if point not in POINTS:
            table.problem(point, f"no point is called {point!r}", f"{near(point, POINTS)}Use a point of the catalogue")
            row.rest()
            continue
        terms = {term.name: term for term in INSTALLATION.get(point, ())}
        for name in row:
            terms[name] = _term(row.table(name), name, terms.get(name))
        row.finish()
        found[point] = tuple(terms.values())
    table.finish()
    return found


def _term(table: Table, name: str, usual: InstallationTerm | None) -> InstallationTerm:
    before = usual or InstallationTerm(name=name)
    term = msgspec.structs.replace(
        before,
        half_width=table.number("half_width", before.half_width, least=0.0),
        share=table.number("share", before.share, least=0.0, most=1.0),
        reason=table.text("reason", example='"insulated clamp, compared side by side"'),
        source=table.text("source", "the station's configuration"),
    )
    if term.share and not term.of:
        known = [each.name for terms in INSTALLATION.values() for each in terms if each.share]
        table.problem(
            "share", f"{name!r} grows with nothing that is known here", f"Only {', '.join(sorted(set(known)))} do"
        )
    table.finish()
    return term
