"""The demo by its own script: it ends with the table, the sealed record and its report."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from demo_script import demo

from lineset.audit.visit_record import read_visit
from lineset.contract import entry as e
from lineset.engine.roaming import BY_READINGS
from lineset.journal.verify import verify

pytestmark = pytest.mark.system


@pytest.mark.timeout(600)
async def test_the_demo_plays_the_visit_hands_free_to_its_sealed_report(tmp_path: Path) -> None:
    process = await demo(tmp_path / "out", 40)
    said, errors = (text.decode() for text in await process.communicate())
    assert process.returncode == 0, said[-3000:] + errors[-2000:]
    assert "DID NOT SETTLE" not in said
    for line in ("total superheat", "subcooling", "compressor common current"):
        assert re.search(rf"^downstairs +after +{line} ", said, re.M), line
    assert re.search(r"^downstairs +before +HERM capacitance under load ", said, re.M)
    assert re.search(r"^upstairs +after +temperature split ", said, re.M)
    match = re.search(r"inside the 95 % interval for (\d+) of (\d+) settled values", said)
    assert match is not None
    inside, judged = int(match[1]), int(match[2])
    assert judged >= 55
    assert inside >= 0.9 * judged  # 95 % are to be expected of honest intervals
    assert "mosquitto_sub" in said
    assert "board:      http://127.0.0.1:" in said
    assert "asked: " in said  # what the amps alone do not tell is asked, and answered with a word
    assert re.search(r"HERM capacitor on the bench: the capacitor has faded", said)
    (journal,) = (tmp_path / "out" / "data" / "visits").glob("*.journal")
    found = verify(journal)
    assert found.ok
    assert found.sealed
    assert re.search(r"^PASS +.*spring-demo.journal", said, re.M)
    assert "all outputs are the same" in said
    by_readings = on_the_right_wire(journal)
    assert by_readings >= 6
    assert {file.suffix for file in (tmp_path / "out" / "report").iterdir()} >= {".html", ".pdf"}


def on_the_right_wire(journal: Path) -> int:
    """How many placements the readings made; no hand placed a clamp but to answer a question."""
    record = read_visit(journal)
    made = [body.by for _, body in record.of(e.Placed) if body.point]
    assert set(made) <= {"config", BY_READINGS, "the demo's technician"}
    return sum(by == BY_READINGS for by in made)
