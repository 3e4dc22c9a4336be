"""Nameplates as a config or a command describes them: SI inside, each mistake told by key and remedy."""

from __future__ import annotations

import msgspec
import pytest

from lineset.equipment.points import POINTS
from lineset.equipment.system import SystemDescriptionError, SystemRecord, system_record
from lineset.equipment.walk import stop_of, walking_order

SYSTEM = {"id": "main", "refrigerant": "R-410A"}
# An invented unit.
PLATE = {
    "capacity_tons": 3,
    "herm_capacitor_uf": 45,
    "fan_capacitor_uf": 5,
    "capacitor_tolerance_pct": 6,
    "compressor_rla_a": 14.1,
    "outdoor_fan_motor": "psc",
    "blower_motor": "ecm_airflow",
    "heat_strip_kw": [5.0, 4.8],
    "subcooling_target_f": 10,
    "duct_area_ft2": 2.0,
    "blower_table": [[0.1, 1300], [0.3, 1240], [0.5, 1180]],
    "compressor_map": {"temperature": "degF", "power_w": [1.0] * 10, "mass_flow_lb_h": [2.0] * 10},
}


def test_a_nameplate_is_kept_in_si() -> None:
    plate = system_record(SYSTEM | {"nameplate": PLATE}).nameplate
    assert plate.capacity_w == pytest.approx(10_550.6, abs=0.1)
    assert plate.herm_capacitor_f == pytest.approx(45e-6)
    assert plate.capacitor_tolerance == pytest.approx(0.06)
    assert plate.blower_motor == "ecm_airflow"
    assert plate.heat_strip_w == (5000.0, 4800.0)
    assert plate.subcooling_target_k == pytest.approx(5.5556, abs=1e-4)
    assert plate.duct_area_m2 == pytest.approx(0.185806, abs=1e-6)
    assert plate.blower_table[1] == pytest.approx((74.7267, 0.585215), rel=1e-5)
    assert plate.compressor_map is not None
    assert plate.compressor_map.mass_flow_kg_s[0] == pytest.approx(2 * 0.45359237 / 3600)
    assert plate.blower_fla_a is None


def test_a_record_without_a_nameplate_is_written_as_before_and_read_again() -> None:
    plain = system_record(SYSTEM)
    assert b"nameplate" not in msgspec.json.encode(plain)
    full = system_record(SYSTEM | {"nameplate": PLATE})
    for record in (plain, full):
        assert msgspec.json.decode(msgspec.json.encode(record), type=SystemRecord) == record
        assert msgspec.msgpack.decode(msgspec.msgpack.encode(record), type=SystemRecord) == record


@pytest.mark.parametrize(
    ("plate", "says"),
    [
        ("3 ton", "table of ratings"),
        ({"tonnage": 3}, "'tonnage' is not known; use capacity_tons"),
        ({"capacity_tons": "3 ton"}, "leave the unit out"),
        ({"capacity_tons": True}, "leave the unit out"),
        ({"capacity_tons": float("nan")}, "leave the unit out"),
        ({"herm_capacitor_uf": 45e-6}, "outside 1 to 200"),
        ({"blower_motor": "ecm"}, "use psc, ecm_torque, ecm_airflow"),
        ({"heat_strip_kw": 5}, "such as \\[5.0, 5.0\\]"),
        ({"heat_strip_kw": []}, "is a list"),
        ({"heat_strip_kw": [5000]}, "outside 0.5 to 50"),
        ({"blower_table": [[0.5, 1180], [0.3, 1240]]}, "higher static"),
        ({"blower_table": [[0.5, 1180]]}, "two rows"),
        ({"blower_table": [[0.5]]}, "inches of water, cfm"),
        ({"blower_table": [[0.5, 1180], [125.0, 1100]]}, "outside 0 to 3"),
        ({"compressor_map": [1.0]}, "table of lists"),
        ({"compressor_map": {"power_w": [1.0] * 10}}, "degF"),
        ({"compressor_map": {"temperature": "degF"}}, "is empty"),
        ({"compressor_map": {"temperature": "degF", "power_w": [1.0] * 9}}, "has 9 coefficients"),
        ({"compressor_map": {"temperature": "degF", "flow": [1.0] * 10}}, "no 'flow'"),
        ({"herm_capacitor_uf": 5, "fan_capacitor_uf": 45}, "herm_capacitor_uf 5 is below fan_capacitor_uf 45"),
        ({"compressor_rla_a": 1.2, "outdoor_fan_fla_a": 14.1}, "draws more than its fan"),
        ({"capacity_tons": 3, "blower_table": [[0.1, 130], [0.3, 124]]}, "43 cfm a ton"),
    ],
)
def test_a_mistake_names_key_and_remedy(plate: object, says: str) -> None:
    with pytest.raises(SystemDescriptionError, match=says):
        system_record(SYSTEM | {"nameplate": plate})


def test_every_point_has_its_place_on_the_walk() -> None:
    assert len({walking_order(name) for name in POINTS}) == len(POINTS)
    assert all(stop_of(name) for name in POINTS)
