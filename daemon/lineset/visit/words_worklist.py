"""The sentences of a worklist, whole, with named fields: what translations are made of, beside the rows' own."""

from __future__ import annotations

from lineset.equipment.language import Say as Say


def as_written(text: str) -> str:
    """English, as it stands here."""
    return text


SETTLED = "{title} {value}, settled."
ENTERED = "{title} {value}, entered."
SETTLING = "{title} {value}, about {time} more."
UNSTEADY = "{title} {value}, not steady yet."
HUNTING = "{title} {value}, it swings to and fro."
COARSE = "{title} {value}: this meter is too coarse to prove it; enter it, or use another one."
SILENT = "{title}: the probe there gives nothing that can be used."
QUESTIONED = "{title}: where the clamp is, is not certain; answer the question when your hands are out of the panel."
DISTURBED = "{title}: it says nothing now, {says}."
PLACE = "{title}: put a probe there, or enter what you read."
ENTER = "{title}: measure it and enter what you read."
RUN_FIRST = "{title}: the system has to run for it."
AFTER_FIRST = "{title}: first {first}."
SKIPPED = "{title}: skipped, {note}."
DONE = "{title}: done."
DOING = "{title}: begun. {sentence}"
TASK_AFTER = "{sentence} First {first}."
STAYS_OFF = "{title}: not needed. {why}"

SECONDS = "{count} s"
MINUTES = "{count} minutes"
ONE_MINUTE = "a minute"

WAIT = "Wait: {what}"
WAIT_RUN = "Let it run: about {time} more until its readings may be judged."
DRYING = (
    "Let it dry with the system running, about {time} more; then say that it is dry, unless the readings show it first."
)
NEXT_PHASE = {
    "before": "All that is wanted at rest is there; go on with the readings before the work.",
    "work": "All that is wanted before the work is there; go on to the work.",
    "drying": "The work is done; put the power back on and let it dry.",
    "after": "It is dry and closed; go on with the readings after the work.",
}
ALL_DONE = "All is done and measured; the visit can be closed."

GAUGES_ARE_ON = "Gauges are on."
GAUGES_SHOP = "Gauges go on: the shop's worklist says always."
GAUGES_NEVER = "Gauges stay off: the shop's worklist says never."
GAUGES_COLD = "Gauges stay off: below {limit} outdoors a charge test does not hold."
GAUGES_INVERTER = (
    "Gauges stay off: an inverter's charge can be judged in the maker's test mode only; start it and say so first."
)
GAUGES_FINDING = "Gauges go on: {finding}; pressures would tell."
GAUGES_CHECK = "Gauges go on: {check} is out of its limits, and pressures would tell why."
GAUGES_BASELINE = "Gauges go on: no earlier visit tells how this system reads when it is sound."
GAUGES_WAIT = "Gauges wait: first the readings that open nothing."
GAUGES_OFF = "Gauges stay off: nothing measured without them gives cause."
PROVED = "Proved without them: {proved}."

MISSING_POINT = "{title} was not measured {phase}"
MISSING_TASK = "{title} is neither done nor skipped with a reason"
PHASE_WORDS = {
    "at_rest": "at rest",
    "before": "before the work",
    "work": "during the work",
    "drying": "while it dried",
    "after": "after the work",
}


def sentences() -> tuple[str, ...]:
    """Every template of this module, for a catalogue of translations."""
    found: list[str] = []
    for name, value in sorted(globals().items()):
        if name.isupper() and isinstance(value, str):
            found.append(value)
        elif name.isupper() and isinstance(value, dict):
            found += value.values()
    return tuple(found)


def time_words(seconds: float, say: Say = as_written) -> str:
    """ "40 s", "a minute", "3 minutes": rounded up, never more exact than it is known."""
    if seconds <= 50.0:
        return say(SECONDS).format(count=max(10, -10 * int(-seconds // 10)))
    minutes = -int(-seconds // 60)
    return say(ONE_MINUTE) if minutes <= 1 else say(MINUTES).format(count=minutes)
