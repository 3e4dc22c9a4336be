"""A refrigerant without a shipped curve: CoolProp is asked in another process, by a station that goes on listening."""

from __future__ import annotations

from typing import Any

import pytest

from lineset.physics import rare_curve, refrigerant
from lineset.physics.errors import CurveError, UnknownRefrigerant
from lineset.physics.refrigerant import curve, needs_coolprop
from lineset.station import rare_refrigerant
from lineset.station.rare_refrigerant import make_known


@pytest.fixture(autouse=True)
def nothing_known(monkeypatch: pytest.MonkeyPatch) -> None:
    """No curve is loaded, and whoever would ask CoolProp in this process is told."""

    def here(name: str) -> dict[str, Any]:
        raise AssertionError(f"{name} was asked of CoolProp in the station's own process")

    monkeypatch.setattr(refrigerant, "_LOADED", {})
    monkeypatch.setattr(refrigerant, "_REFUSED", {})
    monkeypatch.setattr(refrigerant, "made_by_coolprop", here)


async def test_its_curve_is_made_beside_the_station() -> None:
    assert needs_coolprop("R-152a")
    await make_known("R-152a")
    assert not needs_coolprop("r152A")
    # Normal boiling point of R-152a: 247.2 K, -24.0 degC (ASHRAE 34, from memory).
    assert curve("R-152a").dew(101_325.0) == pytest.approx(-24.0, abs=0.1)


async def test_a_name_that_there_is_not_is_refused_at_once_afterwards() -> None:
    await make_known("R-999")
    for _ in range(2):
        with pytest.raises(UnknownRefrigerant, match="Curves are shipped for R-22"):
            curve("R-999")


async def test_a_process_that_gives_no_curve_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rare_refrigerant.sys, "executable", "/bin/false")
    await make_known("R-513A")
    with pytest.raises(CurveError, match=r"made no curve \(it ended with 1\)"):
        curve("R-513A")
    monkeypatch.setattr(rare_refrigerant.sys, "executable", "/bin/cat")  # reads `-m`, and complains
    await make_known("R-514A")
    with pytest.raises(CurveError, match="made no curve"):
        curve("R-514A")


async def test_a_shipped_one_needs_no_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rare_refrigerant.sys, "executable", "/nowhere")
    await make_known("R410A")
    assert curve("R-410A").refrigerant == "R-410A"


def test_what_is_printed_is_what_is_learned(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def damaged(name: str) -> dict[str, Any]:
        raise CurveError(f"{name}: none")

    monkeypatch.setattr(rare_curve, "made_by_coolprop", damaged)
    monkeypatch.setattr(rare_curve.sys, "argv", ["rare_curve", "R-1"])
    rare_curve.main()
    assert capsys.readouterr().out == '{"problem": "R-1: none"}\n'
    assert isinstance(rare_curve.told({"problem": "R-1: none"}), CurveError)
