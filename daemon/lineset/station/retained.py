"""What earlier visits left with the broker, taken back when the next visit opens."""

from __future__ import annotations

from lineset.contract import entry as e
from lineset.contract.topic import Topics
from lineset.journal.reader import JournalReader


def retained_topics(reader: JournalReader, visit: str, topics: Topics) -> list[str]:
    """The topics of a visit on which a broker keeps the last message. Raises JournalError, EntryError."""
    found = {topics.visit(visit): None}
    for row in reader.rows(1, {"opened", "settled", "hunting", "check", "finding", "question"}):
        body = e.decode(row.body)
        if isinstance(body, e.Opened):
            for system in body.systems:
                found[topics.now(visit, system.id)] = None
                found[topics.run(visit, system.id)] = None
                found[topics.worklist(visit, system.id)] = None
        elif isinstance(body, e.Settled):
            found[topics.settled(visit, body.system, body.phase, body.name)] = None
        elif isinstance(body, e.Hunting):
            found[topics.hunting(visit, body.system, body.phase, body.name)] = None
        elif isinstance(body, e.Questioned):
            found[topics.question(visit, body.id)] = None
        elif isinstance(body, e.Checked):
            found[topics.check(visit, body.system, body.phase, body.name)] = None
        elif isinstance(body, e.Finding):
            found[topics.finding(visit, body.system, body.phase, body.id)] = None
    return list(found)
