"""From what an entry caused to sentences for the ear: what is worth saying, in the visit's language and units."""

from __future__ import annotations

from collections.abc import Sequence

from lineset.assess.electrical_checks import STRIP_AMPS
from lineset.contract import entry as e
from lineset.derive.catalogue import CATALOGUE
from lineset.engine.state import EngineState, SystemState
from lineset.equipment.display import shown
from lineset.equipment.language import Say, sayer
from lineset.equipment.points import POINTS
from lineset.physics.refrigerant import safety_class
from lineset.visit import words_cues as words
from lineset.visit.cues import Waiting, next_cue, offer, repeat, set_level, withdraw
from lineset.visit.run import RunState
from lineset_drivers.quantity import Quantity

# Where one clamp, one pair of leads goes from wire to wire: whoever holds it waits for the word to move on.
_VISITED = frozenset(
    "compressor_common_current compressor_run_current compressor_start_current outdoor_fan_current herm_lead_current "
    "fan_capacitor_lead_current capacitor_herm_voltage capacitor_fan_voltage contactor_drop control_voltage "
    "herm_capacitance fan_capacitance blower_capacitance blower_current heat_strip_current "
    "heat_strip_feed_current".split()
)
# Computed values that a technician waits for by name.
_AWAITED = frozenset(
    "total_superheat subcooling temperature_split herm_capacitance_under_load fan_capacitance_under_load".split()
)
_BURNING = frozenset({"A2L", "A2", "A3"})
_PHASES = {
    "at_rest": words.PHASE_AT_REST,
    "before": words.PHASE_BEFORE,
    "work": words.PHASE_WORK,
    "drying": words.PHASE_DRYING,
    "after": words.PHASE_AFTER,
}


def cue(state: EngineState, body: e.InputBody, out: Sequence[e.OutputBody]) -> list[e.OutputBody]:
    """The cue that is due after one input and its outputs; at most one. Nothing is said outside a visit."""
    if not state.visit or (not out and type(body) not in _INPUTS):
        return []
    say = sayer(state.language)
    asked = _hear(state, body)
    for each in out:
        _offer(state, each, say)
    if asked is not None:
        return [asked]
    if not state.cues.waiting:
        return []
    panel_open = any(system.declared.get("panel_open", False) for system in state.systems.values())
    due = next_cue(state.cues, state.t, say, state.language, panel_open=panel_open)
    return [] if due is None else [due]


def _hear(state: EngineState, body: e.InputBody) -> e.Cued | None:
    """What an input itself is worth saying. Returns the cue that somebody asked to hear again."""
    cues = state.cues
    if isinstance(body, e.Opened):
        set_level(cues, str(body.config.get("cues", "normal")))
        for record in body.systems:
            class_ = safety_class(record.refrigerant)
            if class_ in _BURNING:
                filled = {"refrigerant": record.refrigerant, "safety_class": class_}
                _wait(state, "caution", "burns", words.BURNS, record.id, record.refrigerant, filled)
    elif isinstance(body, e.Phased):
        sort = "caution" if body.phase == "work" else "done"
        template = _PHASES.get(body.phase)
        if template is not None:
            _wait(state, sort, f"phase_{body.phase}", template, "", "phase", {})
    elif isinstance(body, e.InstrumentChanged):
        if body.state == "lost":
            filled = {"instrument": body.instrument, "reason": body.reason}
            _wait(state, "missing", "silent", words.SILENT, "", body.instrument, filled)
        elif body.state == "linked":
            was_told = cues.last is not None and cues.last.key == "silent" and cues.last.about == body.instrument
            withdraw(cues, body.instrument, sorts=("missing",))
            if was_told:
                _wait(state, "missing", "back", words.BACK, "", body.instrument, {"instrument": body.instrument})
    elif isinstance(body, e.Commanded) and body.verb == "cues" and body.ok:
        level = str(body.args.get("level", ""))
        if level:
            set_level(cues, level)
        if body.args.get("repeat"):
            return repeat(cues, state.t)
    elif isinstance(body, e.Closed):
        _wait(state, "done", "closed", words.CLOSED, "", "visit", {})
    return None


_INPUTS = frozenset({e.Opened, e.Phased, e.InstrumentChanged, e.Commanded, e.Closed, e.Tick, e.Declared})


def _wait(
    state: EngineState, sort: str, key: str, template: str, system: str, about: str, filled: dict[str, str]
) -> None:
    offer(state.cues, Waiting(sort, key, template, filled, system, about, state.t))


def title(name: str, say: Say) -> str:
    """What a point or derived value is called, in the visit's language."""
    base, _, instance = name.partition(".")
    if base in POINTS:
        called = say(POINTS[base].title)
    else:
        called = say(CATALOGUE[base].title) if base in CATALOGUE else base.replace("_", " ")
    return f"{called} {instance}".rstrip()


