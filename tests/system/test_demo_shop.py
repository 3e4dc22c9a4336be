"""A shop's day by its own script: a node of the cluster dies, a van is out of reach, and nothing is missing."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path

import pytest
from demo_script import demo

pytestmark = pytest.mark.system


@pytest.mark.timeout(600)
async def test_three_vans_a_shop_on_three_nodes_and_a_doctored_record() -> None:
    # not in pytest's folder: as root the database runs as another user, who has to pass the folders above it
    with tempfile.TemporaryDirectory(prefix="lineset-demo-") as folder:
        Path(folder).chmod(0o711)
        process = await demo(Path(folder) / "out", 20, "--cluster", "--minutes", "6")
        said, errors = (text.decode() for text in await process.communicate())
    assert process.returncode == 0, said[-3000:] + errors[-2000:]
    assert re.search(
        r"the shop runs: board, collector c1, collector c2, broker n1, broker n2, broker n3, database", said
    )
    assert "broker n3 of the cluster is killed outright" in said
    assert "van-3 drives into a dead spot" in said
    rows = re.findall(r"^(van-\d) +(\d+) +(\d+) +(\d+) +(\w+)$", said, re.M)
    assert [row[0] for row in rows] == ["van-1", "van-2", "van-3"]
    assert all(there == here and int(there) > 1000 for _, _, there, here, _ in rows)
    assert {row[-1] for row in rows} == {"pass"}
    altered = re.search(r"record, entry (\d+) altered, sealed anew with the van's own key", said)
    assert altered is not None
    assert re.search(
        rf"\[shop, entry {altered[1]}\] entry {altered[1]} \(frame of gauges\): the shop received low", said
    )
    assert "sealed by the right key" in said  # by itself the forged record is sound but for what it says
