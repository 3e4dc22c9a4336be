"""What each kind of probe says of a system's run: whether it runs, in which mode, whether it defrosts, in which stage.

Each kind answers "yes", "no" or nothing, or names a mode or stage; nobody decides here. Thresholds are judgement
(common practice, no source) and far from where a working system is.

In heating the reversing valve sends discharge gas to the vapor service port: vapor and liquid port then both stand
high, and only the common suction port still shows suction. So service ports that stand together say that a heat pump
is stopped only where they stand at the pressure that the refrigerant has at the temperature around it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import NamedTuple

import msgspec

LIFT_RUNNING_PA = 400e3
LIFT_STOPPED_PA = 120e3
CURRENT_RUNNING_A = 2.0
CURRENT_SILENT_A = 0.5
POWER_RUNNING_W = 500.0
POWER_STOPPED_W = 80.0
SPLIT_WORKING_K = 5.0
SPLIT_IDLE_K = 1.5
SPLIT_TELLS_K = 3.0  # air colder or warmer by this tells cooling from heating
STRIP_ON_A = 2.0
# The feed of an air handler carries its blower too (2 to 7 A); the smallest strip, 3 kW at 208 V, draws 10.8 A.
STRIP_FEED_ON_A = 9.0
BLOWER_ON_A = 0.2
FAN_RUNNING_A = 0.3  # outdoor fan motors draw 0.5 A and more
FAN_SILENT_A = 0.1
LINES_APART_K = 8.0  # in cooling the vapor line is the colder one by 15 K and more, in heating the hotter one
PORTS_APART_PA = 150e3
AROUND_K = 8.0  # saturation so far above all air around it: somebody compresses
_STRIPS = ("heat_strip_current", *(f"heat_strip_current.{n}" for n in range(2, 7)))
_FEEDS = ("heat_strip_feed_current", *(f"heat_strip_feed_current.{n}" for n in range(2, 5)))

Look = Callable[[str], float | None]  # point name -> fresh, usable SI value, or None


class Told(NamedTuple):
    """What is known of a system besides its probes: its description, and what a technician declared of this moment.

    `saturation_cel` gives the refrigerant's dew temperature [Cel] at a gauge pressure [Pa], or None out of range.
    """

    kind: str = ""  # of equipment.system.KINDS
    capacity_control: str = ""  # of equipment.system.CAPACITY_CONTROLS
    declared: Mapping[str, bool] = MappingProxyType({})
    saturation_cel: Callable[[float], float | None] | None = None

    @property
    def heat_pump(self) -> bool:
        """Whether it is said to heat by its refrigerant circuit."""
        return self.kind.endswith("heat_pump")

    @property
    def may_heat(self) -> bool:
        """Whether it may heat by its refrigerant circuit: a heat pump, or nobody said what it is."""
        return self.heat_pump or not self.kind


NOTHING_TOLD = Told()


class Slow(msgspec.Struct):
    """What the witnesses remember: slow means [Pa], and what the clamps, as they sit now, have heard."""

    lift: float | None = None
    vapor: float | None = None
    compressor_heard: bool = False  # the clamp, as it sits now, has read compressor current
    fan_heard: bool = False  # likewise of the outdoor fan

    def forget(self) -> None:
        """Nobody looked for long: start over."""
        self.lift = self.vapor = None
        self.compressor_heard = self.fan_heard = False


def strips_on(look: Look) -> bool | None:
    """Whether electric heat is energised, by a strip's own conductor or by the air handler's feed; None: no clamp."""
    said = [amps > STRIP_ON_A for name in _STRIPS if (amps := look(name)) is not None]
    said += [amps > STRIP_FEED_ON_A for name in _FEEDS if (amps := look(name)) is not None]
    return any(said) if said else None


def blower_on(look: Look) -> bool | None:
    """Whether the blower alone is heard: by its conductor, or by a feed that carries too little for a strip."""
    amps = _first(look, "blower_current", *_FEEDS)
    return None if amps is None else amps > BLOWER_ON_A


def split_k(look: Look) -> float | None:
    """Return air less supply air [K]; None without both."""
    back, supply = look("return_air_temperature"), look("supply_air_temperature")
    return None if back is None or supply is None else back - supply


# ------------------------------------------------------------------------------------------------------------- runs?


def running(look: Look, told: Told, slow: Slow, mode: str) -> tuple[dict[str, str], frozenset[str]]:
    """What each kind of probe says of the compressor: "yes", "no" or "" by kind, and which kinds are prompt.

    Kinds with no probe are left out. `mode` is the mode of the run as known so far.
    """
    said: dict[str, str] = {}
    prompt = {"power", "current"}
    ports = _ports(look, told, slow, mode)
    if ports is not None:
        said["pressure"] = ports[0]
        if ports[1]:
            prompt.add("pressure")
    power = look("power")
    if power is not None:
        said["power"] = "yes" if power > POWER_RUNNING_W else "no" if power < POWER_STOPPED_W else ""
    amps = _first(look, "compressor_common_current", "compressor_run_current")
    if amps is not None:
        if amps > CURRENT_RUNNING_A:
            slow.compressor_heard = True
            said["current"] = "yes"
        else:
            said["current"] = "no" if amps < CURRENT_SILENT_A and slow.compressor_heard else ""
    lines = _lines(look, told)
    if lines is not None:
        said["line_temperature"] = lines
    split = split_k(look)
    if split is not None:
        # warm supply air may come from strips; without them a heat pump's compressor made it
        warms = told.heat_pump and split < -SPLIT_WORKING_K and not strips_on(look)
        said["air"] = "yes" if split > SPLIT_WORKING_K or warms else "no" if abs(split) < SPLIT_IDLE_K else ""
    return said, frozenset(prompt)


def _ports(look: Look, told: Told, slow: Slow, mode: str) -> tuple[str, bool] | None:
    """What the pressures say, and whether it is prompt; None without two ports that can tell."""
    suction, vapor = look("common_suction_pressure"), look("vapor_service_pressure")
    high = _first(look, "liquid_service_pressure", "discharge_pressure")
    heating = told.heat_pump or (told.may_heat and (mode == "heat" or _warm_air(look)))
    falling = False
    if vapor is not None:
        before = slow.vapor if slow.vapor is not None else vapor
        falling = heating and mode == "heat" and vapor < 0.85 * before - 30e3
        slow.vapor = before + 0.05 * (vapor - before)
    if heating and suction is not None:
        high = max((each for each in (high, vapor) if each is not None), default=None)
        low: float | None = suction
        heating = False  # the suction port draws apart from the high side in both modes
    else:
        low = vapor if vapor is not None else suction
    if high is None or low is None:
        return None
    lift = max(high - low, 0.0)  # in heating the vapor port stands a little higher than the liquid port
    before = slow.lift if slow.lift is not None else lift
    slow.lift = before + 0.05 * (lift - before)  # about 20 s at one look a second
    apart, together = lift > 1.15 * before + 30e3, lift < 0.85 * before - 30e3
    if falling or together:
        return "no", True
    if apart or lift > LIFT_RUNNING_PA:
        return "yes", apart
    if not heating:
        return ("no" if lift < LIFT_STOPPED_PA else ""), False
    level = _above_air(low, look, told)
    if lift < LIFT_STOPPED_PA and level is not None:
        return ("yes" if level > AROUND_K else "no"), False
    return "", False


def _above_air(pressure: float, look: Look, told: Told) -> float | None:
    """How far the refrigerant's saturation stands above the warmest air around it [K]; None where nobody can tell."""
    airs = [look(name) for name in ("outdoor_air_temperature", "return_air_temperature")]
    known = [each for each in airs if each is not None]
    if told.saturation_cel is None or not known:
        return None
    dew = told.saturation_cel(pressure)
    return None if dew is None else dew - max(known)


