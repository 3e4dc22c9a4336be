"""For all tests: the long ones first, so that no worker is left with them at the end."""

from __future__ import annotations

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: "system" not in item.path.parts)  # stable: all else keeps its order
