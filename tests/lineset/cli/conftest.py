"""For tests of the command line: logs left as they were, and a real station."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
import structlog
from cli_process import CONFIG, Bench

from lineset.station.config import read
from lineset.station.daemon import Station


@pytest.fixture(autouse=True)
def _logs_as_they_were() -> Iterator[None]:
    """Verbs that run within the test set the log up for themselves."""
    before = structlog.get_config()
    yield
    structlog.configure(**before)


@pytest.fixture
async def bench(tmp_path: Path) -> AsyncIterator[Bench]:
    """A running station `van-1` with an instrument that is not plugged in."""
    file = tmp_path / "van.toml"
    file.write_text(CONFIG)
    async with Station(read(CONFIG, file), runtime=tmp_path / "run") as station:
        yield Bench(station, tmp_path)