def _warm_air(look: Look) -> bool:
    split = split_k(look)
    return split is not None and split < -SPLIT_TELLS_K and not strips_on(look)


def _lines(look: Look, told: Told) -> str | None:
    liquid, vapor = look("liquid_line_temperature"), look("vapor_line_temperature")
    outdoor, back = look("outdoor_air_temperature"), look("return_air_temperature")
    if liquid is None or vapor is None or outdoor is None or back is None:
        return None
    warm, cold = liquid - outdoor, back - vapor
    if warm > 1.5 and cold > 5.0:
        return "yes"
    if told.may_heat and vapor - back > 10.0 and vapor - liquid > LINES_APART_K:
        return "yes"  # discharge gas in the vapor line
    return "no" if abs(warm) < 1.0 and cold < 3.0 else ""


# ------------------------------------------------------------------------------------------------------- which mode?


def modes(look: Look, told: Told) -> dict[str, str]:
    """Which way the refrigerant goes while it runs: "cool" or "heat" by kind; kinds that cannot tell are left out."""
    said: dict[str, str] = {}
    suction, vapor = look("common_suction_pressure"), look("vapor_service_pressure")
    liquid = look("liquid_service_pressure")
    if vapor is not None and suction is not None and abs(vapor - suction) > PORTS_APART_PA:
        said["pressure"] = "heat"  # the reversing valve has taken the vapor port off the suction side
    elif vapor is not None and liquid is not None:
        if liquid - vapor > LIFT_RUNNING_PA:
            said["pressure"] = "cool"
        elif abs(liquid - vapor) < PORTS_APART_PA:
            level = _above_air(vapor, look, told)
            if level is not None and level > AROUND_K:
                said["pressure"] = "heat"
    line, hot = look("vapor_line_temperature"), look("liquid_line_temperature")
    if line is not None and hot is not None and abs(line - hot) > LINES_APART_K:
        said["line_temperature"] = "heat" if line > hot else "cool"
    split = split_k(look)
    if split is not None and abs(split) > SPLIT_TELLS_K and not (split < 0 and strips_on(look)):
        said["air"] = "cool" if split > 0 else "heat"
    if told.declared.get("heating"):
        said["declared"] = "heat"
    elif told.declared.get("steady_cooling"):
        said["declared"] = "cool"
    return said


