"""An audit in plain sentences for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from lineset.audit.audit_record import Audit, Remark

_HEAD = {"pass": "PASS", "fail": "FAIL", "not_looked": "COULD NOT LOOK"}
_KEY = {
    "right": "by the right key",
    "wrong": "by ANOTHER key",
    "unknown": "by a key that is not known here",
    "none": "not sealed",
}


def in_sentences(audit: Audit) -> Iterator[str]:
    """The lines that are printed."""
    yield f"{_HEAD[audit.outcome]}  {audit.target}"
    if audit.outcome != "not_looked" and audit.journal:
        whose = f"visit {audit.visit}" if audit.visit else "station's own record"
        state = f"sealed {_KEY[audit.key_known]}" if audit.sealed else "still open"
        yield f"  {whose} of {audit.station or '?'}, {audit.opened or '?'} to {audit.ended or '?'} UTC; {state}"
        tail = f", {audit.tail} of them in no block yet" if audit.tail else ""
        yield f"  {audit.rows} entries ({audit.first} to {audit.last}) in {audit.blocks} blocks{tail}"
        yield f"  {_replayed(audit)}"
        yield f"  {len(audit.profiles)} instruments, {audit.photos} photos whole"
    wrong = audit.wrong
    if wrong:
        yield "What is wrong:"
        for remark in wrong:
            yield from _remark(remark)
    others = [remark for remark in audit.remarks if not remark.wrong]
    if others:
        yield "To be known:"
        for remark in others:
            yield from _remark(remark)
    if audit.outcome == "not_looked":
        return
    if audit.verdicts:
        yield "The last verdict of each check, as recorded" + (
            " and as computed today:" if audit.replay and audit.replay.done else ":"
        )
        yield from _verdicts(audit)
    yield "Such a record proves:"
    yield from (f"  {sentence}" for sentence in audit.proves)
    yield "It cannot prove:"
    yield from (f"  {sentence}" for sentence in audit.cannot)


def _replayed(audit: Audit) -> str:
    replay = audit.replay
    if replay is None or not replay.done:
        return "readings not put through the engine again" + (f": {replay.why}" if replay and replay.why else "")
    engine = "the engine that recorded them" if replay.same_engine else "another version of the engine"
    came = "all outputs are the same" if not replay.differences else f"{replay.differences} outputs differ"
    return f"{replay.inputs} inputs put through {engine} again, {replay.outputs} outputs compared: {came}"


def _remark(remark: Remark) -> Iterator[str]:
    where = f"entry {remark.seq}" if remark.seq else (f"block {remark.block}" if remark.block else "")
    yield f"  [{remark.about}{', ' + where if where else ''}] {remark.text}"
    if remark.means:
        yield f"      {remark.means}"


def _verdicts(audit: Audit) -> Iterator[str]:
    done = audit.replay is not None and audit.replay.done
    width = max(len(verdict.title) for verdict in audit.verdicts)
    for verdict in audit.verdicts:
        line = f"  {verdict.system:8} {verdict.phase:8} {verdict.title:{width}}  {verdict.recorded or 'none':14}"
        if done:
            line += f" {verdict.computed or 'none'}{'  DIFFERS' if verdict.differs else ''}"
        if verdict.expired:
            line += "  calibration expired"
        yield line.rstrip()
