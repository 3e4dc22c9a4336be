"""The demo by its own script: it fails when a promised reading cannot settle."""

from __future__ import annotations

import asyncio
import json
import re
from pathlib import Path

import pytest
from demo_script import demo

pytestmark = pytest.mark.system


@pytest.mark.timeout(600)
async def test_the_demo_fails_when_a_promised_reading_is_missing(tmp_path: Path) -> None:
    """Somebody pulls the gauges' plug while the demo plays; the pressures at rest cannot be measured."""
    process = await demo(tmp_path / "out", 60, "--until", "at_rest")
    talking = asyncio.create_task(process.communicate())
    description = tmp_path / "out" / "bench" / "bench.json"
    async with asyncio.timeout(120):
        while not description.exists():
            await asyncio.sleep(0.05)
    host, _, port = json.loads(description.read_text())["control"].rpartition(":")
    reader, writer = await asyncio.open_connection(host, int(port))
    writer.write(json.dumps({"do": "unplug", "instrument": "gauges"}).encode() + b"\n")
    assert json.loads(await reader.readline())["ok"]
    writer.close()
    said, errors = (text.decode() for text in await talking)
    assert process.returncode == 1, said[-3000:] + errors[-2000:]
    assert re.search(r"^missing: .*downstairs/at_rest/vapor_service_pressure", said, re.M), said[-2000:]
    assert "DID NOT SETTLE" in said
