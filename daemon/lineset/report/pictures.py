"""Which pictures a report has, and what each shows in words."""

from __future__ import annotations

from collections.abc import Sequence

from lineset.equipment.display import unit_shown
from lineset.report import words_report as w
from lineset.report.document import Picture
from lineset.report.plot import Drawing, Line, draw
from lineset.report.told import ReportFacts, SystemTold
from lineset.report.written import Writing, quantity_of, signs

_PANELS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("air", ("return_air_temperature", "supply_air_temperature", "outdoor_air_temperature")),
    ("split", ("temperature_split",)),
    ("heat", ("total_superheat", "subcooling")),
    (
        "lines",
        ("vapor_line_temperature", "liquid_line_temperature", "vapor_dew_temperature", "liquid_bubble_temperature"),
    ),
    (
        "pressures",
        ("vapor_service_pressure", "liquid_service_pressure", "common_suction_pressure", "discharge_pressure"),
    ),
    ("power", ("power",)),
    ("currents", ("outdoor_unit_current", "compressor_common_current", "outdoor_fan_current", "blower_current")),
    ("statics", ("return_static", "supply_static", "filter_drop", "coil_drop")),
)
HOME = ("return_air_temperature", "supply_air_temperature")
NAMES = frozenset(name for _, names in _PANELS for name in names)


def picture(
    told: ReportFacts, system: SystemTold, names: Sequence[str], writing: Writing, caption: str, *, windows: bool = True
) -> Picture | None:
    """A picture of these values of one system; None where there is nothing to draw.

    Without `windows` it is one for the house: plain names, no shading.
    """
    id_ = system.facts.record.id
    lines, spoken, symbol = [], [], ""

    def called(name: str) -> str:
        return writing.title(name) if windows else writing.say(w.HOME_LINES[name])

    for name in names:
        series = told.series.get((id_, name))
        quantity = quantity_of(name, "")
        if series is None or quantity is None:
            continue
        symbol = unit_shown(quantity, writing.units)
        points = [(t / 60.0, None if v is None else _shown(writing, name, v)) for t, v in series.points()]
        values = [value for _, value in points if value is not None]
        if len(values) < 2:
            continue
        settled = [
            (max(each.t_s - each.body.window_s, 0.0) / 60.0, each.t_s / 60.0)
            for each in system.facts.settled
            if windows and each.body.name == name
        ]
        lines.append(Line(called(name), points, settled))
        spoken.append(
            writing.say(w.LINE_ALT).format(
                name=called(name), low=f"{min(values):.1f}", high=f"{max(values):.1f} {signs(symbol)}"
            )
        )
    phases = [(writing.say(w.PHASES.get(name, name)), t / 60e9) for name, t in told.visit.phases()]
    end = told.visit.entries[-1].t / 60e9
    height = 230 if windows else 180
    svg = draw(Drawing(signs(symbol), writing.say(w.MINUTES), lines, phases, height=height, end=end))
    if not svg:
        return None
    return Picture(svg, writing.say(w.AIR_ALT).format(lines="; ".join(spoken)), caption)


def panels(told: ReportFacts, system: SystemTold, writing: Writing) -> list[Picture]:
    """All pictures of a system for the professional."""
    found = []
    for panel, names in _PANELS:
        caption = writing.say(w.PICTURE_CAPTION).format(name=writing.say(w.PANELS[panel]))
        made = picture(told, system, names, writing, caption)
        if made is not None:
            found.append(made)
    return found


def _shown(writing: Writing, name: str, value: float) -> float:
    text = writing.value(name, "", value)
    return float(text.split()[0])
