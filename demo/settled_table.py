"""What settled, when and with what value, beside what is true of the simulated plant."""

from __future__ import annotations

from collections.abc import Mapping

from sheet import Seen

from lineset.cli.watch_verdicts import verdict_rows
from lineset.contract.live import CheckMessage, FindingMessage
from lineset.equipment.display import shown
from lineset.station.events import quantity_of, title_of

Key = tuple[str, str, str]  # system, phase, name
Promised = Mapping[tuple[str, str], tuple[str, ...]]


def missing(settled: Mapping[Key, Seen], promised: Promised) -> list[Key]:
    """System, phase and name of every promised reading that did not settle."""
    return [(*where, name) for where, names in promised.items() for name in names if (*where, name) not in settled]


def table(settled: Mapping[Key, Seen], promised: Promised) -> str:
    """The table as text: promised readings in order, each with the plant's truth and whether the interval holds it."""
    rows = [("system", "phase", "settled", "at", "value (95 %)", "plant's truth", "")]
    first = min((seen.message.t for seen in settled.values()), default=0.0)
    inside = judged = 0
    for (system, phase), names in promised.items():
        for name in names:
            seen = settled.get((system, phase, name))
            if seen is None:
                rows.append((system, phase, title_of(name), "", "DID NOT SETTLE", "", ""))
                continue
            message, truth = seen.message, seen.truth
            seconds = int(message.t - first)
            mark = ""
            if truth is not None and message.interval95 is not None:
                low, high = message.interval95
                held = low <= truth <= high
                judged += 1
                inside += held
                mark = "" if held else "outside"
            rows.append(
                (
                    system,
                    phase,
                    title_of(name),
                    f"{seconds // 60}:{seconds % 60:02d}",
                    message.text,
                    "" if truth is None else shown(truth, quantity_of(name)),
                    mark,
                )
            )
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    lines.insert(1, "  ".join("-" * width for width in widths).rstrip())
    lines.append("")
    lines.append(f"the plant's truth lay inside the 95 % interval for {inside} of {judged} settled values")
    return "\n".join(lines)


def verdicts(said: Mapping[Key, CheckMessage]) -> str:
    """What the checks said last in each phase, as text."""
    lines = []
    for where, phase in dict.fromkeys((system, phase) for system, phase, _ in said):
        lines.append(f"verdicts, {where}, phase {phase.replace('_', ' ')}")
        of_phase = {name: message for (system, at, name), message in said.items() if (system, at) == (where, phase)}
        lines += [line.text for line in verdict_rows(of_phase, 120, brief=True) if line.text.strip() != "Checks"]
    return "\n".join(lines)


def findings(said: Mapping[Key, FindingMessage]) -> str:
    """The findings that are open at the end, as text."""
    return "\n".join(
        f"found, {system}, phase {phase.replace('_', ' ')}: {each.title} ({each.confidence})"
        for (system, phase, _), each in said.items()
        if each.state == "open"
    )
