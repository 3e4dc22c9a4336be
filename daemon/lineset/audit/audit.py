"""The audit of one journal file: is it as it was written, does it hold together, do its readings give its verdicts."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from datetime import UTC, datetime
from pathlib import Path

import msgspec

import lineset
from lineset.audit.audit_record import Audit, Remark, ReplayRecord, VerdictRecord
from lineset.audit.contents import Contents
from lineset.audit.replaying import Replaying
from lineset.contract import entry as e
from lineset.engine.fingerprint import fingerprint
from lineset.journal.errors import JournalError
from lineset.journal.reader import JournalReader
from lineset.journal.row import Row
from lineset.journal.verify import Fault, Problem, Verification, verify

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
    path: Path, keys: Collection[bytes] = (), progress: Progress | None = None, *, ends_in_block: bool = False
) -> Audit:
    """Audit the journal at `path`. `keys` are the public keys (32 bytes) that may have sealed it, if any is known.

    `ends_in_block`: of an open visit, only whole blocks are there; the next one may hold outputs of the last input.

    Never raises for what is in the file. A file that cannot be opened as a journal of this program (not there, no
    permission, a newer format, not a journal) gives `not_looked`; one that is a journal and damaged gives `fail`.
    """
    found = verify_or_error(path)
    if isinstance(found, JournalError):
        return not_looked(path, str(found))
    try:
        with JournalReader(path, lenient=True) as reader, reader.still():
            return _of_reader(path, reader, found, keys, progress, ends_in_block)
    except Exception as error:
        # a damaged file can hold anything; what verify found of it is told all the same
        if found.ok and not isinstance(error, JournalError):
            raise
        remarks = [_remark_of(problem, ()) for problem in found.problems]
        text = printable(str(error))
        if text not in {remark.text for remark in remarks}:
            remarks.append(Remark("file", True, text, "Nothing after this place could be looked at."))
        return Audit(target=str(path), outcome=FAIL, by_version=lineset.__version__, remarks=tuple(remarks))


def printable(text: str) -> str:
    """Text of a damaged file, where bytes that are not UTF-8 came as surrogates, as it can be written down."""
    return text.encode("utf-8", "backslashreplace").decode()


def not_looked(path: Path, why: str) -> Audit:
    """The outcome for a target that could not be examined at all."""
    remark = Remark(
        "file", True, printable(why), "Nothing was examined; this says neither that it is sound nor that it is not."
    )
    return Audit(target=str(path), outcome=NOT_LOOKED, by_version=lineset.__version__, remarks=(remark,))


def verify_or_error(path: Path) -> Verification | JournalError:
    """What `verify` finds, or why the file cannot be examined."""
    from lineset.journal.errors import LockedFileError, NewerFormatError, WrongFormatError

    try:
        JournalReader(path).close()
    except (NewerFormatError, WrongFormatError, LockedFileError) as error:
        if not (isinstance(error, WrongFormatError) and _is_journal_by_name(path)):
            return error
    except JournalError:
        pass  # damaged: verify says where; missing and forbidden are raised again there
    try:
        return verify(path)
    except JournalError as error:
        return error


def _is_journal_by_name(path: Path) -> bool:
    """Whether a file that does not begin as a journal is called one: then it is a damaged one."""
    return path.is_file() and path.suffix == ".journal"


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


def _of_reader(
    path: Path,
    reader: JournalReader,
    found: Verification,
    keys: Collection[bytes],
    progress: Progress | None,
    ends_in_block: bool,
) -> Audit:
    auditing, of = Auditing(keys), max(1, found.rows)
    try:
        for done, (row, _) in enumerate(reader.stored_rows(-(2**63)), start=1):
            if progress is not None and done % _STEP == 0:
                progress(done, of)
            auditing.take(row)
    except JournalError as error:
        auditing.broken(str(error))
    if progress is not None:
        progress(of, of)
    return auditing.finish(str(path), reader.meta, found, ends_in_block=ends_in_block)


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
        self, target: str, meta: Mapping[str, str], found: Verification, *, ends_in_block: bool = False
    ) -> Audit:
        """What came of it. `found` says how its bytes are, `meta` is what its hash chain begins with."""
        self._found = found
        contents, replaying = self._contents, self._replaying
        replay = None
        if replaying is not None:
            replay = replaying.finish(ends_in_block=ends_in_block and not found.sealed)
        verdicts = self._verdicts(contents, replaying)
        self._remarks += [_remark_of(problem, verdicts) for problem in found.problems]
        contents.finish(meta, sealed=found.sealed, verdicts=verdicts)
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
            self._remarks.append(Remark("replay", False, f"the readings were not put through again: {replay.why}"))
            return
        if replay.failed_at:
            text = f"the engine fails on {len(replay.failed_at)} entries, the first is {replay.failed_at[0]}"
            self._remarks.append(Remark("replay", False, text, seq=replay.failed_at[0]))
        changed = [verdict for verdict in verdicts if verdict.differs]
        if not replay.differences:
            return
        first = replaying.first
        where = f"the first at entry {first[0]} ({first[1]})" if first else ""
        if replay.same_engine:
            outputs = (
                "1 output on record is" if replay.differences == 1 else f"{replay.differences} outputs on record are"
            )
            text = f"{outputs} not what the same engine makes of the inputs; {where}"
            means = f"Verdicts that come out otherwise: {named(changed)}." if changed else "No last verdict changes."
            self._remarks.append(Remark("replay", True, text, means, first[0] if first else 0))
        else:
            text = (
                f"recorded by another version of the engine ({replay.resumed_by or replay.recorded_fingerprint}, here "
                f"{replay.fingerprint}); {replay.differences} outputs differ, which is to be expected"
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
