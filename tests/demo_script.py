"""Runs `demo/run` as anybody would, in the environment that runs the tests."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[1]


def environment() -> dict[str, str]:
    """What the script reuses: the environment that runs these tests, if it is one that the script made."""
    prefix = Path(sys.prefix)
    stamp = prefix / ".lineset-lock"
    wanted = subprocess.run(
        "cat requirements.lock pyproject.toml | cksum", shell=True, cwd=TOP, capture_output=True, text=True, check=True
    ).stdout.strip()
    if not stamp.exists() or stamp.read_text().strip() != wanted:
        pytest.skip(
            f"{prefix} was not made by demo/run or tests/run from this lock file; the script would reinstall it"
        )
    return {**os.environ, "LINESET_VENV": str(prefix)}


async def demo(out: Path, speed: int, *more: str) -> asyncio.subprocess.Process:
    return await asyncio.create_subprocess_exec(
        *("bash", str(TOP / "demo" / "run"), "--once", "--speed", str(speed), "--out", str(out), *more),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        cwd=out.parent,  # it works from any folder
        env=environment(),
    )
