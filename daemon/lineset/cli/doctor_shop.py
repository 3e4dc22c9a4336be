"""Where a station has joined a shop: whether the join file is good, and how much of the record is still to go there."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from lineset.cli.diagnosis import GOOD, MIND, Diagnosis
from lineset.equipment.language import counted

if TYPE_CHECKING:
    from lineset.station.config import Config

_NAME = "shop"


def way_to_the_shop(config: Config | None, data: Path) -> Iterator[Diagnosis]:
    """What is to be said of the shop; nothing where none was joined. Never stops the job: the record waits here."""
    from lineset.station.join_file import NAME, check_names, read_join
    from lineset.stream.errors import SettingsError

    file = (config.uplink if config is not None else None) or data / NAME
    if not file.exists():
        if config is not None and config.uplink is not None:
            remedy = "Put the join file there, or remove [uplink] from the configuration"
            yield Diagnosis(_NAME, MIND, f"{file} does not exist, so nothing goes to the shop", remedy)
        return
    try:
        join = read_join(file)
        if config is not None:
            check_names(join, config.shop, config.name, f"join file {file}")
    except SettingsError as error:
        yield Diagnosis(_NAME, MIND, str(error), "Until then the record waits here")
        return
    yield _depth(data, f"shop {join.shop}")


def _depth(data: Path, shop: str) -> Diagnosis:
    from lineset.journal.errors import JournalError
    from lineset.journal.outbox import Outbox
    from lineset.station.uplink_status import read_status
    from lineset.station.uplinking import unsent

    path = data / "outbox"
    try:
        waiting = unsent(data / "visits", Outbox(path, look_only=True)) if path.exists() else []
    except (JournalError, OSError) as error:
        return Diagnosis(_NAME, MIND, str(error))
    closed = [each for each in waiting if not each.is_open]
    blocks = sum(each.blocks for each in waiting)
    text = f"{shop} has the whole record" if not blocks and not closed else (
        f"{counted(blocks, 'block')} of {counted(len([w for w in waiting if w.blocks or not w.is_open]), 'visit')} "
        f"not yet receipted by {shop}"
    )  # fmt: skip
    status = read_status(data)
    if status is None:
        return Diagnosis(_NAME, MIND if closed else GOOD, f"{text}; the station has not run since it joined")
    if status.last_receipt:
        text += f"; last receipt {_ago(time.time() - status.last_receipt)} ago"
    if status.problems:
        what = "; ".join(f"visit {visit}: {words}" for visit, words in status.problems.items())
        remedy = "Tell the shop; everything is kept here and tried again"
        return Diagnosis(_NAME, MIND, f"{text}. It does not take {what}", remedy)
    if not status.connected:
        why = status.link or status.sentence
        return Diagnosis(_NAME, MIND, f"{text}. When the station ran last: {why}", "The record waits here")
    return Diagnosis(_NAME, GOOD, text)


def _ago(seconds: float) -> str:
    for size, unit in ((86400.0, "d"), (3600.0, "h"), (60.0, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {unit}"
    return f"{max(seconds, 0.0):.0f} s"
