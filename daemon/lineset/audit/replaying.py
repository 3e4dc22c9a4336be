"""Inputs on record through the engine again, entry by entry, and how its outputs compare with those on record."""

from __future__ import annotations

from lineset.audit.audit_record import ReplayRecord
from lineset.contract import entry as e
from lineset.engine.fold import Engine

_MOST_FAILED = 20
_OUTPUTS = frozenset(e.OutputBody.__args__)


class Replaying:
    """Take a record's entries in order, then `finish`. With gaps or unreadable entries it stops: nothing follows then.

    An input on which the engine fails has no outputs, here as at the station.
    """

    def __init__(self, recorded: str, here: str) -> None:
        self._recorded, self._here = recorded, here
        self._engine = Engine(recorded, live=False)
        self._pending: list[e.OutputBody] = []
        self._why = self._version = self._resumed_by = ""
        self._seq = 0
        self._at = self._t = 0
        self._inputs = self._outputs = self._differences = self._own = 0
        self._failed: list[int] = []
        self.first: tuple[int, str] | None = None
        self.verdicts: dict[tuple[str, str, str], e.Checked] = {}

    def stop(self, why: str) -> None:
        """What comes after cannot be compared."""
        self._why = self._why or why

    def take(self, seq: int, t: int, body: e.AnyBody, stored: bytes) -> None:
        """The next entry, decoded and as stored."""
        if self._why:
            return
        if self._seq and seq != self._seq + 1:
            self.stop(f"entries {self._seq + 1} to {seq - 1} are not there")
            return
        self._seq = seq
        if type(body) in _OUTPUTS:
            self._outputs += 1
            if not self._pending:
                self._differ(seq, f"{e.kind_of(body)} on record, which the engine does not make")
            elif e.encode(again := self._pending.pop(0)) != stored:
                self._differ(seq, f"{e.kind_of(body)} on record, {e.kind_of(again)} computed otherwise")
            elif t != self._t:
                self._differ(seq, f"{e.kind_of(body)} on record at another time than the entry that it came of")
            return
        if self._pending:
            self._end_of_input()
        self._inputs += 1
        self._at, self._t = seq, t
        if isinstance(body, e.Opened):
            self._version = body.version
        elif isinstance(body, e.Resumed) and body.version not in ("", self._version) and not self._resumed_by:
            # what came before is one engine's work all the same
            self._resumed_by, self._own = body.version, self._differences
        try:
            self._pending = self._engine.push(seq, t, body)  # type: ignore[arg-type]
        except Exception:  # a fault of the engine's costs the outputs of that entry, as at the station
            self._pending = []
            self._failed.append(seq)
        for out in self._pending:
            if isinstance(out, e.Checked):
                self.verdicts[out.system, out.phase, out.name] = out

    def finish(self, *, ends_in_block: bool = False) -> ReplayRecord:
        """How it came out. `ends_in_block`: it ends with a block, which may part an input from its outputs."""
        if not self._why:
            if not ends_in_block:
                self._end_of_input()
        else:
            self.verdicts = {}
        return ReplayRecord(
            recorded_fingerprint=self._recorded,
            fingerprint=self._here,
            done=not self._why,
            why=self._why,
            inputs=self._inputs,
            outputs=self._outputs,
            differences=self._differences,
            resumed_by=self._resumed_by,
            own_differences=self._own if self._resumed_by else self._differences,
            failed_at=tuple(self._failed[:_MOST_FAILED]),
        )

    def _end_of_input(self) -> None:
        for missing in self._pending:
            self._differ(self._at, f"{e.kind_of(missing)} computed, which is not on record")

    def _differ(self, seq: int, text: str) -> None:
        self._differences += 1
        self.first = self.first or (seq, text)
