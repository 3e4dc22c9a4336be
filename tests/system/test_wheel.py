"""The wheel: built, installed into an empty environment, and used from outside the checkout.

Dependencies come from the environment that runs the tests, lineset itself from the wheel alone.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[2]
pytestmark = pytest.mark.system


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("dist")
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out), str(TOP)],
        check=True,
        capture_output=True,
        timeout=100,
    )
    return next(out.glob("*.whl"))


@pytest.fixture(scope="module")
def python(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("empty")
    venv.create(folder, with_pip=True)
    python = folder / "bin" / "python"
    subprocess.run(
        [str(python), "-m", "pip", "install", "--quiet", "--no-deps", "--no-index", str(wheel)],
        check=True,
        capture_output=True,
        timeout=100,
    )
    # the dependencies, but not the checkout: an editable install is a .pth file, which is not read from a plain path
    site = subprocess.run(
        [str(python), "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.strip()
    Path(site, "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n")
    return python


def said(python: Path, folder: Path, *command: str) -> str:
    env = {key: value for key, value in os.environ.items() if key not in ("PYTHONPATH", "VIRTUAL_ENV")}
    done = subprocess.run(
        [str(python.with_name(command[0])), *command[1:]],
        cwd=folder,
        env=env,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_it_comes_from_the_wheel_and_not_from_the_checkout(python: Path, tmp_path: Path) -> None:
    where = said(python, tmp_path, "python", "-c", "import lineset; print(lineset.__file__)")
    assert str(python.parents[1]) in where
    assert str(TOP) not in where


def test_version_and_a_calculation(python: Path, tmp_path: Path) -> None:
    assert said(python, tmp_path, "lineset", "--version").startswith("lineset ")
    found = json.loads(
        said(
            python, tmp_path, "lineset", "calc", "superheat", "--refrigerant", "R-410A",
            "--vapor-pressure", "118 psig", "--vapor-temperature", "52 degF", "--json",
        )
    )  # fmt: skip
    # dew of R-410A at 118 psig is 40.0 degF (R-410A chart JCI410: 118.0 psig at 40 degF; 0.3 K between charts)
    assert found["value"] == pytest.approx(12.0 / 1.8, abs=0.3)
    assert found["unit"] == "K"


def test_profiles_curves_and_the_bench_came_along(python: Path, tmp_path: Path) -> None:
    profiles = json.loads(said(python, tmp_path, "lineset", "profile", "list", "--json"))
    assert len(profiles) >= 11
    assert "lineset-bench" in said(python, tmp_path, "lineset-bench", "--help")


def test_nothing_of_the_checkout_but_the_packages_is_in_it(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        tops = {name.split("/")[0] for name in archive.namelist()}
        names = set(archive.namelist())
    assert {top for top in tops if not top.endswith(".dist-info")} == {
        "lineset",
        "lineset_drivers",
        "lineset_simulators",
    }
    assert "lineset/py.typed" in names
    tracked = subprocess.run(
        ["git", "ls-files", "daemon", "drivers", "simulators"], cwd=TOP, capture_output=True, text=True
    )
    if tracked.returncode == 0:
        expected = {name.split("/", 1)[1] for name in tracked.stdout.split() if (TOP / name).exists()}
        assert expected <= names
