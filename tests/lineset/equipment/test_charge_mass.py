"""Masses of refrigerant as people write them. NIST SP 811, appendix B.8: 1 lb = 0.45359237 kg, 1 oz = 28.34952 g."""

import pytest

from lineset.equipment.charge_mass import MassError, mass_kg, mass_shown


@pytest.mark.parametrize(
    ("text", "kilograms"),
    [
        ("6 oz", 6 * 0.02834952),
        ("2 lb 6 oz", 2 * 0.45359237 + 6 * 0.02834952),
        ("2lb6oz", 2 * 0.45359237 + 6 * 0.02834952),
        (" 0.17 kg ", 0.17),
        ("170 g", 0.17),
        ("1.5 LB", 1.5 * 0.45359237),
    ],
)
def test_masses(text: str, kilograms: float) -> None:
    assert mass_kg(text) == pytest.approx(kilograms, rel=1e-6)


@pytest.mark.parametrize("text", ["", "6", "oz", "-3 oz", "0 oz", "6 oz 2 lb", "1 kg 3 oz", "500 kg", "6 ounces more"])
def test_what_is_no_mass_is_refused_with_what_would_be(text: str) -> None:
    with pytest.raises(MassError):
        mass_kg(text)


def test_masses_for_people() -> None:
    assert mass_shown(mass_kg("2 lb 6 oz")) == "2 lb 6.0 oz"
    assert mass_shown(mass_kg("6 oz")) == "6.0 oz"
    assert mass_shown(mass_kg("15.96 oz")) == "1 lb 0.0 oz"
    assert mass_shown(0.17, "si") == "0.170 kg"
