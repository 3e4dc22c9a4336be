"""A program for the tests: replay a journal in this process, compare with its rows and with its snapshot, print JSON.

python replay_again.py JOURNAL        (the snapshot beside it, where there is one, must be of the last row)
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

from lineset.engine.fingerprint import fingerprint
from lineset.engine.fold import Engine
from lineset.engine.replay import replay
from lineset.engine.state import decode
from lineset.journal.reader import JournalReader
from lineset.journal.snapshot import read_snapshot, snapshot_path


def main(path: Path) -> None:
    engine = Engine(fingerprint())
    with JournalReader(path) as reader:
        rows = ((row.seq, row.t, row.kind, row.body) for row in reader.rows(1))
        differences = [(at, str(recorded), str(computed)) for at, recorded, computed in replay(engine, rows)]
        last = reader.last_seq()
        kept = read_snapshot(snapshot_path(path), journal=reader.identity, fingerprint=fingerprint(), last=last)
    found = {
        "hash_seed": os.environ.get("PYTHONHASHSEED"),
        "differences": differences[:5],
        "last": last,
        "snapshot": None if kept is None else kept.seq,
        "state_equal": kept is not None and decode(kept.body) == decode(engine.snapshot()),
    }
    print(json.dumps(found))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
