"""An audit in plain sentences for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from lineset.audit.audit_record import Audit, Remark
from lineset.audit.shop_record import ShopRecord, Spell
from lineset.equipment.language import counted

_HEAD = {"pass": "PASS", "fail": "FAIL", "not_looked": "COULD NOT LOOK"}
_MOST_SPELLS = 12
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
        yield f"  {whose} of {audit.station or '?'}, {audit.opened or '?'} to {audit.ended or '?'} UTC; {_state(audit)}"
        tail = f", {audit.tail} of them in no block yet" if audit.tail else ""
        entries, blocks = counted(audit.rows, "entry", "entries"), counted(audit.blocks, "block")
        yield f"  {entries} ({audit.first} to {audit.last}) in {blocks}{tail}"
        yield f"  {_replayed(audit)}"
        yield f"  {counted(len(audit.profiles), 'instrument')}, {counted(audit.photos, 'photo')} whole"
    if audit.shop is not None:
        yield from _at_shop(audit.shop)
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
    proves, cannot = list(audit.proves), list(audit.cannot)
    if audit.shop is not None:
        proves, cannot = [*audit.shop.proves, *proves], [*audit.shop.cannot, *cannot]
    yield "A record with nothing wrong in it proves:"
    yield from (f"  {sentence}" for sentence in proves)
    yield "No record can prove:"
    yield from (f"  {sentence}" for sentence in cannot)


def in_a_line(audit: Audit) -> str:
    """A whole audit in one line, for one of very many."""
    known = sum(not remark.wrong for remark in audit.remarks)
    entries = counted(audit.rows, "entry", "entries")
    more = f", {counted(known, 'thing')} to be known" if known else ""
    return f"{_HEAD[audit.outcome]}  {audit.target}  {audit.opened or '?'}  {entries}, {_state(audit)}{more}"


def _state(audit: Audit) -> str:
    """Whether it is sealed, and by whose key."""
    if audit.sealed:
        return f"sealed {_KEY[audit.key_known]}"
    if audit.shop is not None and audit.shop.from_shop and audit.shop.sealed_received:
        return "its seal fits nothing that can be read"
    return "still open"


_HOW = {"at_once": "", "late": ", when the station was back", "early": ": its clock was ahead"}


def _at_shop(shop: ShopRecord) -> Iterator[str]:
    """What the shop received, and when."""
    if not shop.held:
        yield f"Shop {shop.shop} holds nothing of it."
        return
    by = f" by {', '.join(shop.collectors)}" if shop.collectors else ""
    yield f"Shop {shop.shop} received{by}, by its own clock (UTC):"
    for spell in shop.spells[:_MOST_SPELLS]:
        one = spell.first_block == spell.last_block
        blocks = f"block {spell.first_block}" if one else f"blocks {spell.first_block} to {spell.last_block}"
        came = _clock(spell.received_from)
        if spell.received_to != spell.received_from:
            came += f" to {_clock(spell.received_to, spell.received_from)}"
        yield f"  {blocks} (entries {spell.first} to {spell.last}): {came}, {_after(spell)}{_HOW[spell.how]}"
    if len(shop.spells) > _MOST_SPELLS:
        yield f"  and {len(shop.spells) - _MOST_SPELLS} more such spells (--json has all)"
    yield f"  the seal: {_clock(shop.sealed_received)}" if shop.sealed_received else "  the seal: not yet"
    yield f"  the station's key there: {shop.key or 'none is pinned'}"
    if not shop.from_shop:
        never = f", {len(shop.never)} never reached it" if shop.never else ""
        yield f"  {shop.same} of {counted(shop.blocks, 'block')} of the file are as received{never}"
    checked = [table for table in shop.tables if table.rows or table.due]
    if checked:
        yield f"  {len(checked)} tables agree with the blocks" if all(t.same for t in checked) else "  tables DISAGREE"


def _after(spell: Spell) -> str:
    if not spell.closed_from:
        return "closed at no known time"
    least, most = sorted((abs(spell.least_s), abs(spell.most_s)))
    length = _span(most) if _span(least) == _span(most) else f"{_span(least)} to {_span(most)}"
    which = "before" if spell.how == "early" else "after"
    return f"{length} {which} the station closed {'it' if spell.first_block == spell.last_block else 'them'}"


def _span(seconds: float) -> str:
    from lineset.audit.spells import span

    return span(seconds)


def _clock(iso: str, beside: str = "") -> str:
    """A time for people; without the day where that is the same as `beside`."""
    day, _, rest = iso.partition("T")
    return rest[:8] if beside.startswith(day) else f"{day} {rest[:8]}"


def _replayed(audit: Audit) -> str:
    replay = audit.replay
    if replay is None or not replay.done:
        return "readings not put through the engine again" + (f": {replay.why}" if replay and replay.why else "")
    engine = "the engine that recorded them" if replay.same_engine else "another version of the engine"
    differ = f"{counted(replay.differences, 'output')} differ{'s' if replay.differences == 1 else ''}"
    came = differ if replay.differences else "all outputs are the same"
    inputs, outputs = counted(replay.inputs, "input"), counted(replay.outputs, "output")
    return f"{inputs} put through {engine} again, {outputs} compared: {came}"


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
