"""The run state of a system, fused from several kinds of probe.

No single probe decides it: a released clamp, a stopped compressor and a jaw around both conductors all read zero; a
pressure difference, warm and cold lines and cool supply air outlive the compressor by minutes. Each kind of evidence
says yes, no or nothing (`visit/witness.py`). Some of it is prompt (power, current, pressures drawing apart or falling
together), the rest lags. Two kinds that agree and outnumber those that disagree carry a state; a start after a stop,
or a stop after a run, needs a prompt one among them; one kind is enough to keep a state.

A defrost needs two kinds that agree: one that saw the circuit turned (ports, lines, air), and one of what goes with
it (the outdoor fan stands, strips are on, the technician says so). A stage needs two as well: steps of power, of
current and of the blower at one moment, or one of them and the technician's word. The mode follows the majority of
ports, lines and air, each of which is two probes; cooling becomes heating only after some seconds of it.
"""

from __future__ import annotations

from enum import StrEnum

import msgspec

from lineset.visit import witness
from lineset.visit.witness import NOTHING_TOLD, Look, Slow, Steps, Told


class RunState(StrEnum):
    """Running state of a system."""

    STOPPED = "stopped"
    STARTING = "starting"
    RUNNING = "running"
    DEFROST = "defrost"
    UNKNOWN = "unknown"


class Mode(StrEnum):
    """What the system does to the air, as far as the probes tell. During a defrost it is still called for heat."""

    NONE = ""
    COOL = "cool"
    HEAT = "heat"
    FAN = "fan"
    EMERGENCY = "emergency"


# For how long a new state must be seen before it is declared, and how long a start counts as starting.
DWELL_S = {RunState.RUNNING: 3.0, RunState.STOPPED: 3.0, RunState.UNKNOWN: 20.0}
DEFROST_DWELL_S = 5.0
# Longer than that of a defrost, which turns the circuit too, and than what a reversing valve takes to shift.
MODE_DWELL_S = 10.0
STARTING_S = 120.0
# Boards end a defrost after 15 minutes at the latest (common practice, no source).
DEFROST_LONGEST_S = 900.0
# In less than this no compressor stops and starts again (controls hold it off for three minutes or more; common
# practice, no source): a run lost from sight for less is still the same run.
SHORT_CYCLE_NS = 180_000_000_000

_WAYS = (Mode.COOL, Mode.HEAT)
_UP = (RunState.RUNNING, RunState.STARTING)


