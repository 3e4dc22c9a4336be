"""The audit of one journal file: is it as it was written, does it hold together, do its readings give its verdicts."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path

import msgspec

import lineset
from lineset.audit.audit_record import CANNOT, PROVES, PROVES_OPEN, Audit, Remark, ReplayRecord, VerdictRecord
from lineset.audit.contents import Contents
from lineset.audit.replaying import Replaying
from lineset.contract import entry as e
from lineset.engine.fingerprint import fingerprint
from lineset.journal.errors import (
    JournalError,
    LockedFileError,
    MissingFileError,
    NewerFormatError,
    PermissionDeniedError,
    WrongFormatError,
)
from lineset.journal.reader import JournalReader
from lineset.journal.row import Row
from lineset.journal.verify import Fault, Problem, Verification, examine

Progress = Callable[[int, int], None]  # entries done, entries in all

PASS, FAIL, NOT_LOOKED = "pass", "fail", "not_looked"
_ABOUT = {
    Fault.MISSING: "rows",
    Fault.ALTERED: "rows",
    Fault.REORDERED: "rows",
    Fault.EXTRA: "rows",
    Fault.CHAIN: "chain",
    Fault.SEAL: "seal",
    Fault.SCHEMA: "schema",
    Fault.UNREADABLE: "file",
}
_STEP = 2000  # entries between two words about progress
_NAMED = 6  # so many verdicts are named in a sentence, the rest counted


def audit(
    path: Path,
    keys: Collection[bytes] = (),
    progress: Progress | None = None,
    *,
    ends_in_block: bool = False,
    visit: str = "",
) -> Audit:
    """Audit the journal at `path`. `keys` are the public keys (32 bytes) that may have sealed it, if any is known.

    `ends_in_block`: of an open visit, only whole blocks are there; the next one may hold outputs of the last input.
    `visit` is the visit that was asked for, where it was asked for by name.

    Never raises for what is in the file. A file that cannot be opened as a journal of this program (not there, no
    permission, a newer format, not a journal) gives `not_looked`; one that is a journal and damaged gives `fail`.
    """
    try:
        with Overheard(path) as reader, reader.still():
            return audit_open(reader, keys, progress, ends_in_block=ends_in_block, visit=visit)
    except JournalError as error:
        return unread(path, error)


def unread(path: Path, error: JournalError) -> Audit:
    """The audit of a file that cannot be opened as a journal, or not read any further."""
    # a file that does not begin as a journal, and is called one, is a damaged one
    other = isinstance(error, WrongFormatError) and not (path.is_file() and path.suffix == ".journal")
    if other or isinstance(error, NewerFormatError | LockedFileError | MissingFileError | PermissionDeniedError):
        return not_looked(path, str(error))
    remark = Remark("file", True, printable(str(error)), "Nothing after this place could be looked at.")
    return Audit(
        target=str(path), outcome=FAIL, by_version=lineset.__version__, remarks=(remark,), proves=(), cannot=CANNOT
    )


class Overheard(JournalReader):
    """A journal whose rows are heard as they are read: what is hashed and what is replayed is then the same bytes,
    though somebody changes the file meanwhile."""

    def __init__(self, path: Path) -> None:
        super().__init__(path, lenient=True)
        self.hear: Callable[[Row], None] | None = None
        self.heard = -(2**63) - 1  # the number of the last row that was
        self.fault: Exception | None = None  # of whoever hears, and not of the file

    def stored_rows(self, from_seq: int = 1, kinds: Collection[str] | None = None) -> Iterator[tuple[Row, int]]:
        """As a `Reading`; each row is heard first, the first time that it is read."""
        for row, crc in super().stored_rows(from_seq, kinds):
            if self.hear is not None and row.seq > self.heard:
                self.heard = row.seq
                try:
                    self.hear(row)
                except Exception as error:
                    self.fault = error
                    raise
            yield row, crc


def printable(text: str) -> str:
    """Text of a damaged file, where bytes that are not UTF-8 came as surrogates, as it can be written down."""
    return text.encode("utf-8", "backslashreplace").decode()


def not_looked(path: Path, why: str) -> Audit:
    """The outcome for a target that could not be examined at all."""
    remark = Remark(
        "file", True, printable(why), "Nothing was examined; this says neither that it is sound nor that it is not."
    )
    return Audit(target=str(path), outcome=NOT_LOOKED, by_version=lineset.__version__, remarks=(remark,))


def _remark_of(problem: Problem, verdicts: Collection[VerdictRecord]) -> Remark:
    means = what_it_means(problem.seq, verdicts)
    return Remark(_ABOUT[problem.fault], True, printable(problem.text), means, problem.seq, problem.block)


def what_it_means(seq: int, verdicts: Collection[VerdictRecord]) -> str:
    """In a sentence: which verdicts on record came at or after entry `seq` (all for 0) and rest on it."""
    hit = [verdict for verdict in verdicts if verdict.seq >= seq and verdict.seq]
    if not hit:
        return "No verdict on record comes after it." if verdicts else "No verdict can be relied on."
    if len(hit) == sum(1 for verdict in verdicts if verdict.seq):
        if len(hit) == 1:
            return "The only verdict on record cannot be relied on as recorded."
        return f"None of the {len(hit)} verdicts on record can be relied on as recorded."
    return f"Given at or after it, not to be relied on: {named(hit)}. Earlier verdicts are not touched by this."


def named(verdicts: Collection[VerdictRecord]) -> str:
    """The verdicts by title and phase, the first few of them."""
    words = [f"{verdict.title} ({verdict.phase}, {verdict.system})" for verdict in verdicts]
    more = f" and {len(words) - _NAMED} more" if len(words) > _NAMED else ""
    return ", ".join(words[:_NAMED]) + more


def audit_open(
    reader: Overheard,
    keys: Collection[bytes] = (),
    progress: Progress | None = None,
    *,
    ends_in_block: bool = False,
    visit: str = "",
) -> Audit:
    """As `audit`, of a journal that is open and held `still`; its rows are read once."""
    return audit_verified(reader, keys, progress, ends_in_block=ends_in_block, visit=visit)[0]


def audit_verified(
    reader: Overheard,
    keys: Collection[bytes] = (),
    progress: Progress | None = None,
    *,
    ends_in_block: bool = False,
    visit: str = "",
) -> tuple[Audit, Verification]:
    """As `audit_open`, with what was found of the bytes."""
    auditing, done = Auditing(keys), 0
    try:
        of = max(1, reader.last_seq() - reader.first_seq + 1)
    except JournalError:
        of = 1

    def hear(row: Row) -> None:
        nonlocal done
        done += 1
        if progress is not None and done % _STEP == 0:
            progress(min(done, of), of)
        auditing.take(row)

    reader.hear = hear
    found = examine(reader)
    if reader.fault is not None:
        raise reader.fault
    try:
        # where the examination stopped before the end
        for _ in reader.stored_rows(reader.heard + 1) if not found.ok and reader.heard < 2**63 - 1 else ():
            pass
    except (JournalError, TypeError) as error:
        auditing.broken(printable(str(error)))
    reader.hear = None
    if progress is not None:
        progress(of, of)
    return auditing.finish(str(reader.path), reader.meta, found, ends_in_block=ends_in_block, visit=visit), found


class Auditing:
    """Takes a record's rows in order, wherever they come from, and says at the end what is to be said of them.

    `keys` are the public keys that may have sealed it.
    """

    def __init__(self, keys: Collection[bytes] = ()) -> None:
        self._keys = frozenset(keys)
        self._contents = Contents()
        self._replaying: Replaying | None = None
        self._remarks: list[Remark] = []

    def take(self, row: Row) -> None:
        """The next row, as it is stored."""
        body = self._contents.take(row)
        if body is None:
            if self._replaying is not None:
                self._replaying.stop(f"entry {row.seq} cannot be read")
            return
        if self._replaying is None:
            recorded = body.fingerprint if isinstance(body, e.Opened) else ""
            self._replaying = Replaying(recorded, fingerprint())
            if not recorded:
                self._replaying.stop("the record does not begin with its opening")
        self._replaying.take(row.seq, row.t, body, row.body)

    def broken(self, why: str) -> None:
        """There may be more, and it cannot be read."""
        self._contents.remarks.append(Remark("file", True, why, "Nothing after this place could be looked at."))
        if self._replaying is not None:
            self._replaying.stop("the file cannot be read to its end")

    def finish(
        self,
        target: str,
        meta: Mapping[str, str],
        found: Verification,
        *,
        ends_in_block: bool = False,
        visit: str = "",
    ) -> Audit:
        """What came of it. `found` says how its bytes are, `meta` is what its hash chain begins with.

        `visit`: what was asked for by name.
        """
        self._found = found
        contents, replaying = self._contents, self._replaying
        replay = None
        if replaying is not None:
            replay = replaying.finish(ends_in_block=ends_in_block and not found.sealed)
        verdicts = self._verdicts(contents, replaying)
        self._remarks += [_remark_of(problem, verdicts) for problem in found.problems]
        contents.finish(meta, sealed=found.sealed, verdicts=verdicts)
        named_here = contents.opened.visit if contents.opened else meta.get("visit", "")
        if visit and visit != named_here:
            text = f"visit {visit} was asked for, and this is the record of {named_here or 'no visit'}"
            means = "Another record lies in its place; nothing here is said of the one that was asked for."
            self._remarks.append(Remark("file", True, text, means))
        self._remarks += contents.remarks
        known = self._key(verdicts)
        self._replayed(replay, replaying, verdicts)
        self._gaps(verdicts)
        clean = (msgspec.structs.replace(remark, text=printable(remark.text)) for remark in self._remarks)
        remarks = tuple(sorted(clean, key=lambda remark: not remark.wrong))
        opened = contents.opened
        return Audit(
            target=target,
            outcome=FAIL if any(remark.wrong for remark in remarks) else PASS,
            by_version=lineset.__version__,
            remarks=remarks,
            journal=printable(meta.get("id", "")),
            station=opened.station if opened else printable(meta.get("station", "")),
            visit=opened.visit if opened else printable(meta.get("visit", "")),
            version=opened.version if opened else "",
            opened=_iso(contents.first_wall_ns),
            ended=_iso(contents.last_wall_ns),
            sealed=found.sealed,
            closed=contents.closed,
            key=found.public_key.hex(),
            key_known=known,
            head=found.head.hex(),
            first=found.first,
            last=found.last,
            rows=found.rows,
            blocks=found.blocks,
            tail=found.tail,
            gaps=len(found.gaps),
            photos=contents.whole_photos,
            profiles=contents.profiles,
            replay=replay,
            verdicts=verdicts,
            proves=PROVES if found.sealed else PROVES_OPEN,
        )

    def _verdicts(self, contents: Contents, replaying: Replaying | None) -> tuple[VerdictRecord, ...]:
        computed = replaying.verdicts if replaying is not None else {}
        out = []
        for where in {**contents.resting.verdicts, **computed}:
            seq, recorded, expired = contents.resting.verdicts.get(where, (0, None, ()))
            again = computed.get(where)
            either = recorded or again
            assert either is not None
            out.append(
                VerdictRecord(
                    system=where[0],
                    phase=where[1],
                    name=where[2],
                    title=either.title,
                    seq=seq,
                    recorded=str(recorded.state) if recorded else "",
                    computed=str(again.state) if again else "",
                    recorded_value=recorded.value if recorded else None,
                    computed_value=again.value if again else None,
                    unit=either.unit,
                    expired=expired,
                )
            )
        return tuple(out)

    def _key(self, verdicts: tuple[VerdictRecord, ...]) -> str:
        key = self._found.public_key
        if not self._found.sealed:
            return "none"
        if not self._keys:
            text = (
                f"whose key sealed it is not known here: it names {key.hex()}. A record written anew and sealed with "
                "another key passes where nobody knows the right one; compare these digits with those that the station "
                "shows (lineset audit --own-key there), or give them with --key"
            )
            self._remarks.append(Remark("seal", False, text))
            return "unknown"
        if key in self._keys:
            return "right"
        text = f"sealed with another key than the station's: it names {key.hex()}"
        if self._found.ok:
            text += "; every hash fits, as it would for a record written anew by somebody else"
        self._remarks.append(Remark("seal", True, text, what_it_means(0, verdicts)))
        return "wrong"

    def _replayed(
        self, replay: ReplayRecord | None, replaying: Replaying | None, verdicts: tuple[VerdictRecord, ...]
    ) -> None:
        if replay is None or replaying is None:
            return
        if not replay.done:
            text = f"the readings were not put through again: {replay.why}"
            means = (
                "No verdict was computed anew: those on record are as they were written, and no more is known of them."
            )
            self._remarks.append(Remark("replay", False, text, means if verdicts else ""))
            return
        if replay.failed_at:
            text = f"the engine fails on {len(replay.failed_at)} entries, the first is {replay.failed_at[0]}"
            self._remarks.append(Remark("replay", False, text, seq=replay.failed_at[0]))
        changed = [verdict for verdict in verdicts if verdict.differs]
        if not replay.differences:
            return
        first = replaying.first
        where = f"the first at entry {first[0]} ({first[1]})" if first else ""
        if replay.begun_here and replay.own_differences:
            count = replay.own_differences
            outputs = "1 output on record is" if count == 1 else f"{count} outputs on record are"
            text = f"{outputs} not what the same engine makes of the inputs; {where}"
            means = f"Verdicts that come out otherwise: {named(changed)}." if changed else "No last verdict changes."
            self._remarks.append(Remark("replay", True, text, means, first[0] if first else 0))
        else:
            text = (
                f"recorded by another version of the engine ({replay.resumed_by or replay.recorded_fingerprint}, here "
                f"{replay.fingerprint}); {replay.differences} outputs differ, as they may then; whether one was "
                "changed before the seal, this cannot tell"
            )
            means = (
                f"As computed today these verdicts would differ: {named(changed)}."
                if changed
                else "As computed today every last verdict is the same."
            )
            self._remarks.append(Remark("replay", False, text, means))

    def _gaps(self, verdicts: tuple[VerdictRecord, ...]) -> None:
        for gap in self._found.gaps:
            text = f"entries {gap.first} to {gap.last} were not recorded: {gap.reason}"
            later = [verdict for verdict in verdicts if verdict.seq > gap.last]
            means = f"Verdicts given after it saw readings that are not on record: {named(later)}." if later else ""
            self._remarks.append(Remark("gap", False, text, means, gap.first))


def _iso(wall_ns: int | None) -> str:
    if wall_ns is None:
        return ""
    try:
        return datetime.fromtimestamp(wall_ns / 1e9, UTC).isoformat(timespec="seconds")
    except (OverflowError, ValueError, OSError):
        return ""
