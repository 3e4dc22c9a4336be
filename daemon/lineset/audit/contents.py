"""What a record's entries say when held against each other: clock, profiles, photos, rules, calibrations, closing."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping

from lineset.audit.audit_record import Remark, VerdictRecord
from lineset.audit.resting import RESTED, Resting
from lineset.contract import entry as e
from lineset.engine.settling import iso_date
from lineset.journal.row import Row

_NS = 1_000_000_000
_DAY_NS = 86_400 * _NS
_SAY_NOTHING = frozenset({e.Framed, e.Tick, e.Derived})  # most entries, and nothing is looked up in them here
_UNSAID_NS = 60 * _NS  # a clock that moved by less without a word may have been set gently, or started a little apart
_MOST_NS = 10**12 * _NS  # more is no length of time for anybody


class Contents:
    """Takes the rows of a journal in order; `finish` looks at what only the whole shows."""

    def __init__(self) -> None:
        self.remarks: list[Remark] = []
        self.resting = Resting()
        self.opened: e.Opened | None = None
        self.closed = False
        self.first_wall_ns: int | None = None
        self.last_wall_ns: int | None = None
        self.profiles: dict[str, str] = {}
        self.whole_photos = 0
        self._offset_ns = 0
        self._offsets: set[int] = set()
        self._rested: list[tuple[int, int, e.AnyBody]] = []  # what verdicts rest on, for the case that the clock steps
        self._day, self._today = -1, ""
        self._rows = 0
        self._parts: dict[str, dict[int, e.Blob]] = {}
        self._shown: dict[str, int] = {}  # photo -> seq of the observation that shows it
        self._wanted: set[int] = set()  # seq of each observation that wants something of the shop

    def take(self, row: Row) -> e.AnyBody | None:
        """Look at a row; its body, or None when that cannot be read."""
        self._rows += 1
        if not (type(row.seq) is type(row.t) is int and type(row.kind) is str and type(row.body) is bytes):
            # what STRICT refuses, but damage can make
            self._wrong("entry", f"entry {row.seq} holds what no entry can", row.seq)
            return None
        try:
            body = e.decode(row.body)
        except e.EntryError as error:
            self._wrong("entry", f"entry {row.seq}: {error}", row.seq)
            return None
        if e.kind_of(body) != row.kind:
            self._wrong("entry", f"entry {row.seq} is kept as {row.kind} and says {e.kind_of(body)}", row.seq)
        if self._rows == 1 and not isinstance(body, e.Opened):
            self._wrong("entry", f"the record begins with {e.kind_of(body)}, not with its opening", row.seq)
        quiet = type(body) in _SAY_NOTHING
        if not quiet:
            self._look(row, body)
        self.last_wall_ns = row.t + self._offset_ns
        day = self.last_wall_ns // _DAY_NS
        if day != self._day:
            self._day, self._today = day, _date(self.last_wall_ns)
            if not self._today:
                self._wrong("clock", f"entry {row.seq}: its time of day is none that a calendar has", row.seq)
        if not quiet:
            self.resting.hear(row.seq, body, self._today)
            if isinstance(body, RESTED):
                self._rested.append((row.seq, row.t, body))
        return body

    def finish(self, meta: Mapping[str, str], *, sealed: bool, verdicts: Collection[VerdictRecord]) -> None:
        """Photos, overdue calibrations, and how the record begins and ends."""
        self._photos()
        opened = self.opened
        if opened is not None:
            for name, said in (("visit", opened.visit), ("station", opened.station)):
                if name in meta and said and meta[name] != said:
                    self._wrong("entry", f"the file is of {name} {meta[name]}, its first entry says {said}", 1)
            if not opened.visit:
                self._note("entry", "this is the station's own record between visits: it holds no visit's verdicts")
        if self.closed and not sealed:
            text = "the visit was closed, and there is no seal"
            means = "The seal was taken away, or the station stopped between the two: its next start seals it."
            self._wrong("seal", text, means=means)
        elif not sealed:
            text = "not sealed: audited as far as it goes"
            means = (
                "Its hashes only show that it holds together. Whoever can write to the file can have cut off its end, "
                "taken its seal away, or written all of it anew; what the shop received tells (--shop)."
            )
            self._note("seal", text, means=means)
        elif opened is not None and opened.visit and not self.closed:
            self._note("entry", "sealed without the entry that closes a visit")
        for verdict in verdicts:
            if verdict.expired:
                who = ", ".join(verdict.expired)
                text = f"{verdict.title} ({verdict.phase}, {verdict.system}): {verdict.recorded} rests on {who}"
                means = "Its calibration had run out; the uncertainty was widened for that, and the verdict is weaker."
                self._note("calibration", text, verdict.seq, means)
        self._by_the_last_clock(verdicts)

    def _by_the_last_clock(self, verdicts: Collection[VerdictRecord]) -> None:
        """Whose calibration had run out, or had not, if the clock that was set later was the right one."""
        if len(self._offsets) < 2 or max(self._offsets) - min(self._offsets) < _UNSAID_NS:
            return
        again = Resting()
        for seq, t, body in self._rested:
            again.hear(seq, body, _date(t + self._offset_ns))
        for verdict in verdicts:
            _, _, expired = again.verdicts.get((verdict.system, verdict.phase, verdict.name), (0, None, ()))
            late, early = set(expired) - set(verdict.expired), set(verdict.expired) - set(expired)
            for who, what in ((late, "had run out"), (early, "had not run out")):
                if who and verdict.seq:
                    text = (
                        f"{verdict.title} ({verdict.phase}, {verdict.system}): by the clock as it stood at the end, "
                        f"the calibration of {', '.join(sorted(who))} {what}"
                    )
                    means = "The clock was set during the visit; which of the two was right is not on record."
                    self._note("calibration", text, verdict.seq, means)

    def _look(self, row: Row, body: e.AnyBody) -> None:
        if isinstance(body, e.Observed):
            self._asked(row.seq, body)
        if isinstance(body, e.Opened):
            if self.opened is None:
                self.opened, self.first_wall_ns = body, body.wall_ns
                self._rules(row.seq, body)
            else:
                self._wrong("entry", f"opened a second time at entry {row.seq}", row.seq)
            self._set(row.seq, body.wall_ns - row.t)
        elif isinstance(body, e.WallClock):
            if body.step_ns:
                self._clock(row.seq, body.step_ns)
            self._set(row.seq, body.wall_ns - row.t, body.step_ns)
        elif isinstance(body, e.Resumed):
            text = f"the station was away for {_seconds(body.gap_ns, 0)} (measured by {body.how.replace('_', ' ')})"
            self._note("clock", text, row.seq)
            self._set(row.seq, body.wall_ns - row.t)
        elif isinstance(body, e.Introduced):
            self._profile(row.seq, body)
        elif isinstance(body, e.Overrun):
            self._note("gap", f"{body.count} of {body.instrument or 'the station'} lost: {body.loss}", row.seq)
        elif isinstance(body, e.Blob):
            self._parts.setdefault(body.sha256, {})[body.part] = body
        elif isinstance(body, e.Observed) and body.photo:
            self._shown.setdefault(body.photo, row.seq)
        elif isinstance(body, e.Closed):
            self.closed = True
        elif self.closed and e.is_input(e.kind_of(body)) and not isinstance(body, e.Noted | e.Commanded):
            self._note("entry", f"{e.kind_of(body)} after the closing", row.seq)

    def _set(self, seq: int, offset_ns: int, said_ns: int = 0) -> None:
        """Wall time is visit time plus so much from here on; the entry says that it moved by `said_ns`."""
        unsaid = offset_ns - self._offset_ns - said_ns
        if self._offsets and abs(unsaid) > _UNSAID_NS:
            which = "forward" if unsaid > 0 else "back"
            text = f"the wall clock went {which} by {_seconds(abs(unsaid), 1)} more than is said of it"
            self._note("clock", text, seq, "Times of day before and after it do not fit together.")
        self._offset_ns = offset_ns
        self._offsets.add(offset_ns)

    def _asked(self, seq: int, body: e.Observed) -> None:
        if body.withdraws and body.withdraws not in self._wanted:
            # no more than a note: the entry that it names may have been lost while nothing could be recorded
            text = f"entry {seq} takes back what entry {body.withdraws} wanted of the shop, and that wanted nothing"
            self._note("entry", text, seq, "What was still wanted at the end has to be asked of who was there.")
        self._wanted.discard(body.withdraws)
        if body.wants:
            self._wanted.add(seq)

    def _clock(self, seq: int, step_ns: int) -> None:
        which = "forward" if step_ns > 0 else "back"
        means = "Times of day before and after it do not fit together; verdicts rest on visit time, which did not step."
        self._note("clock", f"the wall clock stepped {which} by {_seconds(abs(step_ns), 1)}", seq, means)

    def _profile(self, seq: int, body: e.Introduced) -> None:
        found = hashlib.sha256(body.profile_text.encode()).hexdigest()
        self.profiles[body.instrument] = f"{body.profile} {body.profile_sha256}".strip()
        if not body.profile_text:
            if body.origin == "instrument":
                self._note("profile", f"{body.instrument}: the text of its profile is not on record", seq)
        elif found != body.profile_sha256:
            text = f"{body.instrument}: its profile is not the one that its hash names"
            self._wrong("profile", text, seq, "What its readings were taken for cannot be relied on.")

    def _rules(self, seq: int, body: e.Opened) -> None:
        rules = body.config.get("rules", {})
        if not isinstance(rules, dict):
            return
        text, named = str(rules.get("text", "")), str(rules.get("sha256", ""))
        if named != (hashlib.sha256(text.encode()).hexdigest() if text else ""):
            self._wrong("entry", "the shop's rules are not those that their hash names", seq)

    def _photos(self) -> None:
        for sha256, pieces in self._parts.items():
            data = b"".join(pieces[part].data for part in sorted(pieces))
            parts = max(blob.parts for blob in pieces.values())
            if len(pieces) == parts and hashlib.sha256(data).hexdigest() == sha256:
                self.whole_photos += 1
            elif len(pieces) < parts and sha256 not in self._shown:
                self._note("photo", f"photo {sha256[:12]} came only in part, and nothing shows it")
            else:
                text = f"photo {sha256[:12]} is not the one that its hash names"
                self._wrong("photo", text, self._shown.get(sha256, 0), "It shows nothing that can be relied on.")
        for sha256, seq in self._shown.items():
            if sha256 not in self._parts:
                text = f"photo {sha256[:12]} is not on record"
                self._wrong("photo", text, seq, "The observation stands without its picture.")

    def _wrong(self, about: str, text: str, seq: int = 0, means: str = "") -> None:
        self.remarks.append(Remark(about, True, text, means, seq))

    def _note(self, about: str, text: str, seq: int = 0, means: str = "") -> None:
        self.remarks.append(Remark(about, False, text, means, seq))


def _seconds(ns: int, digits: int) -> str:
    return f"{ns / _NS:.{digits}f} s" if abs(ns) < _MOST_NS else "longer than anything lasts"


def _date(wall_ns: int) -> str:
    try:
        return iso_date(wall_ns)
    except (OverflowError, ValueError, OSError):
        return ""  # a damaged time