class RunFusion(msgspec.Struct):
    """Evidence and state of one system's run. Part of the engine's state; looked at once a second of visit time."""

    state: RunState = RunState.UNKNOWN
    mode: Mode = Mode.NONE
    stage: str = ""  # low, high; "" is: not known, or a system without stages
    since: int = 0  # ns of visit time at which this state began
    epoch: int = 0  # counts starts, stops, defrosts, changes of mode and stage: values are paired within one
    run_since: int = 0  # ns at which the run began that was last seen
    seen_running: int = -1  # ns at which it was last seen running in this epoch; -1: it was not
    candidate: RunState = RunState.UNKNOWN
    candidate_since: int = 0
    way: Mode = Mode.NONE  # cooling or heating, as last known in this epoch
    way_wanted: Mode = Mode.NONE
    way_since: int = 0
    frost: str = ""  # what the evidence of a defrost comes to: yes, no or nothing
    frost_since: int = 0
    slow: Slow = msgspec.field(default_factory=Slow)
    steps: dict[str, Steps] = {}

    def clamp_moved(self) -> None:
        """A clamp was moved: what it reads now says nothing of what it read before."""
        self.slow.compressor_heard = self.slow.fan_heard = False
        self.steps.pop("current", None)
        self.steps.pop("blower", None)

    def look(self, t: int, look: Look, told: Told = NOTHING_TOLD) -> tuple[RunState, Mode, dict[str, str]] | None:
        """Weigh the evidence at `t` ns. Returns (previous state, mode, evidence) when state, mode or stage changed.

        Evidence of mode, defrost and stage stands in it under "mode ...", "defrost ..." and "stage ...".
        """
        said, prompt = witness.running(look, told, self.slow, self.mode)
        wanted = self._wanted(said, prompt)
        if wanted is not self.candidate:
            self.candidate, self.candidate_since = wanted, t
        state = self.state
        if state in _UP and wanted is RunState.RUNNING:
            self.seen_running = t
        carried = sum(1 for vote in said.values() if vote == "yes") >= 2
        frost = self._look_for_defrost(t, look, told, carried)
        if wanted is RunState.RUNNING and state in _UP:
            if self.mode is Mode.HEAT and self.frost == "yes" and _held(t, self.frost_since) >= DEFROST_DWELL_S:
                state = RunState.DEFROST
            elif state is RunState.STARTING and _held(t, self.since) >= STARTING_S:
                state = RunState.RUNNING
        elif wanted is RunState.RUNNING and state is RunState.DEFROST:
            if self.frost == "no" and _held(t, self.frost_since) >= DEFROST_DWELL_S:
                state = RunState.RUNNING
            elif _held(t, self.since) > DEFROST_LONGEST_S and self.frost != "yes":
                state = RunState.UNKNOWN
        elif wanted is not state and _held(t, self.candidate_since) >= DWELL_S[wanted]:
            started = wanted is RunState.RUNNING and state is RunState.STOPPED
            state = RunState.STARTING if started else wanted
        previous = self.state, self.mode, self.stage
        mode, ways = self._mode(t, state, look, told)
        if state is not self.state:
            self._enter(t, state)
        self._turn(t, mode)
        stages = self._look_for_stage(t, look, told)
        if previous == (self.state, self.mode, self.stage):
            return None
        evidence = said | {f"mode {kind}": each for kind, each in ways.items()}
        if RunState.DEFROST in (self.state, previous[0]):
            evidence |= {f"defrost {kind}": each for kind, each in frost.items()}
        evidence |= {f"stage {kind}": each for kind, each in stages.items()}
        return previous[0], previous[1], evidence

    def _wanted(self, said: dict[str, str], prompt: frozenset[str]) -> RunState:
        yes = sum(1 for vote in said.values() if vote == "yes")
        no = sum(1 for vote in said.values() if vote == "no")
        prompt_yes = any(said.get(kind) == "yes" for kind in sorted(prompt))
        prompt_no = any(said.get(kind) == "no" for kind in sorted(prompt))
        up = self.state in (*_UP, RunState.DEFROST)
        down = self.state is RunState.STOPPED
        if yes >= 2 and yes > no and not (down and not prompt_yes):
            return RunState.RUNNING
        if no >= 2 and no >= yes and not (up and not prompt_no) and not prompt_yes:
            return RunState.STOPPED
        if up and yes >= 1 and not prompt_no:
            return RunState.RUNNING
        if down and (no >= 1 or yes >= 1) and not prompt_yes:
            return RunState.STOPPED
        if (up or down) and prompt_yes and prompt_no:
            # the probes contradict each other: one of them is off or somewhere else
            return RunState.STOPPED if down else RunState.RUNNING
        return RunState.UNKNOWN

    def _enter(self, t: int, state: RunState) -> None:
        """Go to another state: from starting to running is one run; so is a spell in which nobody could tell."""
        before, self.state = self.state, state
        if RunState.STOPPED in (state, before) or RunState.DEFROST in (state, before):
            self._new_epoch(keep_way=state is not RunState.STOPPED and before is not RunState.STOPPED)
        if RunState.DEFROST in (state, before) and state in (RunState.DEFROST, RunState.RUNNING):
            self.since = self.frost_since
        elif state is RunState.RUNNING and 0 <= t - self.seen_running <= SHORT_CYCLE_NS:
            self.since = self.run_since
        elif before is RunState.DEFROST and state is RunState.UNKNOWN:
            self.since = self.candidate_since = t
        elif not (before is RunState.STARTING and state is RunState.RUNNING):
            self.since = self.candidate_since
        if state in _UP:
            self.run_since = self.since

    def _new_epoch(self, *, keep_way: bool = False) -> None:
        self.epoch += 1
        self.seen_running = -1
        if not keep_way:
            self.way = Mode.NONE

    def begin_values_anew(self) -> None:
        """Refrigerant was added or removed: what was read before is not paired with what is read from now on."""
        seen = self.seen_running
        self._new_epoch(keep_way=True)
        self.seen_running = seen

    def unseen(self, t: int, gap_ns: int) -> bool:
        """Nobody looked for `gap_ns` until `t` ns. True when the run state is not known any more because of it."""
        if gap_ns <= SHORT_CYCLE_NS:
            return False
        known = self.state is not RunState.UNKNOWN
        self._new_epoch()
        self.slow.forget()
        self.steps.clear()
        self.mode, self.stage, self.frost = Mode.NONE, "", ""
        self.candidate, self.candidate_since = RunState.UNKNOWN, t
        if known:
            self.state, self.since = RunState.UNKNOWN, t
        return known

    # -------------------------------------------------------------------------------------- mode, defrost and stage

    def _mode(self, t: int, state: RunState, look: Look, told: Told) -> tuple[Mode, dict[str, str]]:
        if state is RunState.DEFROST:
            return Mode.HEAT, {}
        if state in _UP:
            if not told.may_heat:
                return Mode.COOL, {}  # what cannot reverse its circuit cools when it runs
            ways = witness.modes(look, told)
            wanted = _majority(ways)
            now = self.mode if self.mode in _WAYS else Mode.NONE
            if wanted is not self.way_wanted:
                self.way_wanted, self.way_since = wanted, t
            if wanted is Mode.NONE or wanted is now:
                return now, ways
            if now is Mode.NONE or _held(t, self.way_since) >= MODE_DWELL_S:
                return wanted, ways
            return now, ways
        self.way_wanted = Mode.NONE
        if witness.strips_on(look):
            return Mode.EMERGENCY, {}
        if state is RunState.STOPPED and witness.blower_on(look):
            return Mode.FAN, {}
        return Mode.NONE, {}

    def _turn(self, t: int, mode: Mode) -> None:
        """Take the mode; cooling and heating are two runs, also where a spell lay between them."""
        self.mode = mode
        if mode not in _WAYS:
            return
        if self.way in _WAYS and self.way is not mode:
            self._new_epoch()
            self.since = self.run_since = self.way_since if self.state in _UP else t
        self.way = mode

    def _look_for_defrost(self, t: int, look: Look, told: Told, carried: bool) -> dict[str, str]:
        asked = told.may_heat and (self.state is RunState.DEFROST or (self.state in _UP and self.mode is Mode.HEAT))
        said = witness.defrosting(look, told, self.slow) if told.may_heat else {}
        yes = [kind for kind, vote in said.items() if vote == "yes"]
        no = [kind for kind, vote in said.items() if vote == "no"]
        turned = any(kind in witness.TURNED for kind in yes)
        beside = any(kind in witness.BESIDE for kind in yes)
        comes_to = ""
        if asked and turned and beside and len(yes) > len(no):
            comes_to = "yes"
        elif asked and len(no) > len(yes) and (len(no) >= 2 or carried):
            comes_to = "no"
        if comes_to != self.frost:
            self.frost, self.frost_since = comes_to, t
        return said

    def _look_for_stage(self, t: int, look: Look, told: Told) -> dict[str, str]:
        if told.capacity_control != "two_stage" or self.state not in _UP:
            self.stage = ""
            self.steps.clear()
            return {}
        witness.feed_steps(self.steps, t, look, self.state is RunState.RUNNING)
        said = witness.stages(self.steps, told)
        low = sum(1 for stage in said.values() if stage == "low")
        high = len(said) - low
        if max(low, high) >= 2 and low != high:
            stage = "low" if low > high else "high"
        elif (self.stage == "low" and low >= high) or (self.stage == "high" and high >= low):
            stage = self.stage  # nobody outweighs it
        else:
            stage = ""  # one probe against it: not known any more
        if stage and stage != self.stage:
            self._new_epoch(keep_way=True)
            self.since = self.run_since = t
        self.stage = stage
        return said


def _held(t: int, since: int) -> float:
    return (t - since) * 1e-9


def _majority(ways: dict[str, str]) -> Mode:
    """What most kinds say; none on a tie, and none on a person's word alone, which is no probe."""
    measured = {each for kind, each in ways.items() if kind != "declared"}
    cool = sum(1 for each in ways.values() if each == "cool")
    heat = len(ways) - cool
    if cool == heat:
        return Mode.NONE
    wanted = Mode.COOL if cool > heat else Mode.HEAT
    return wanted if wanted in measured else Mode.NONE
