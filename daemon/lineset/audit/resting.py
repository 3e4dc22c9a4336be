"""What a verdict rests on: the last verdicts of each check, and whose calibration had run out for them."""

from __future__ import annotations

from lineset.assess.checks import CATALOGUE as CHECKS
from lineset.assess.checks import CHARGE
from lineset.contract import entry as e
from lineset.derive.catalogue import CATALOGUE as DERIVED

_OF_CHARGE = ("total_superheat", "subcooling")
RESTED = (e.Introduced, e.Placed, e.Settled, e.Checked)  # what is heard; all else may be left out
_RESTS = frozenset({"pass", "fail", "undecided", "advisory"})  # on readings; what does not apply rests on none


class Resting:
    """Hears a record's entries in order, and knows of each verdict on which overdue channels it rests."""

    def __init__(self) -> None:
        self._due: dict[tuple[str, str], str] = {}  # instrument, channel -> ISO date
        self._at: dict[tuple[str, str], set[tuple[str, str]]] = {}  # system, name -> channels
        self._overdue: dict[tuple[str, str], dict[str, None]] = {}  # system, name -> who was overdue when it settled
        self.verdicts: dict[tuple[str, str, str], tuple[int, e.Checked, tuple[str, ...]]] = {}

    def hear(self, seq: int, body: e.AnyBody, today: str) -> None:
        """Take in an entry that came on `today` (ISO date, UTC)."""
        if isinstance(body, e.Introduced):
            for channel in body.channels:
                self._due[body.instrument, channel.name] = channel.calibration.due
        elif isinstance(body, e.Placed):
            self._placed(body)
        elif isinstance(body, e.Settled):
            self._settled(body, today)
        elif isinstance(body, e.Checked):
            rests = self._of_check(body, today) if body.state in _RESTS else {}
            self.verdicts[body.system, body.phase, body.name] = seq, body, tuple(rests)

    def _placed(self, body: e.Placed) -> None:
        channel = (body.instrument, body.channel)
        for there in self._at.values():
            there.discard(channel)
        if body.point:
            self._at.setdefault((body.system, body.point), set()).add(channel)

    def _late(self, instrument: str, channel: str, today: str) -> str:
        due = self._due.get((instrument, channel), "")
        return f"{instrument} {channel} (due {due})" if due and today > due else ""

    def _settled(self, body: e.Settled, today: str) -> None:
        if body.instrument:
            late = self._late(body.instrument, body.channel, today)
            self._overdue[body.system, body.name] = {late: None} if late else {}
        else:
            found: dict[str, None] = {}
            for name in body.inputs:
                found |= self._of(body.system, name, today, set())
            self._overdue[body.system, body.name] = found

    def _of(self, system: str, name: str, today: str, seen: set[str]) -> dict[str, None]:
        if name in seen:
            return {}
        seen.add(name)
        if (system, name) in self._overdue:
            return self._overdue[system, name]
        found: dict[str, None] = {}
        for instrument, channel in sorted(self._at.get((system, name), ())):
            if late := self._late(instrument, channel, today):
                found[late] = None
        base, _, instance = name.partition(".")
        if base in DERIVED:
            for needed in DERIVED[base].at_instance(instance).inputs:
                found |= self._of(system, needed, today, seen)
        return found

    def _of_check(self, body: e.Checked, today: str) -> dict[str, None]:
        if body.name == CHARGE:
            names: tuple[str, ...] = _OF_CHARGE
        elif body.name in CHECKS:
            names = (body.name, *CHECKS[body.name].needs)
        else:  # one of several of a kind, such as a heat strip: by the kind
            names = (body.name, *next((c.needs for n, c in CHECKS.items() if body.name.startswith(n)), ()))
        found: dict[str, None] = {}
        for name in names:
            found |= self._of(body.system, name, today, set())
        return found
