"""For all tests: the long ones first, so that no worker is left with them at the end; logs on standard error."""

from __future__ import annotations

import sys

import pytest
import structlog


def pytest_configure() -> None:
    # asked for at each line, since a test's own standard error comes and goes
    structlog.configure(logger_factory=lambda *_: structlog.PrintLogger(sys.stderr))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: "system" not in item.path.parts)  # stable: all else keeps its order
