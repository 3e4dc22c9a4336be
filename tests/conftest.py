"""For all tests: the long files first, so that no worker is left with them at the end; logs on standard error."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import pytest
import structlog
from hypothesis import HealthCheck, settings

LONG = (
    "test_demo",
    "test_demo_shop",
    "test_station_full_disk",
    "test_clock",  # each worker holds a second file in hand: behind the longest ones, short ones
    "test_link",
    "test_demo_fails",
    "test_station_kill",
    "test_station_process",
    "test_board_page",
    "test_board_visit",
    "test_shop_supervise",
    "test_shop_page",
    "test_plant_faults",
    "test_diagnosis",
    "test_watch",
    "test_shop_rights",
    "test_collector",
    "test_visit_kill",
    "test_station_trouble",
    "test_visit_mechanics",
    "test_station_uplink",
    "test_board_answers",
    "test_audit_mutations",
    "test_find",
)
"""Files that take long, the longest first, as measured on two cores. It holds for `--no-loadscope-reorder`."""


# no example fails because the machine was busy: neither by taking 200 ms, nor by taking long to be drawn
settings.register_profile("tests", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("tests")


def pytest_configure() -> None:
    # asked for at each line, since a test's own standard error comes and goes
    structlog.configure(logger_factory=lambda *_: structlog.PrintLogger(sys.stderr))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    place = {name: at for at, name in enumerate(LONG)}
    items.sort(key=lambda item: place.get(item.path.stem, len(LONG)))  # stable: all else keeps its order


@pytest.fixture(autouse=True)
def _logs_as_they_were() -> Iterator[None]:
    """Verbs that run within a test set the log up for themselves."""
    before = structlog.get_config()
    yield
    structlog.configure(**before)
