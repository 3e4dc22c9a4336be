"""The sentences of cues: short enough to be followed by ear, whole, with named fields, for the catalogue."""

from __future__ import annotations

SETTLED_ONE = "{first} has settled."
SETTLED_TWO = "{first} and {second} have settled."
SETTLED_MORE = "{first}, {second} and {count} more have settled."
SETTLED_VALUE = "{what} settled: {value}."
MOVE_ON = "{what} settled: {value}. You may move on."
ALL_SETTLED = "Everything that is placed has settled."

RUNS = "The system runs. Charge can be judged in {minutes} minutes."
STOPPED = "The system stands still."
DEFROST = "The system defrosts; readings wait."

PHASE_AT_REST = "At rest: first prove that the power is off."
PHASE_BEFORE = "Before the work: readings as you found it."
PHASE_WORK = "Work: lock out, prove dead, and discharge capacitors before a hand goes in."
PHASE_DRYING = "Drying: panels on, let the coils dry."
PHASE_AFTER = "After the work: readings as you leave it."
CLOSED = "The visit is closed and sealed."

BURNS = "Caution: {refrigerant} burns, class {safety_class}. No flame or spark; ventilate; look for leaked gas first."
TASK_CAUTION = "Caution: {caution}"
STRIPS_ON = "Caution: heat strips carry current while it cools. Line voltage: keep hands out, find out why."

SILENT = "{instrument} gives nothing: {reason}"
BACK = "{instrument} is back."
COARSE = "{what}: this meter is too coarse to prove it."
HUNTS = "{what} swings to and fro; it will not settle."

OUTSIDE = "{what} is outside its limits. The sheet tells more."
WITHIN = "{what} is within its limits."
FOUND = "The readings suggest: {what}. The sheet tells what for and what against."
CANNOT_TELL = "The readings do not tell one cause from another; the sheet names what would."

OFFSET = "{instrument}, {what}: corrected by {value}."
OFFSET_REFUSED = "{instrument} is not corrected: {reason}"


def sentences() -> tuple[str, ...]:
    """Every template of this module, for a catalogue of translations."""
    return tuple(value for name, value in sorted(globals().items()) if name.isupper() and isinstance(value, str))
