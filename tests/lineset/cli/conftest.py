"""For tests of the command line: a real station."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from cli_process import CONFIG, Bench

from lineset.station.config import read
from lineset.station.daemon import Station


@pytest.fixture
async def bench(tmp_path: Path) -> AsyncIterator[Bench]:
    """A running station `van-1` with an instrument that is not plugged in."""
    file = tmp_path / "van.toml"
    file.write_text(CONFIG)
    async with Station(read(CONFIG, file), runtime=tmp_path / "run") as station:
        yield Bench(station, tmp_path)
