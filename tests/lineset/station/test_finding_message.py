"""A finding on its way to the broker: the row that leaves, and the topic that is taken back with the visit."""

from __future__ import annotations

import msgspec

from lineset.contract import entry as e
from lineset.contract.live import FindingMessage
from lineset.contract.topic import Topics
from lineset.station.events import finding_message

BODY = e.Finding(
    system="main",
    phase="before",
    id="outdoor_coil",
    title="The outdoor coil rejects its heat badly",
    state="open",
    category="air",
    rank=1,
    confidence="clear",
    share=0.98,
    evidence=("condensing over outdoor air is above",),
    next_step="look at the coil",
    run="running",
    run_s=1000.0,
)


def test_a_finding_says_on_the_wire_what_is_on_record() -> None:
    message = finding_message(BODY, 12.5, 99)
    assert (message.t, message.seq) == (12.5, 99)
    told = msgspec.to_builtins(message)
    for name, value in msgspec.to_builtins(BODY).items():
        if name not in ("run", "run_s", "kind"):
            assert told[name] == value, name
    assert msgspec.json.decode(msgspec.json.encode(message), type=FindingMessage) == message


def test_its_topic_is_read_back() -> None:
    topics = Topics("north", "van-3")
    topic = topics.finding("v1", BODY.system, BODY.phase, BODY.id)
    assert topic == "lineset/v1/north/van-3/visit/v1/main/before/finding/outdoor_coil"
    parsed = topics.parse(topic)
    assert (parsed.kind.name, parsed.kind.retained, parsed.fields["id"]) == ("finding", True, "outdoor_coil")
