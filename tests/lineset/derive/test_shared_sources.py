"""Budgets of derived values whose inputs share sources, against the `uncertainties` package, which tracks variables."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st

from lineset.derive.catalogue import CATALOGUE
from lineset.derive.declared import NotDerivable
from lineset.derive.propagate import budget, propagate
from lineset.derive.sensitivity import CONTEXT, typical
from lineset.measure.installation import STAND_IN
from lineset.measure.source import combined

# Standard uncertainty of a source as a share of the reading; kept small, since the package takes slopes numerically.
SHARE = 1e-4
SOURCES = ("accuracy meter", "reference bath", "stated a", "resolution b", "calibration c")
names = st.sampled_from(sorted(set(CATALOGUE) - set(STAND_IN)))
shares = st.lists(st.floats(-1.0, 1.0).map(lambda x: round(x, 2)), min_size=len(SOURCES), max_size=len(SOURCES))


@given(names, st.lists(shares, min_size=8, max_size=8), st.floats(0.0, 100.0))
def test_a_budget_agrees_with_the_uncertainties_package(
    name: str, drawn: list[list[float]], barometer_u: float
) -> None:
    derived = CATALOGUE[name]
    values = typical(derived).values
    context = replace(CONTEXT, barometric_u_pa=barometer_u)
    parts = [
        {source: share * SHARE * abs(value) for source, share in zip(SOURCES, row, strict=True)}
        for value, row in zip(values, drawn, strict=False)
    ]
    variables = {source: uncertainties.ufloat(0.0, 1.0) for source in SOURCES}
    readings = [
        value + sum(effect * variables[source] for source, effect in of_input.items())
        for value, of_input in zip(values, parts, strict=True)
    ]
    wrapped = uncertainties.wrap(
        lambda barometer, *inputs: derived.compute(replace(context, barometric_pa=barometer), inputs).value
    )
    expected = wrapped(uncertainties.ufloat(context.barometric_pa, barometer_u or 1e-300), *readings)
    found = budget(derived, context, values, parts)
    assert found.value == pytest.approx(expected.nominal_value, rel=1e-12)
    assert found.u == pytest.approx(expected.std_dev, rel=5e-3, abs=1e-9 * abs(found.value))
    assert found.u == pytest.approx(combined(found.parts), rel=1e-12)


@pytest.mark.parametrize("name", CATALOGUE)
def test_where_nothing_is_shared_a_budget_is_the_quick_way(name: str) -> None:
    derived = CATALOGUE[name]
    values = typical(derived).values
    us = [abs(value) * 0.01 for value in values]
    context = replace(CONTEXT, line_frequency_u_hz=0.02)
    parts = [{f"stated {point}": u} for point, u in zip(derived.inputs, us, strict=True)]
    quick, whole = propagate(derived, context, values, us), budget(derived, context, values, parts)
    assert whole.u == pytest.approx(quick.u, rel=1e-12)
    assert (whole.value, whole.partials, quick.parts) == (quick.value, quick.partials, {})


def test_one_clamp_for_a_share_of_currents_cancels_and_one_probe_read_twice_does() -> None:
    split = CATALOGUE["temperature_split"]
    probe = {"accuracy probe/t": 0.5}
    assert budget(split, CONTEXT, (24.0, 13.0), (probe, probe)).u == 0.0
    ratio = CATALOGUE["outdoor_unit_power_factor"]
    # power, current and volts of one meter whose gain is off: P/(I V) moves by one gain, not by the root of three
    gain = [{"accuracy meter": value * 0.01} for value in (2500.0, 12.0, 240.0)]
    found = budget(ratio, CONTEXT, (2500.0, 12.0, 240.0), gain)
    assert found.u == pytest.approx(0.01 * found.value)


@pytest.mark.parametrize("u", [math.nan, math.inf])
def test_an_uncertainty_that_is_no_number_is_refused(u: float) -> None:
    with pytest.raises(NotDerivable, match="uncertainty"):
        budget(CATALOGUE["temperature_split"], CONTEXT, (24.0, 13.0), ({"stated a": u}, {"stated b": 0.3}))
