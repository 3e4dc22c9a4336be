"""Where two versions of the same run of entries part, entry by entry, in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from difflib import SequenceMatcher
from itertools import zip_longest
from typing import Any, NamedTuple

import msgspec

from lineset.contract import entry as e
from lineset.journal.row import Gap, Row

_MOST_FIELDS = 4  # of one entry that are named, the rest is counted
_MOST_LETTERS = 60
_MOST_DEPTH = 12  # levels of an entry that are gone through; ours have half as many
_NS = 1_000_000_000
_NEAR_NS = 1_000_000  # two frames of one instrument that say the same are much further apart


class Difference(NamedTuple):
    """One entry that differs: its seq, its kind (as the first version has it), and what changed."""

    seq: int
    kind: str
    text: str


class Sides(NamedTuple):
    """What the two versions are called in a sentence, each with its verb: "the shop received", "the file says"."""

    one: str
    other: str


def unnumbered(item: Row | Gap) -> tuple[object, ...]:
    """What an entry says, whatever its number."""
    if isinstance(item, Row):
        return item.t, item.kind, item.body
    return item.t, item.reason, item.last - item.first


def aligned(
    one: Sequence[Row | Gap], other: Sequence[Row | Gap], sides: Sides
) -> tuple[list[Difference], Sequence[Row | Gap]]:
    """What was changed, taken out or put in, where numbers may have moved on by that; and the rest of `other`.

    The rest is what stands in `other` behind the end of `one`.
    """
    keys, others = [unnumbered(item) for item in one], [unnumbered(item) for item in other]
    steps = SequenceMatcher(None, keys, others, autojunk=False).get_opcodes()
    rest: Sequence[Row | Gap] = ()
    found: list[Difference] = []
    for how, a, a_end, b, b_end in steps:
        here, there = list(one[a:a_end]), list(other[b:b_end])
        if how == "equal":
            continue
        pairs: list[tuple[Row | Gap | None, Row | Gap | None]]
        if a_end == len(one) and b_end == len(other):
            pairs, rest = _at_the_end(here, there)
        else:
            pairs = list(zip_longest(here, there))
        for first, second in pairs:
            item = first or second
            assert item is not None
            found.append(Difference(_seq(item), _kind(item), _sentence(_seq(item), first, second, sides)))
    return found, rest


def _at_the_end(
    here: list[Row | Gap], there: list[Row | Gap]
) -> tuple[list[tuple[Row | Gap | None, Row | Gap | None]], list[Row | Gap]]:
    """What became of the last entries of one side; and what of the other side belongs to what comes after them.

    An entry that was changed is still of its time and name, or says the same at nearly its time; one that is neither
    was taken out, and what stands in its place came from behind.
    """
    pairs: list[tuple[Row | Gap | None, Row | Gap | None]] = []
    at = 0
    for item in here:
        other = there[at] if at < len(there) else None
        if other is not None and _same_place(item, other):
            pairs.append((item, other))
            at += 1
        else:
            pairs.append((item, None))
    return pairs, there[at:]


def _same_place(one: Row | Gap, other: Row | Gap) -> bool:
    if isinstance(one, Row) and isinstance(other, Row):
        near = one.body == other.body and abs(one.t - other.t) < _NEAR_NS
        return _name(one) == _name(other) and (one.t == other.t or near)
    return one.t == other.t


def _kind(item: Row | Gap) -> str:
    return str(item.kind) if isinstance(item, Row) else "gap"


def differences(one: Sequence[Row | Gap], other: Sequence[Row | Gap], sides: Sides) -> Iterator[Difference]:
    """Each entry that is not the same in both under its number, in order."""
    ones = {_seq(item): item for item in one}
    others = {_seq(item): item for item in other}
    for seq in sorted(ones.keys() | others.keys()):
        here, there = ones.get(seq), others.get(seq)
        if here != there:
            yield Difference(seq, _kind(here or there), _sentence(seq, here, there, sides))  # type: ignore[arg-type]


def _seq(item: Row | Gap) -> int:
    return item.seq if isinstance(item, Row) else item.first


def _sentence(seq: int, one: Row | Gap | None, other: Row | Gap | None, sides: Sides) -> str:
    if one is None or other is None:
        has, lacks = (sides.one, sides.other) if other is None else (sides.other, sides.one)
        item = one or other
        assert item is not None
        return f"entry {seq}: {has} {_what(item)}, {lacks} no such thing"
    if isinstance(one, Row) and isinstance(other, Row):
        return f"entry {seq} ({_name(one)}): {_changes(one, other, sides)}"
    return f"entry {seq}: {sides.one} {_what(one)}, {sides.other} {_what(other)}"


def _what(item: Row | Gap) -> str:
    if isinstance(item, Gap):
        return f"a gap from {item.first} to {item.last} ({_short(item.reason)})"
    return f"an entry ({_name(item)})"


def _name(row: Row) -> str:
    """The kind, and what it is about, in a few words."""
    body = _body(row)
    if isinstance(body, dict):
        if body.get("kind") == "blob":
            return f"part {body.get('part', 0)} of photo {str(body.get('sha256', ''))[:12]}"
        about = body.get("instrument") or body.get("name") or body.get("id") or body.get("about") or ""
        if body.get("kind") in ("frame", "introduced", "instrument") and about:
            return f"{body['kind']} of {about}"
        return f"{row.kind} {about}".strip()
    return str(row.kind)


def _body(row: Row) -> Any:
    try:
        return msgspec.json.decode(row.body)
    except (msgspec.DecodeError, TypeError, ValueError, RecursionError):
        return None


def _changes(one: Row, other: Row, sides: Sides) -> str:
    changes: list[tuple[str, str, str]] = []
    if _name(one) != _name(other):
        return f"{sides.one} {_what(one)}, {sides.other} {_what(other)}"
    if one.kind != other.kind:
        changes.append(("kind ", str(one.kind), str(other.kind)))
    if one.t != other.t:
        changes.append(("visit time ", _seconds(one.t), _seconds(other.t)))
    if one.body != other.body:
        changes += _changed_body(one, other)
    named = [f"{sides.one} {what}{a}, {sides.other} {b}" for what, a, b in changes[:_MOST_FIELDS]]
    more = len(changes) - _MOST_FIELDS
    return "; ".join(named) + (f"; and {more} more of its fields" if more > 0 else "")


def _seconds(t: Any) -> str:
    return f"{t / _NS:.3f} s" if isinstance(t, int) else repr(t)


def _changed_body(one: Row, other: Row) -> list[tuple[str, str, str]]:
    first, second = _body(one), _body(other)
    if not (isinstance(first, dict) and isinstance(second, dict)):
        return [("", "what can be read" if isinstance(first, dict) else "what cannot be read", "something unreadable")]
    if first == second:
        return [("", "the same words", "them in other bytes")]
    if first.get("kind") == second.get("kind") == "frame":
        return _changed_frame(one, other, first, second)
    return list(_leaves("", first, second))


def _changed_frame(one: Row, other: Row, first: Any, second: Any) -> list[tuple[str, str, str]]:
    """Values of a frame with their units, by channel."""
    try:
        mine, yours = e.decode(one.body), e.decode(other.body)
    except e.EntryError:
        return list(_leaves("", first, second))
    if not (isinstance(mine, e.Framed) and isinstance(yours, e.Framed)):
        return list(_leaves("", first, second))
    found = []
    before = {sample.channel: sample for sample in mine.samples}
    after = {sample.channel: sample for sample in yours.samples}
    for channel in {**before, **after}:
        a, b = before.get(channel), after.get(channel)
        if a != b:
            found.append((f"{channel} ", _sample(a), _sample(b)))
    first = {key: value for key, value in first.items() if key != "samples"}
    second = {key: value for key, value in second.items() if key != "samples"}
    return found + list(_leaves("", first, second))


def _sample(sample: Any) -> str:
    if sample is None:
        return "no value"
    value = "no value" if sample.value is None else f"{sample.value!r} {sample.unit}".strip()
    return f"{value} ({sample.flag})" if sample.flag else value


def _leaves(path: str, one: Any, other: Any, depth: int = 0) -> Iterator[tuple[str, str, str]]:
    if depth < _MOST_DEPTH and isinstance(one, dict) and isinstance(other, dict):
        for key in {**one, **other}:
            if one.get(key) != other.get(key):
                yield from _leaves(f"{path}.{key}" if path else str(key), one.get(key), other.get(key), depth + 1)
    elif depth < _MOST_DEPTH and isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for n, (a, b) in enumerate(zip(one, other, strict=True)):
            if a != b:
                yield from _leaves(f"{path}[{n}]", a, b, depth + 1)
    else:
        name = f"{path} " if path else ""
        if path in ("raw", "data"):
            yield name, "some bytes", "others"
        else:
            yield name, _short(one), _short(other)


def _short(value: Any) -> str:
    if value is None:
        return "nothing"
    text = value if isinstance(value, str) else msgspec.json.encode(value).decode()
    text = " ".join(text.split()) or '""'
    return text if len(text) <= _MOST_LETTERS else text[: _MOST_LETTERS - 1] + "…"
