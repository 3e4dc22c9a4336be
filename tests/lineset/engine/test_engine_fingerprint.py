"""The fingerprint stays as it is while nothing changes, and changes with anything that the outputs hang on."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import lineset
import lineset_drivers
from lineset.engine.fingerprint import fingerprint

SCRIPT = "from lineset.engine.fingerprint import fingerprint; print(fingerprint())"


@pytest.fixture(scope="module")
def copied(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the packages that may be changed."""
    where = tmp_path_factory.mktemp("copy")
    for package in (lineset, lineset_drivers):
        source = Path(next(iter(package.__path__)))
        shutil.copytree(source, where / source.name, ignore=shutil.ignore_patterns("__pycache__"))
    return where


def told(where: Path, seed: str = "0") -> str:
    env = {**os.environ, "PYTHONPATH": str(where), "PYTHONHASHSEED": seed, "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT], env=env, cwd=where, capture_output=True, text=True, check=True
    )
    return done.stdout.strip()


def test_it_is_the_same_in_any_process_and_any_place(copied: Path) -> None:
    assert fingerprint().startswith(lineset.__version__ + "+")
    assert told(copied, "1") == told(copied, "7") == fingerprint()


@pytest.mark.parametrize(
    "file",
    [
        "lineset/engine/fold.py",
        "lineset/measure/settle.py",
        "lineset/visit/run.py",
        "lineset/derive/formulas.py",
        "lineset/equipment/points.py",
        "lineset/contract/entry.py",
        "lineset_drivers/quantity.py",
        "lineset_drivers/frame.py",
        "lineset/physics/curves/r-410a.json",
    ],
)
def test_it_changes_with_what_the_outputs_hang_on(copied: Path, file: str) -> None:
    path = copied / file
    kept = path.read_bytes()
    try:
        path.write_bytes(kept + b"\n")
        assert told(copied) != fingerprint()
    finally:
        path.write_bytes(kept)


def test_it_does_not_change_with_what_they_do_not_hang_on(copied: Path) -> None:
    (copied / "lineset/cli/more.py").write_text("x = 1\n")
    assert told(copied) == fingerprint()
