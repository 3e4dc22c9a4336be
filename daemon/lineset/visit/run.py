"""The run state of a system, fused from several kinds of probe.

No single probe decides it: a released clamp, a stopped compressor and a jaw around both conductors all read zero; a
pressure difference, warm and cold lines and cool supply air outlive the compressor by minutes. Each kind of evidence
says yes, no or nothing. Some of it is prompt (power, current, pressures drawing apart or falling together), the rest
lags. Two kinds that agree and outnumber those that disagree carry a state; a start after a stop, or a stop after a
run, needs a prompt one among them; one kind is enough to keep a state. Thresholds are judgement (common practice, no
source) and far from where a working system is.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum

import msgspec


class RunState(StrEnum):
    """Running state of a system."""

    STOPPED = "stopped"
    STARTING = "starting"
    RUNNING = "running"
    DEFROST = "defrost"
    UNKNOWN = "unknown"


class Mode(StrEnum):
    """What the system does to the air, as far as the probes tell."""

    NONE = ""
    COOL = "cool"
    HEAT = "heat"
    FAN = "fan"
    EMERGENCY = "emergency"


# For how long a new state must be seen before it is declared, and how long a start counts as starting.
DWELL_S = {RunState.RUNNING: 3.0, RunState.STOPPED: 3.0, RunState.UNKNOWN: 20.0}
STARTING_S = 120.0
# In less than this no compressor stops and starts again (controls hold it off for three minutes or more; common
# practice, no source): a run lost from sight for less is still the same run.
SHORT_CYCLE_NS = 180_000_000_000

LIFT_RUNNING_PA = 400e3
LIFT_STOPPED_PA = 120e3
CURRENT_RUNNING_A = 2.0
CURRENT_SILENT_A = 0.5
POWER_RUNNING_W = 500.0
POWER_STOPPED_W = 80.0
SPLIT_WORKING_K = 5.0
SPLIT_IDLE_K = 1.5
STRIP_ON_A = 2.0
BLOWER_ON_A = 0.2

Look = Callable[[str], float | None]  # point name -> fresh, usable SI value, or None


class RunFusion(msgspec.Struct):
    """Evidence and state of one system's run. Part of the engine's state; looked at once a second of visit time."""

    state: RunState = RunState.UNKNOWN
    mode: Mode = Mode.NONE
    since: int = 0  # ns of visit time at which this state began
    epoch: int = 0  # counts starts, stops and changes between cooling and heating: values are paired within one
    run_since: int = 0  # ns at which the run began that was last seen
    seen_running: int = -1  # ns at which it was last seen running in this epoch; -1: it was not
    candidate: RunState = RunState.UNKNOWN
    candidate_since: int = 0
    lift_slow: float = 0.0
    lift_known: bool = False
    compressor_heard: bool = False  # the clamp, as it sits now, has read compressor current

    def clamp_moved(self) -> None:
        """A clamp was moved: what it reads now says nothing of what it read before."""
        self.compressor_heard = False

    def evidence(self, look: Look) -> tuple[dict[str, str], frozenset[str]]:
        """What each kind of probe says: "yes", "no" or "" by kind, and which kinds are prompt.

        Kinds with no probe are left out.
        """
        said: dict[str, str] = {}
        prompt = {"power", "current"}
        high = _first(look, "liquid_service_pressure", "discharge_pressure")
        low = _first(look, "vapor_service_pressure", "common_suction_pressure")
        if high is not None and low is not None:
            lift = high - low
            slow = self.lift_slow if self.lift_known else lift
            apart, together = lift > 1.15 * slow + 30e3, lift < 0.85 * slow - 30e3
            if apart or together:
                prompt.add("pressure")
            if together or lift < LIFT_STOPPED_PA:
                said["pressure"] = "no"
            else:
                said["pressure"] = "yes" if apart or lift > LIFT_RUNNING_PA else ""
            self.lift_slow = slow + 0.05 * (lift - slow)  # about 20 s at one look a second
            self.lift_known = True
        power = look("power")
        if power is not None:
            said["power"] = "yes" if power > POWER_RUNNING_W else "no" if power < POWER_STOPPED_W else ""
        amps = _first(look, "compressor_common_current", "compressor_run_current")
        if amps is not None:
            if amps > CURRENT_RUNNING_A:
                self.compressor_heard = True
                said["current"] = "yes"
            else:
                said["current"] = "no" if amps < CURRENT_SILENT_A and self.compressor_heard else ""
        liquid, outdoor = look("liquid_line_temperature"), look("outdoor_air_temperature")
        vapor, back = look("vapor_line_temperature"), look("return_air_temperature")
        if liquid is not None and outdoor is not None and vapor is not None and back is not None:
            warm, cold = liquid - outdoor, back - vapor
            said["line_temperature"] = (
                "yes" if warm > 1.5 and cold > 5.0 else "no" if abs(warm) < 1.0 and cold < 3.0 else ""
            )
        supply = look("supply_air_temperature")
        if supply is not None and back is not None:
            split = back - supply
            said["air"] = "yes" if split > SPLIT_WORKING_K else "no" if abs(split) < SPLIT_IDLE_K else ""
        return said, frozenset(prompt)

    def look(self, t: int, look: Look) -> tuple[RunState, Mode, dict[str, str]] | None:
        """Weigh the evidence at `t` ns. Returns (previous state, mode, evidence) when state or mode changed."""
        said, prompt = self.evidence(look)
        yes = sum(1 for vote in said.values() if vote == "yes")
        no = sum(1 for vote in said.values() if vote == "no")
        prompt_yes = any(said.get(kind) == "yes" for kind in sorted(prompt))
        prompt_no = any(said.get(kind) == "no" for kind in sorted(prompt))
        up = self.state in (RunState.RUNNING, RunState.STARTING)
        down = self.state is RunState.STOPPED
        if yes >= 2 and yes > no and not (down and not prompt_yes):
            wanted = RunState.RUNNING
        elif no >= 2 and no >= yes and not (up and not prompt_no) and not prompt_yes:
            wanted = RunState.STOPPED
        elif up and yes >= 1 and not prompt_no:
            wanted = RunState.RUNNING
        elif down and (no >= 1 or yes >= 1) and not prompt_yes:
            wanted = RunState.STOPPED
        elif (up or down) and prompt_yes and prompt_no:
            wanted = self.state  # the probes contradict each other: one of them is off or somewhere else
        else:
            wanted = RunState.UNKNOWN
        if wanted is not self.candidate:
            self.candidate, self.candidate_since = wanted, t
        state = self.state
        if up and wanted is RunState.RUNNING:
            self.seen_running = t
        held_s = (t - self.candidate_since) * 1e-9
        if wanted is RunState.RUNNING and up:
            if state is RunState.STARTING and (t - self.since) * 1e-9 >= STARTING_S:
                state = RunState.RUNNING
        elif wanted is not state and held_s >= DWELL_S[wanted]:
            started = wanted is RunState.RUNNING and state is RunState.STOPPED
            state = RunState.STARTING if started else wanted
        mode = self._mode(state, look)
        if state is self.state and mode is self.mode:
            return None
        previous = self.state, self.mode
        if state is not self.state:
            # from starting to running is one run; so is a spell in which nobody could tell
            if RunState.STOPPED in (state, self.state):
                self._new_epoch()
            if state is RunState.RUNNING and 0 <= t - self.seen_running <= SHORT_CYCLE_NS:
                self.since = self.run_since
            elif not (self.state is RunState.STARTING and state is RunState.RUNNING):
                self.since = self.candidate_since
            if state in (RunState.RUNNING, RunState.STARTING):
                self.run_since = self.since
        elif {mode, self.mode} == {Mode.COOL, Mode.HEAT}:
            self._new_epoch()
            self.since = self.run_since = t
        self.state, self.mode = state, mode
        return (*previous, said)

    def _new_epoch(self) -> None:
        self.epoch += 1
        self.seen_running = -1

    def unseen(self, t: int, gap_ns: int) -> bool:
        """Nobody looked for `gap_ns` until `t` ns. True when the run state is not known any more because of it."""
        if gap_ns <= SHORT_CYCLE_NS:
            return False
        known = self.state is not RunState.UNKNOWN
        self._new_epoch()
        self.lift_known = self.compressor_heard = False
        self.candidate, self.candidate_since = RunState.UNKNOWN, t
        if known:
            self.state, self.since = RunState.UNKNOWN, t
        return known

    def _mode(self, state: RunState, look: Look) -> Mode:
        strips = look("heat_strip_current")
        back, supply = look("return_air_temperature"), look("supply_air_temperature")
        split = back - supply if back is not None and supply is not None else None
        if state in (RunState.RUNNING, RunState.STARTING):
            if split is not None and abs(split) > SPLIT_IDLE_K * 2:
                return Mode.COOL if split > 0 else Mode.HEAT
            return self.mode if self.mode in (Mode.COOL, Mode.HEAT) else Mode.NONE
        if strips is not None and strips > STRIP_ON_A:
            return Mode.EMERGENCY
        blower = look("blower_current")
        if state is RunState.STOPPED and blower is not None and blower > BLOWER_ON_A:
            return Mode.FAN
        return Mode.NONE


def _first(look: Look, *names: str) -> float | None:
    for name in names:
        value = look(name)
        if value is not None:
            return value
    return None
