"""The run state over any sequence of evidence: no single probe, and no single kind of evidence, makes a state."""

from __future__ import annotations

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from lineset.physics.refrigerant import curve
from lineset.visit.run import Mode, RunFusion, RunState
from lineset.visit.witness import BESIDE, TURNED, Told

NS = 1_000_000_000
CURVE = curve("R-410A")


def dew_cel(gauge_pa: float) -> float | None:
    return CURVE.dew(gauge_pa + 101_325.0) if 0.0 < gauge_pa < 4e6 else None


# levels that mean something at each point, and some that mean nothing
LEVELS: dict[str, tuple[float, ...]] = {
    "vapor_service_pressure": (0.45e6, 0.8e6, 1.5e6, 2.45e6),
    "liquid_service_pressure": (0.8e6, 1.5e6, 2.4e6),
    "common_suction_pressure": (0.45e6, 1.5e6),
    "vapor_line_temperature": (-2.0, 11.0, 24.0, 64.0),
    "liquid_line_temperature": (14.0, 25.0, 37.0),
    "outdoor_air_temperature": (2.0, 24.0, 32.0),
    "return_air_temperature": (20.0, 25.0),
    "supply_air_temperature": (13.0, 20.0, 25.0, 38.0),
    "power": (0.0, 300.0, 1500.0, 2600.0),
    "compressor_common_current": (0.0, 6.5, 11.0),
    "outdoor_fan_current": (0.0, 1.1),
    "heat_strip_current": (0.0, 20.0),
    "heat_strip_feed_current": (0.0, 3.0, 24.0),
    "blower_current": (0.0, 2.5),
}
told = st.builds(
    lambda kind, control, declared: Told(kind, control, declared, dew_cel),
    st.sampled_from(("", "split_ac", "split_heat_pump", "package_heat_pump")),
    st.sampled_from(("", "single", "two_stage", "inverter")),
    st.dictionaries(st.sampled_from(("heating", "defrosting", "full_capacity", "low_stage")), st.booleans()),
)
seen = st.fixed_dictionaries({}, optional={name: st.sampled_from(levels) for name, levels in LEVELS.items()})
spells = st.lists(st.tuples(seen, st.sampled_from((1, 4, 12, 40, 150))), min_size=1, max_size=6)


def _agreeing(evidence: dict[str, str], about: str, answer: str) -> set[str]:
    found = set()
    for what, vote in evidence.items():
        group, _, kind = what.rpartition(" ")
        if group == about and vote == answer:
            found.add(kind)
    return found


@settings(max_examples=150, deadline=None)
@given(spells, told)
def test_every_change_is_carried_by_two_kinds_of_evidence(
    sequence: list[tuple[dict[str, float], int]], told: Told
) -> None:
    fusion, t = RunFusion(), 0
    for values, seconds in sequence:
        for _ in range(seconds):
            t += NS
            before, stage, since = fusion.state, fusion.stage, fusion.since
            changed = fusion.look(t, values.get, told)
            if changed is None:
                assert (fusion.state, fusion.stage, fusion.since) == (before, stage, since)
                continue
            evidence = changed[2]
            state = fusion.state
            if state is not before and state in (RunState.STARTING, RunState.RUNNING):
                if not (before is RunState.STARTING and state is RunState.RUNNING):
                    carried = _agreeing(evidence, "", "yes")
                    turned_back = _agreeing(evidence, "defrost", "no") if before is RunState.DEFROST else set()
                    assert len(carried) >= 2 or len(turned_back) >= 2, (before, state, evidence)
            elif state is not before and state is RunState.STOPPED:
                assert len(_agreeing(evidence, "", "no")) >= 2, (before, state, evidence)
            elif state is not before and state is RunState.DEFROST:
                saw = _agreeing(evidence, "defrost", "yes")
                assert saw & set(TURNED), evidence
                assert saw & set(BESIDE), evidence
                assert told.kind not in ("split_ac", "package_ac")
            if fusion.stage and fusion.stage != stage:
                assert len(_agreeing(evidence, "stage", fusion.stage)) >= 2, evidence
                assert told.capacity_control == "two_stage"
            if told.kind == "split_ac":
                assert fusion.mode is not Mode.HEAT


@settings(max_examples=80, deadline=None)
@given(st.sampled_from(sorted(LEVELS)), st.data(), told)
def test_one_probe_makes_no_state(name: str, data: st.DataObject, told: Told) -> None:
    fusion, t = RunFusion(), 0
    for value in data.draw(st.lists(st.sampled_from(LEVELS[name]), min_size=1, max_size=8)):
        for _ in range(30):
            t += NS
            fusion.look(t, {name: value}.get, told)
            assert fusion.state is RunState.UNKNOWN
            assert fusion.stage == ""
            assert fusion.mode not in (Mode.COOL, Mode.HEAT)


@settings(max_examples=40, deadline=None)
@given(spells, told, st.integers(0, 200))
def test_going_on_from_a_snapshot_is_going_on(
    sequence: list[tuple[dict[str, float], int]], told: Told, cut: int
) -> None:
    whole, t, n = RunFusion(), 0, 0
    other: RunFusion | None = None
    for values, seconds in sequence:
        for _ in range(seconds):
            t += NS
            if n == cut:
                other = msgspec.msgpack.decode(msgspec.msgpack.encode(whole), type=RunFusion)
            n += 1
            said = whole.look(t, values.get, told)
            if other is not None:
                assert other.look(t, values.get, told) == said
    assert other is None or msgspec.to_builtins(other) == msgspec.to_builtins(whole)
