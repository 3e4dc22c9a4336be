"""Which visits are meant when a shop asks for visits again, and what becomes of the outbox."""

from __future__ import annotations

import time
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import pytest
from shop_by_hand import make_journal

from lineset.cli.shop_resend import complete_visit
from lineset.contract.command import Resend
from lineset.journal.errors import LockedFileError
from lineset.journal.lock import WriterLock
from lineset.journal.outbox import Outbox
from lineset.journal.reader import JournalReader
from lineset.station.resending import ResendRefused, resend_without_station
from lineset.station.uplinking import FINAL, unsent
from lineset.stream.uplink import SHOP

if TYPE_CHECKING:
    import typer


def test_closed_visits_go_again_and_each_other_is_told(tmp_path: Path) -> None:
    visits = tmp_path / "visits"
    began = time.time()
    for visit, sealed in (("v1", True), ("v2", True), ("v3", False)):
        make_journal(visits, visit, 2, sealed=sealed)
    (visits / "v4.journal").write_bytes(b"not a journal" * 100)
    outbox = Outbox(tmp_path / "outbox")
    for visit in ("v1", "v2"):
        with JournalReader(visits / f"{visit}.journal") as reader:
            outbox.advance(SHOP, reader.identity, 20)
            outbox.advance(FINAL, reader.identity, 1)
    outbox.flush()
    join = tmp_path / "uplink.toml"

    def ask(**asked: object) -> dict[str, object]:
        return resend_without_station(tmp_path, join, Resend(**asked))[1]  # type: ignore[arg-type]

    assert ask(since=began + 3600)["again"] == []
    assert ask(since=began - 1)["again"] == ["v1", "v2"]
    told = ask(visits=("v1", "v3", "v4", "v9", "../outbox"))
    assert (told["again"], told["open"], told["no_journal"]) == (["v1"], ["v3"], ["v9", "../outbox"])
    assert list(told["unreadable"]) == ["v4"]  # type: ignore[call-overload]
    assert told["joined"] is False
    again = {each.visit: (each.blocks, each.again) for each in unsent(visits, Outbox(tmp_path / "outbox"))}
    assert again == {"v1": (2, True), "v2": (2, True), "v3": (2, False)}

    with pytest.raises(ResendRefused, match=r"no journal is here \(any more\) of v9"):
        ask(visits=("v9",))
    for wrong in ({}, {"all": True, "since": 1.0}, {"all": True, "visits": ("v1",)}):
        with pytest.raises(ResendRefused, match="one of the three"):
            ask(**wrong)
    lock = WriterLock(tmp_path / "outbox", what="outbox")  # as a running station holds it
    with pytest.raises(LockedFileError):
        ask(all=True)
    lock.release()


def test_names_of_visits_are_completed(tmp_path: Path) -> None:
    make_journal(tmp_path / "visits", "spring-1", 1)

    words = cast("typer.Context", SimpleNamespace(params={"data": tmp_path}))
    assert complete_visit(words, "sp") == ["spring-1"]
