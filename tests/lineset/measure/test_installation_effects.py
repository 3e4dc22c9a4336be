"""What a probe's place adds: the table is whole, effects grow with what drives them, an edit replaces one."""

from __future__ import annotations

import math

import pytest

from lineset.contract.entry import Calibration, ChannelRecord, InstallationTerm
from lineset.derive.catalogue import CATALOGUE
from lineset.equipment.points import POINTS
from lineset.measure.installation import INSTALLATION, OUTDOOR, READING, STAND_IN, installed, of_itself, stand_in_parts
from lineset.measure.source import combined
from lineset.measure.uncertainty import ChannelScale, overdue

SQRT3 = math.sqrt(3.0)


def test_every_effect_is_at_a_point_and_has_its_reason_and_its_source() -> None:
    assert set(INSTALLATION) <= set(POINTS)
    for terms in INSTALLATION.values():
        assert len({term.name for term in terms}) == len(terms)
        for term in terms:
            assert term.reason
            assert term.source
            assert term.half_width > 0.0 or term.share > 0.0
            assert bool(term.share) == (term.of in (READING, OUTDOOR))
    for name, inputs in STAND_IN.items():
        assert {each for each in inputs if not of_itself(each)} <= {*CATALOGUE[name].inputs}


def test_a_clamp_is_the_worse_the_farther_the_pipe_is_from_the_air() -> None:
    pipe = installed("vapor_line_temperature")
    # 4 % of the difference + 0.2 K, and 0.3 K of sun: limits of error, each over the root of three
    assert pipe.u(10.0, 35.0) == pytest.approx(math.hypot(0.2 + 0.04 * 25.0, 0.3) / SQRT3)
    assert pipe.u(35.0, 35.0) == pytest.approx(math.hypot(0.2, 0.3) / SQRT3)
    assert pipe.u(35.0, 10.0) == pipe.u(10.0, 35.0)
    # nobody measures the air: the difference that is usual stands for it
    assert pipe.u(10.0, None) == pytest.approx(math.hypot(0.2 + 0.04 * 20.0, 0.3) / SQRT3)
    assert pipe.needs_air
    assert not installed("supply_air_temperature").needs_air


@pytest.mark.parametrize("point", sorted(INSTALLATION))
def test_the_parts_make_up_the_whole(point: str) -> None:
    effects = installed(point)
    for value, air in ((8.0, 30.0), (-20.0, None), (4e5, 35.0)):
        assert combined(effects.parts(value, air)) == pytest.approx(effects.u(value, air), rel=1e-12)


def test_an_instance_sits_as_its_point_does_and_is_a_source_of_its_own() -> None:
    second = installed("heat_strip_current.2")
    assert second.u(20.0, None) == pytest.approx((0.02 + 0.01 * 20.0) / SQRT3)
    assert set(second.parts(20.0, None)) == {"installation heat_strip_current.2/jaw"}


def test_an_edit_stands_in_place_of_the_table_and_none_is_left_when_it_says_so() -> None:
    edited = {"vapor_line_temperature": (InstallationTerm(name="contact", half_width=0.3, reason="wrapped"),)}
    assert installed("vapor_line_temperature", edited).u(10.0, 35.0) == pytest.approx(0.3 / SQRT3)
    assert installed("vapor_line_temperature", {"vapor_line_temperature": ()}).u(10.0, 35.0) == 0.0
    assert installed("line_voltage").u(240.0, None) == 0.0


def test_an_estimate_owes_something_to_what_it_stands_in_for() -> None:
    inputs = ("liquid_service_pressure", "vapor_service_pressure")
    parts = stand_in_parts("compression_ratio_estimate", inputs, (1e-6, -3e-6), 2.8)
    assert list(parts.values()) == [pytest.approx(70e3 * 1e-6 / SQRT3), pytest.approx(-14e3 * 3e-6 / SQRT3)]
    assert stand_in_parts("compression_ratio", inputs, (1e-6, -3e-6), 2.8) == {}
    whole = stand_in_parts(
        "compressor_map_power", ("discharge_pressure", "common_suction_pressure"), (0.0, 0.0), 2000.0
    )
    assert list(whole.values()) == [pytest.approx(100.0 / SQRT3)]


# ------------------------------------------------------------------------------------------- calibration and sharing


def scale(instrument: str = "meter", name: str = "a", widened: float = 1.0, **more: object) -> ChannelScale:
    record = ChannelRecord(name=name, quantity="voltage", unit="V", **more)  # type: ignore[arg-type]
    return ChannelScale(record, instrument, widened)


@pytest.mark.parametrize(
    "more",
    [
        {"reading_pct": 1.0, "counts": 5.0, "resolution": 0.1},
        {"absolute": 2.0, "shared": 0.6},
        {"calibration": Calibration(gain=1.02, offset=-0.4, u=0.3, u_gain=0.002, reference="r1", reference_u=0.2)},
    ],
)
def test_the_parts_of_a_reading_make_up_its_uncertainty(more: dict[str, object]) -> None:
    found = scale(**more)
    for sample in (0.0, 24.5, 240.0, -7.0):
        assert combined(found.parts(found.si(sample), "line_voltage")) == pytest.approx(found.u(sample), rel=1e-12)


def test_channels_share_what_their_profile_and_their_certificate_say() -> None:
    both = {"absolute": 1.0, "shared": 0.25}
    a, b = scale(name="a", **both), scale(name="b", **both)
    shared = set(a.parts(1.0, "x")) & set(b.parts(1.0, "y"))
    assert shared == {"accuracy meter"} == set(a.shares())
    # a quarter of the variance in common is a correlation of a quarter
    assert a.parts(1.0, "x")["accuracy meter"] ** 2 == pytest.approx(0.25 * a.u(1.0) ** 2)
    against = [
        scale(instrument=name, calibration=Calibration(reference="bath 7", reference_u=0.2)) for name in ("m1", "m2")
    ]
    assert set(against[0].parts(1.0, "x")) & set(against[1].parts(1.0, "y")) == {"reference bath 7"}
    nameless = [scale(instrument=name, calibration=Calibration(reference_u=0.2)) for name in ("m1", "m2")]
    assert not set(nameless[0].parts(1.0, "x")) & set(nameless[1].parts(1.0, "y"))
    assert scale(absolute=1.0).shares() == ()


def test_out_of_calibration_widens_the_makers_limits_and_nothing_else() -> None:
    certificate = Calibration(date="2025-03-01", due="2026-03-01", u=0.1)
    assert overdue(certificate, "2026-03-01") == 1.0
    assert overdue(certificate, "2025-06-01") == 1.0
    # one more interval doubles them, and it does not stop there
    assert overdue(certificate, "2027-03-01") == pytest.approx(2.0)
    assert overdue(certificate, "2028-02-29") == pytest.approx(3.0, abs=0.005)
    # without a certificate's date a year is taken; what is no date widens nothing
    assert overdue(Calibration(due="2026-03-01"), "2027-03-01") == pytest.approx(2.0)
    assert overdue(Calibration(due="2026-13-01"), "2027-03-01") == 1.0
    assert overdue(Calibration(), "2027-03-01") == 1.0
    usual, late = (
        scale(absolute=1.0, calibration=certificate),
        scale(absolute=1.0, widened=2.0, calibration=certificate),
    )
    of, of_late = usual.parts(1.0, "x"), late.parts(1.0, "x")
    assert of_late["accuracy meter/a"] == pytest.approx(2.0 * of["accuracy meter/a"])
    assert of_late["calibration meter/a"] == of["calibration meter/a"] == 0.1