def _offer(state: EngineState, out: e.OutputBody, say: Say) -> None:
    if isinstance(out, e.Settled):
        _settled(state, out, say)
    elif isinstance(out, e.Unsettled):
        withdraw(state.cues, out.name, out.system, ("settled",))
        withdraw(state.cues, "all", out.system)
    elif isinstance(out, e.RunChanged):
        _run(state, out)
    elif isinstance(out, e.TooCoarse):
        _wait(state, "missing", "coarse", words.COARSE, out.system, out.name, {"what": title(out.name, say)})
    elif isinstance(out, e.Hunting):
        if out.state == "started":
            _wait(state, "missing", "hunts", words.HUNTS, out.system, out.name, {"what": title(out.name, say)})
        else:
            withdraw(state.cues, out.name, out.system, ("missing",))
    elif isinstance(out, e.Checked):
        _checked(state, out, say)
    elif isinstance(out, e.Finding):
        _found(state, out, say)
    elif isinstance(out, e.Questioned):
        if out.state == "open":
            _wait(state, "question", "question", out.text, out.system, out.id, {})
        else:
            withdraw(state.cues, out.id, sorts=("question",))
    elif isinstance(out, e.Compared):
        _compared(state, out)


def _settled(state: EngineState, out: e.Settled, say: Say) -> None:
    base = out.name.partition(".")[0]
    what = title(out.name, say)
    if base in _VISITED and out.origin == "instrument":
        value = shown(out.value, POINTS[base].quantity, state.units, say=say)
        _wait(state, "settled", "move_on", words.MOVE_ON, out.system, out.name, {"what": what, "value": value})
        return
    if base in _AWAITED:
        value = shown(out.value, CATALOGUE[base].quantity, state.units, say=say)
        _wait(state, "settled", "value", words.SETTLED_VALUE, out.system, out.name, {"what": what, "value": value})
        return
    if out.origin != "instrument":
        return
    if _all_settled(state.systems[out.system]):
        withdraw_settled(state, out.system)
        _wait(state, "done", "all_settled", words.ALL_SETTLED, out.system, "all", {})
    else:
        _wait(state, "settled", "settled_one", words.SETTLED_ONE, out.system, out.name, {"first": what})


def withdraw_settled(state: EngineState, system: str) -> None:
    """One sentence says it all: those of single probes need not be said any more."""
    state.cues.waiting = [
        each for each in state.cues.waiting if not (each.key == "settled_one" and each.system == system)
    ]


def _all_settled(system: SystemState) -> bool:
    sitting = [place for place in system.points.values() if place.channel and place.detector is not None]
    return len(sitting) > 1 and all(place.settled for place in sitting)


def _run(state: EngineState, out: e.RunChanged) -> None:
    for key in ("runs", "stopped", "defrost"):
        state.cues.waiting = [each for each in state.cues.waiting if (each.key, each.system) != (key, out.system)]
    if out.state == RunState.RUNNING and out.mode == "cool":
        _wait(state, "time", "runs", words.RUNS, out.system, "run", {"minutes": "15"})
    elif out.state == RunState.STOPPED and out.previous in (RunState.RUNNING, RunState.STARTING):
        _wait(state, "time", "stopped", words.STOPPED, out.system, "run", {})
    elif out.state == RunState.DEFROST:
        _wait(state, "time", "defrost", words.DEFROST, out.system, "run", {})


def _checked(state: EngineState, out: e.Checked, say: Say) -> None:
    base, _, number = out.name.partition(".")
    what = say(STRIP_AMPS).format(number=number) if number and base == "strip_amps" else say(out.title)
    withdraw(state.cues, out.name, out.system, ("done", "time"))
    if out.state == "fail":
        if out.name.startswith("strips_off"):
            _wait(state, "caution", "strips_on", words.STRIPS_ON, out.system, out.name, {})
        else:
            _wait(state, "done", "outside", words.OUTSIDE, out.system, out.name, {"what": what})
    elif out.state == "pass":
        _wait(state, "time", "within", words.WITHIN, out.system, out.name, {"what": what})


def _found(state: EngineState, out: e.Finding, say: Say) -> None:
    about = f"finding {out.id}"
    if out.state != "open" or out.rank != 1:
        withdraw(state.cues, about, out.system)
    elif out.id == "cannot_tell":
        _wait(state, "done", "cannot_tell", words.CANNOT_TELL, out.system, about, {})
    elif out.category:
        _wait(state, "done", "found", words.FOUND, out.system, about, {"what": say(out.title)})


def _compared(state: EngineState, out: e.Compared) -> None:
    if out.applied:
        # an offset is a difference: a temperature's is in K, whatever the channel reads in
        quantity = Quantity(out.quantity)
        if quantity is Quantity.TEMPERATURE:
            quantity = Quantity.TEMPERATURE_DIFFERENCE
        filled = {
            "instrument": out.instrument,
            "what": out.channel.replace("_", " "),
            "value": shown(-out.offset, quantity, state.units, say=sayer(state.language)),
        }
        _wait(state, "time", "offset", words.OFFSET, "", f"{out.instrument}/{out.channel}", filled)
    else:
        filled = {"instrument": out.instrument, "reason": out.reason}
        _wait(state, "missing", "offset_refused", words.OFFSET_REFUSED, "", f"{out.instrument}/{out.channel}", filled)
