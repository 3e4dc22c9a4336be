"""The wheel: built from the sources, installed into an environment of its own, used from outside the checkout."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import sysconfig
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.system

TOP = Path(__file__).resolve().parents[2]
VERSION = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]["version"]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("wheel")
    # without isolation: the build's own dependencies are those of this environment, and no network is needed
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out), str(TOP)],
        check=True, capture_output=True, timeout=100,
    )  # fmt: skip
    (built,) = out.glob("*.whl")
    return built


class Installed:
    """An environment with the wheel. Its dependencies come from this one's, which is not to give lineset itself."""

    def __init__(self, folder: Path, wheel: Path) -> None:
        self.folder = folder
        venv.create(folder / "env", with_pip=False)
        self.bin = folder / "env" / "bin"
        site = Path(sysconfig.get_path("purelib", vars={"base": str(folder / "env"), "platbase": str(folder / "env")}))
        subprocess.run(
            [sys.executable, "-m", "pip", "--python", str(self.bin / "python"), "install", "--quiet", "--no-index",
             "--no-deps", "--disable-pip-version-check", str(wheel)],
            check=True, capture_output=True, timeout=100,
        )  # fmt: skip
        # by a plain entry of a .pth file: the .pth files over there, which name the checkout, are not read
        (site / "dependencies.pth").write_text(f"{sysconfig.get_path('purelib')}\n")

    def run(self, *command: str, code: int = 0) -> str:
        env = {k: v for k, v in os.environ.items() if not k.startswith("PYTHON")}
        done = subprocess.run(
            [str(self.bin / command[0]), *command[1:]],
            cwd=self.folder, env=env, capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert done.returncode == code, (command, done.returncode, done.stdout, done.stderr)
        return done.stdout


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory, wheel: Path) -> Installed:
    return Installed(tmp_path_factory.mktemp("installed"), wheel)


def test_the_wheel_holds_the_programs_and_nothing_else(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
        metadata = archive.read(f"lineset-{VERSION}.dist-info/METADATA").decode()
    tops = {name.partition("/")[0] for name in names}
    assert tops == {"lineset", "lineset_drivers", "lineset_simulators", f"lineset-{VERSION}.dist-info"}
    assert f"lineset-{VERSION}.dist-info/licenses/LICENSE" in names
    assert not [name for name in names if "__pycache__" in name or "/tests/" in name]
    listing = ["git", "-C", str(TOP), "ls-files", "daemon", "drivers", "simulators"]
    tracked = subprocess.run(listing, capture_output=True, text=True, check=False)
    if tracked.returncode == 0:  # not where the sources came without their history
        wanted = {Path(name).relative_to(Path(name).parts[0]).as_posix() for name in tracked.stdout.splitlines()}
        assert wanted <= set(names)
    assert "License-Expression: Apache-2.0" in metadata


def test_lineset_comes_from_the_wheel(installed: Installed) -> None:
    for package in ("lineset", "lineset_drivers", "lineset_simulators"):
        where = installed.run("python", "-c", f"import {package}; print({package}.__file__)").strip()
        assert where.startswith(str(installed.folder / "env")), where
    assert installed.run("lineset", "--version").strip() == f"lineset {VERSION}"
    assert "lineset-bench" in installed.run("lineset-bench", "--help")


def test_a_calculation_outside_the_checkout(installed: Installed) -> None:
    # R-410A saturated at 3.0 degC: 877.22 kPa absolute (US DOE / NREL EnergyPlus 25.2 reference data set,
    # FluidPropertiesRefData.idf; row SD0280 of tests/data/thermo/saturation.csv, agreement 0.3 K for R-410A)
    gauge_psi = (877.22 - 101.325) / 6.894757293168  # NIST SP 811, appendix B.8
    found = json.loads(
        installed.run(
            "lineset", "calc", "superheat", "--refrigerant", "R-410A", "--vapor-pressure", f"{gauge_psi:.2f} psig",
            "--vapor-temperature", "11 degC", "--json",
        )
    )  # fmt: skip
    kelvin = found["value"] / 1.8 if found["unit"] in ("degF", "delta_degF", "F") else found["value"]
    assert kelvin == pytest.approx(8.0, abs=0.3), found


def test_profiles_curves_and_schemas_are_in_it(installed: Installed) -> None:
    listed = json.loads(installed.run("lineset", "profile", "list", "--json"))
    names = {row["name"] for row in listed}
    assert {"pressure-transducer-2ch", "thermocouple-8ch", "bench-meter", "air-beacon", "read-by-eye"} <= names
    code = (
        "import sys\nfrom lineset.physics.refrigerant import curve\n"
        "[curve(name) for name in ('R-22', 'R-32', 'R-290', 'R-410A', 'R-454B')]\n"
        "print('CoolProp' in sys.modules)"
    )
    assert installed.run("python", "-c", code).strip() == "False"  # shipped, not computed here
    assert json.loads(installed.run("lineset", "contract", "asyncapi"))["asyncapi"].startswith("3.")


def test_a_station_runs_from_the_wheel(installed: Installed) -> None:
    config = installed.folder / "van.toml"
    config.write_text('[station]\nname = "van-3"\ndata = "data"\n[[system]]\nid = "main"\nrefrigerant = "R-410A"\n')
    env = {k: v for k, v in os.environ.items() if not k.startswith("PYTHON")}
    # the broker's program is a dependency: it stands beside the interpreter that runs the tests
    env["PATH"] = f"{Path(sys.executable).parent}{os.pathsep}{env.get('PATH', os.defpath)}"
    at = installed.folder / "run"
    station = subprocess.Popen(
        [installed.bin / "lineset", "run", "--config", config, "--at", at],
        cwd=installed.folder, env=env, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert station.stderr is not None
        said = []
        for line in station.stderr:
            said.append(line)
            if "is running" in line:
                break
        else:
            pytest.fail("the station did not start; it said:\n" + "".join(said))
        assert installed.run("lineset", "visit", "open", "v1", "--at", str(at)).strip() == "visit v1 is open"
        installed.run("lineset", "enter", "vapor_service_pressure", "118 psig", "--at", str(at))
        assert "R-410A" in installed.run("lineset", "visit", "show", "--at", str(at))
        assert "sealed" in installed.run("lineset", "visit", "close", "--force", "--reason", "a trial", "--at", str(at))
        station.terminate()
        station.stderr.read()
        assert station.wait(20) == 0
    finally:
        station.kill()
        station.wait()
        assert station.stderr is not None
        station.stderr.close()
