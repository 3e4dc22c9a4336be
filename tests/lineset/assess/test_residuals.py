"""Residuals against targets, the trade's figures and a system's own earlier visits, with their joint uncertainty."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lineset.assess.evidence import Evidence, Known
from lineset.assess.expectation import Footing
from lineset.assess.features import COMPRESSION_EXPONENT, FEATURES
from lineset.assess.gaussian import NotPositive, Regression, cholesky, log_density
from lineset.assess.residuals import Z99, Residuals, residuals
from lineset.derive.catalogue import CATALOGUE
from lineset.derive.declared import Context
from lineset.derive.propagate import propagate
from lineset.equipment.nameplate import Nameplate
from lineset.equipment.system import SystemRecord
from lineset.physics.refrigerant import REFRIGERANTS

RECORD = SystemRecord(
    id="s1", refrigerant="R-410A", metering_device="txv", nameplate=Nameplate(subcooling_target_k=5.5)
)
# invented: an ordinary three-ton system on a warm day
ORDINARY: Mapping[str, tuple[float, float]] = {
    "vapor_service_pressure": (850e3, 6e3),
    "liquid_service_pressure": (2_450e3, 15e3),
    "vapor_line_temperature": (12.0, 0.4),
    "liquid_line_temperature": (36.5, 0.4),
    "discharge_line_temperature": (72.0, 1.0),
    "outdoor_air_temperature": (31.0, 0.4),
    "condenser_leaving_temperature": (41.0, 0.5),
    "return_air_temperature": (24.5, 0.3),
    "return_air_humidity": (50.0, 2.0),
    "supply_air_temperature": (13.5, 0.4),
    "barometric_pressure": (101_325.0, 100.0),
}


def evidence(
    changes: Mapping[str, float] | None = None, *, record: SystemRecord = RECORD, run: str = "running"
) -> Evidence:
    moved = changes or {}
    values = {name: Known(value + moved.get(name, 0.0), u) for name, (value, u) in ORDINARY.items()}
    return Evidence(record, run=run, mode="cool", run_s=1200.0, values=values)


def test_features_are_the_derived_values_of_the_same_readings() -> None:
    rows = residuals(evidence())
    context = Context(refrigerant="R-410A", barometric_pa=101_325.0, barometric_u_pa=100.0)
    for name, derived in (
        ("superheat", "total_superheat"),
        ("subcooling", "subcooling"),
        ("evaporating", "vapor_dew_temperature"),
        ("condensing", "condensing_over_outdoor"),
        ("coil_rise", "outdoor_coil_rise"),
        ("split", "temperature_split"),
    ):
        inputs = CATALOGUE[derived].inputs
        done = propagate(
            CATALOGUE[derived], context, [ORDINARY[i][0] for i in inputs], [ORDINARY[i][1] for i in inputs]
        )
        row = rows.get(name)
        assert row is not None
        assert row.value == pytest.approx(done.value, abs=1e-9)
        # and no surer than the reading alone
        assert row.u >= done.u * 0.999


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(sorted(ORDINARY)), st.floats(0.05, 0.3))
def test_each_residual_moves_with_its_sources_as_it_says(point: str, part: float) -> None:
    before = residuals(evidence())
    step = part * ORDINARY[point][1]
    after = residuals(evidence({point: step}))
    for row in before.rows:
        moved = after.get(row.name)
        assert moved is not None
        linear = row.by.get(point, 0.0) * step
        # the split's target is bilinear in cells of one degF, the wet bulb and curves are curved: first order only
        assert moved.residual - row.residual == pytest.approx(linear, abs=0.05 * abs(linear) + 0.03)


def test_what_shares_a_gauge_shares_its_error() -> None:
    rows = residuals(evidence())
    covariance = rows.covariance()
    names = [row.name for row in rows.rows]
    both = covariance[names.index("condensing")][names.index("subcooling")]
    assert both > 0.0  # one liquid gauge: too high for one is too high for the other
    assert covariance[names.index("evaporating")][names.index("superheat")] < 0.0
    assert covariance[names.index("coil_rise")][names.index("evaporating")] == pytest.approx(0.0, abs=0.05)
    for i, row in enumerate(rows.rows):
        assert covariance[i][i] == pytest.approx(row.u**2, rel=1e-9)
    cholesky(covariance)  # positive definite


def test_the_neutral_band_holds_99_of_100_sound_readings() -> None:
    draw = random.Random(4)
    first = residuals(evidence())
    inside = total = 0
    for _ in range(400):
        errors = {name: draw.gauss(0.0, u) for name, (_, u) in ORDINARY.items()}
        moved = residuals(evidence(errors))
        for row in first.rows:
            other = moved.get(row.name)
            assert other is not None
            # the expectation's own error, drawn too: what is left is the residual of a system that is sound
            residual = other.residual - row.residual + draw.gauss(0.0, row.own_u)
            inside += abs(residual) <= Z99 * row.u
            total += 1
    assert 0.984 < inside / total < 0.996


def test_own_earlier_visits_narrow_what_is_expected_and_follow_the_weather() -> None:
    generic = residuals(evidence())
    again = residuals(evidence(), earlier=[evidence()])
    for name in ("evaporating", "condensing", "coil_rise", "discharge"):
        wide, narrow = generic.get(name), again.get(name)
        assert wide is not None
        assert narrow is not None
        assert narrow.footing is Footing.OWN
        assert narrow.u < 0.7 * wide.u
        assert abs(narrow.residual) < 0.4 * abs(wide.residual) + 0.35
    # farther from the earlier weather it is less sure
    hot = {"outdoor_air_temperature": 9.0, "condenser_leaving_temperature": 9.0}
    near, far = again.get("condensing"), residuals(evidence(hot), earlier=[evidence()]).get("condensing")
    assert near is not None
    assert far is not None
    assert far.own_u > near.own_u
    more = residuals(evidence(), earlier=[evidence() for _ in range(6)]).get("condensing")
    assert more is not None
    assert more.own_u < near.own_u


def test_without_what_drives_the_system_nothing_is_judged() -> None:
    whole = evidence()
    for missing in ("outdoor_air_temperature", "return_air_temperature"):
        values = {name: known for name, known in whole.values.items() if name != missing}
        assert residuals(Evidence(RECORD, run="running", values=values)).rows == ()
    dry = {name: known for name, known in whole.values.items() if name != "return_air_humidity"}
    assumed = residuals(Evidence(RECORD, run="running", mode="cool", values=dry))
    known = residuals(whole).get("split")
    guessed = assumed.get("split")
    assert assumed.conditions is not None
    assert assumed.conditions.assumed_humidity
    assert known is not None
    assert guessed is not None
    assert guessed.u > 1.2 * known.u  # nobody measured the humidity: the split's target is less sure


def test_wet_vapor_says_nothing_of_the_compression() -> None:
    assert residuals(evidence()).get("compression_heat") is not None
    assert residuals(evidence({"vapor_line_temperature": -9.0})).get("compression_heat") is None


def test_unsettled_readings_are_not_judged() -> None:
    values = dict(evidence().values)
    values["vapor_service_pressure"] = Known(850e3, 6e3, settled=False)
    rows = residuals(Evidence(RECORD, run="running", values=values))
    assert {row.name for row in rows.rows}.isdisjoint({"evaporating", "superheat", "compression_heat"})
    # a superheat that settled while its parts still drift together is taken as it is
    values["total_superheat"] = Known(6.0, 0.6, origin="derived")
    row = residuals(Evidence(RECORD, run="running", values=values)).get("superheat")
    assert row is not None
    assert row.value == 6.0


def rest(changes: Mapping[str, float] | None = None) -> Evidence:
    # R-410A at 28 Cel stands at about 1.70 MPa gauge (saturation, CoolProp)
    at = {"vapor_line_temperature": 28.0, "liquid_line_temperature": 28.0, "outdoor_air_temperature": 28.0}
    at |= {"return_air_temperature": 28.0, "return_air_humidity": 50.0}
    at |= {"vapor_service_pressure": 1_696e3, "liquid_service_pressure": 1_696e3}
    moved = changes or {}
    values = {name: Known(value + moved.get(name, 0.0), 0.4 if value < 100 else 6e3) for name, value in at.items()}
    return Evidence(RECORD, run="stopped", values=values)


def test_standing_pressures_are_held_against_saturation_only_when_equalised() -> None:
    rows = residuals(evidence(), at_rest=rest())
    for name in ("standing_vapor", "standing_liquid"):
        row = rows.get(name)
        assert row is not None
        assert row.sign == 0
        assert abs(row.residual) < 0.5
    gassy = residuals(evidence(), at_rest=rest({"vapor_service_pressure": 150e3, "liquid_service_pressure": 150e3}))
    high = gassy.get("standing_liquid")
    assert high is not None
    assert high.sign == 1
    warm = residuals(evidence(), at_rest=rest({"liquid_line_temperature": 9.0}))
    assert warm.get("standing_vapor") is None


def test_every_shipped_refrigerant_has_its_compression() -> None:
    assert set(COMPRESSION_EXPONENT) == set(REFRIGERANTS)


def test_residuals_know_what_they_are_asked_for() -> None:
    rows = residuals(evidence())
    assert [row.name for row in rows.rows] == [name for name in FEATURES if rows.get(name)]
    left = rows.without("split")
    assert isinstance(left, Residuals)
    assert left.get("split") is None
    assert {row.name for row in rows.outside} <= {row.name for row in rows.rows}


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(-3, 3), min_size=2, max_size=2), st.floats(0.3, 2), st.floats(0.3, 2), st.floats(-0.8, 0.8))
def test_the_normal_density_is_that_of_two_variables(at: list[float], a: float, b: float, r: float) -> None:
    # the density of two correlated normal variables, written out: any textbook
    covariance = [[a * a, r * a * b], [r * a * b, b * b]]
    x, y = at[0] / a, at[1] / b
    exponent = -(x * x - 2 * r * x * y + y * y) / (2 * (1 - r * r))
    written = exponent - math.log(2 * math.pi * a * b * math.sqrt(1 - r * r))
    assert log_density(at, covariance) == pytest.approx(written, rel=1e-9, abs=1e-9)


def test_a_regression_with_a_prior_is_the_weighted_mean_of_prior_and_data() -> None:
    fit = Regression((10.0,), (2.0,))
    fit.observe((1.0,), 13.0, 1.0)
    value, u, _ = fit.predict((1.0,))
    assert value == pytest.approx((10.0 / 4.0 + 13.0) / (1.0 / 4.0 + 1.0))
    assert u == pytest.approx(math.sqrt(1.0 / (1.0 / 4.0 + 1.0)))
    with pytest.raises(NotPositive):
        cholesky([[1.0, 2.0], [2.0, 1.0]])