# --------------------------------------------------------------------------------------------------------- defrosts?

# Who sees that the circuit went round the other way, and who sees what goes with a defrost only.
TURNED = ("pressure", "line_temperature", "air")
BESIDE = ("outdoor_fan", "strips", "declared")


def defrosting(look: Look, told: Told, slow: Slow) -> dict[str, str]:
    """What each kind of probe says of a defrost, asked while a heat pump heats: "yes", "no" or "" by kind.

    In a defrost the reversing valve goes to cooling, the outdoor fan stands while the compressor runs, and strips
    temper the air. Strips also help in heating, and a released clamp reads as a standing fan, so that these alone are
    none.
    """
    said: dict[str, str] = {}
    for kind, mode in modes(look, told).items():
        if kind in TURNED:
            said[kind] = "yes" if mode == "cool" else "no"
    fan = look("outdoor_fan_current")
    if fan is not None:
        if fan > FAN_RUNNING_A:
            slow.fan_heard = True
            said["outdoor_fan"] = "no"
        else:
            said["outdoor_fan"] = "yes" if fan < FAN_SILENT_A and slow.fan_heard else ""
    if strips_on(look):
        said["strips"] = "yes"
    word = told.declared.get("defrosting")
    if word is not None:
        said["declared"] = "yes" if word else "no"
    return said


# ------------------------------------------------------------------------------------------------------ which stage?

STEP_UP, STEP_DOWN = 1.18, 0.85  # low stage takes 55 to 75 % of what full stage takes
AGREE_NS = 60_000_000_000  # steps of two probes farther apart are not one step
_FAST, _SLOW = 0.2, 1 / 60  # of a mean over about 5 s and 60 s at one look a second


class Steps(msgspec.Struct):
    """Steps of one electrical quantity within a run: "high" after a step up, "low" after a step down, and when."""

    fast: float | None = None
    slow: float = 0.0
    said: str = ""
    at: int = 0

    def see(self, t: int, value: float | None, calm: bool) -> None:
        """Take a value at `t` ns. While the start is not over (`calm` False) the level is only followed."""
        if value is None or value <= 0.0:
            self.fast, self.said = None, ""
            return
        if self.fast is None:
            self.fast = self.slow = value
        self.fast += _FAST * (value - self.fast)
        if not calm:
            self.slow, self.said = self.fast, ""
            return
        step = self.fast / self.slow
        if step > STEP_UP or step < STEP_DOWN:
            self.said, self.at, self.slow = ("high" if step > 1.0 else "low"), t, value
            self.fast = value
        self.slow += _SLOW * (self.fast - self.slow)


STAGE_PROBES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "power": ("power",),
        "current": ("compressor_common_current", "compressor_run_current", "outdoor_unit_current"),
        "blower": ("blower_power", "blower_current"),
    }
)


def stages(steps: Mapping[str, Steps], told: Told) -> dict[str, str]:
    """Which stage each kind speaks for: "low" or "high" by kind; kinds that saw no step are left out.

    A step that no other kind took within a minute speaks for nothing but itself.
    """
    said = {kind: each.said for kind, each in steps.items() if each.said}
    latest = max((each.at for each in steps.values() if each.said), default=0)
    said = {kind: stage for kind, stage in said.items() if latest - steps[kind].at <= AGREE_NS}
    if told.declared.get("full_capacity"):
        said["declared"] = "high"
    elif told.declared.get("low_stage") or told.declared.get("full_capacity") is False:
        said["declared"] = "low"
    return said


def feed_steps(steps: dict[str, Steps], t: int, look: Look, calm: bool) -> None:
    """Show each kind its value of this moment."""
    for kind, names in STAGE_PROBES.items():
        value = _first(look, *names)
        if value is not None or kind in steps:
            steps.setdefault(kind, Steps()).see(t, value, calm)


def _first(look: Look, *names: str) -> float | None:
    for name in names:
        value = look(name)
        if value is not None:
            return value
    return None
