"""Instruments that send lines of text: cutting the stream into lines, checking each, and reading its channels.

A line is taken apart by a regular expression with named groups, or by a delimiter into columns. A meter with a
selector tells in the line what it measures: a channel whose group did not take part, or whose words in `when` do
not stand in the line, has no sample in it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence

import msgspec

from ..channel import Channel, Field
from ..errors import Damaged, Garbled, InstrumentError, ProfileError, Short, UnitError
from ..frame import Flag, Sample
from .checksums import crc16, sum8, xor8
from .event import Failure

CHECKSUMS: dict[str, tuple[Callable[[bytes], int], int]] = {
    "xor8-hex": (xor8, 2),
    "sum8-hex": (sum8, 2),
    "crc16-hex": (crc16, 4),
}
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_NOT_SET = frozenset(("", "-", "0", ".", "_"))  # how lines write a mark that is off
Place = str | int
"""Of a text in a line: the name of a group, or the number of a column (from 0)."""


class LineFramer:
    """Bytes in, whole lines out, without their terminator.

    The first piece after opening is dropped, since nobody knows where in a line it began. A line longer than
    `max_length` bytes is dropped whole and counted in `oversized`.
    """

    __slots__ = ("_buffer", "_drop_first", "_dropping", "first_dropped", "max_length", "oversized", "terminator")

    def __init__(self, terminator: bytes = b"\r\n", max_length: int = 200, *, drop_first: bool = True) -> None:
        if not terminator:
            raise ProfileError("a line needs a terminator", remedy='Use "\\r\\n", "\\n" or "\\r"', key="terminator")
        self.terminator = terminator
        self.max_length = max_length
        self.oversized = 0
        self._drop_first = drop_first
        self.reset()

    def reset(self) -> None:
        """Begin anew, as after opening the port. `oversized` goes on counting."""
        self._buffer = b""
        self._dropping = self._drop_first
        self.first_dropped = not self._drop_first

    def receive(self, data: bytes) -> list[bytes]:
        """The lines that `data` completes, oldest first."""
        pieces = (self._buffer + data).split(self.terminator)
        self._buffer = pieces.pop()
        lines = []
        for piece in pieces:
            if self._dropping:
                self._dropping, self.first_dropped = False, True
            elif len(piece) > self.max_length:
                self.oversized += 1
            else:
                lines.append(piece)
        # what is kept must still hold a terminator's beginning, or a cut through it would be missed
        limit = self.max_length + len(self.terminator)
        if len(self._buffer) > limit:
            if not self._dropping:
                self.oversized += 1
                self._dropping = True
            self._buffer = self._buffer[-len(self.terminator) :]
        return lines


def strip_checksum(line: bytes, kind: str, *, where: str = "") -> bytes:
    """The line without its checksum, which must be right.

    Written as in NMEA 0183 sentences: after the last "*", in hex digits of either case, and computed over what
    stands between a leading "$" or "!" (if any) and the "*". Kinds: "none", "xor8-hex", "sum8-hex" (two digits) and
    "crc16-hex" (four digits, the CRC of Modbus). Raises Damaged when it is wrong, Garbled when there is none.
    """
    if kind == "none":
        return line
    compute, digits = CHECKSUMS[kind]
    body, star, told = line.rstrip(b" \r").rpartition(b"*")
    if not star:
        raise Garbled(
            where or "line stream",
            f"{_shown(line)} has no checksum",
            remedy="Check that the profile fits this instrument, and its speed",
        )
    if len(told) == digits:
        try:
            right = int(told, 16) == compute(body[1:] if body[:1] in (b"$", b"!") else body)
        except ValueError:
            right = False
        if right and told.isalnum():
            return body
    raise Damaged(
        where or "line stream",
        f"the checksum of {_shown(line)} does not match",
        remedy="The line is dropped; keep the cable away from compressor and fan wires",
    )


def append_checksum(body: bytes, kind: str) -> bytes:
    """`body` with its checksum: the inverse of `strip_checksum`."""
    if kind == "none":
        return body
    compute, digits = CHECKSUMS[kind]
    value = compute(body[1:] if body[:1] in (b"$", b"!") else body)
    return body + b"*%0*X" % (digits, value)


def _shown(line: bytes) -> str:
    text = line.decode("ascii", "backslashreplace")
    return repr(text if len(text) <= 60 else text[:57] + "...")


class Line(msgspec.Struct, frozen=True):
    """One line that was understood: its samples (none while the meter measures what no channel wants).

    `marks` are the named groups that belong to no channel, such as "battery_low", with True where the mark is set.
    """

    samples: tuple[Sample, ...]
    raw: bytes
    marks: Mapping[str, bool] = {}


class Pattern:
    """How to read one instrument's lines; made once from its profile.

    - `pattern` (a regular expression that must match the whole line) or `delimiter` (columns, blanks around cut off).
    - `when`: channel name -> {place: words}; the channel has a sample only in lines with one of the words there.
    - `units`: words for units on the wire -> unit symbols, where a meter writes its own.
    - A group called "held" (or the column `held`) marks readings that the display holds still: flag `held`.
    - Overload words ("OL") are codes of the channels.

    Raises ProfileError when neither or both are given, or when a channel's place does not exist.
    """

    def __init__(
        self,
        channels: Iterable[Channel],
        *,
        pattern: str = "",
        delimiter: str = "",
        checksum: str = "none",
        when: Mapping[str, Mapping[Place, Sequence[str]]] | None = None,
        units: Mapping[str, str] | None = None,
        held: Place = "held",
        where: str = "",
    ) -> None:
        if bool(pattern) == bool(delimiter):
            raise ProfileError(
                "a line is taken apart by a pattern or by a delimiter", remedy="Give one of them", key="pattern"
            )
        if checksum != "none" and checksum not in CHECKSUMS:
            raise ProfileError(
                f"unknown checksum {checksum!r}", remedy=f"Use none, {', '.join(CHECKSUMS)}", key="checksum"
            )
        try:
            self._regex = re.compile(pattern) if pattern else None
        except re.error as error:
            raise ProfileError(f"not a regular expression: {error}", remedy="Correct it", key="pattern") from error
        self._delimiter = delimiter
        self._checksum = checksum
        self._units = dict(units or {})
        self._where = where or "line stream"
        self._least = 1  # columns
        when = when or {}
        self._rows: list[tuple[Channel, Place, Place | None, tuple[tuple[Place, frozenset[str]], ...]]] = []
        for channel in channels:
            self._rows.append(self._row(channel, when.get(channel.name, {})))
        groups = self._regex.groupindex if self._regex is not None else {}
        self._held: Place | None = held if held in groups or (isinstance(held, int) and self._regex is None) else None
        used = {place for row in self._rows for place in (row[1], row[2], *(p for p, _ in row[3]))}
        self._marks = tuple(name for name in groups if name not in used and name != self._held)

    def _row(
        self, channel: Channel, when: Mapping[Place, Sequence[str]]
    ) -> tuple[Channel, Place, Place | None, tuple[tuple[Place, frozenset[str]], ...]]:
        field = channel.where
        if not isinstance(field, Field):
            raise ProfileError(
                f"channel {channel.name!r} stands nowhere in the line", remedy="Give group or column", key="group"
            )
        place: Place = field.group or (field.column if field.column is not None else "")
        unit_place = field.unit_group or None
        for wanted in (place, *((unit_place,) if unit_place else ()), *when):
            self._check(channel, wanted)
        return channel, place, unit_place, tuple((p, frozenset(words)) for p, words in when.items())

    def _check(self, channel: Channel, place: Place) -> None:
        if self._regex is not None and place not in self._regex.groupindex:
            raise ProfileError(
                f"channel {channel.name!r}: the pattern has no group {place!r}",
                remedy=f"It has {', '.join(self._regex.groupindex) or 'none; write (?P<name>...)'}",
                key="group",
            )
        if self._regex is None:
            if not isinstance(place, int) or place < 0:
                raise ProfileError(
                    f"channel {channel.name!r}: {place!r} is not a column", remedy="Count columns from 0", key="column"
                )
            self._least = max(self._least, place + 1)

    def parse(self, line: bytes) -> Line:
        """What one line (without terminator) says.

        Raises Damaged (checksum), Short (columns missing), Garbled (not of this pattern, no number, unknown unit).
        """
        body = strip_checksum(line, self._checksum, where=self._where)
        try:
            text = body.decode("ascii")
        except UnicodeDecodeError:
            raise self._garbled(line, "is not plain text") from None
        parts: Mapping[Place, str | None]
        if self._regex is not None:
            match = self._regex.fullmatch(text)
            if match is None:
                raise self._garbled(line, "does not fit the pattern")
            parts = match.groupdict()  # type: ignore[assignment]  # a dict of str is one of str | int to a reader
        else:
            columns = text.split(self._delimiter)
            if len(columns) < self._least:
                raise Short(
                    self._where,
                    f"{_shown(line)} has {len(columns)} of {self._least} columns",
                    remedy="Nothing of it is used; check that the profile fits this instrument",
                )
            parts = {number: column.strip() for number, column in enumerate(columns)}
        held = self._held is not None and (parts.get(self._held) or "").strip() not in _NOT_SET
        samples = []
        for channel, place, unit_place, when in self._rows:
            if when and not all(parts[p] in words for p, words in when):
                continue
            raw = parts[place]
            if raw is None:
                continue
            sample = self._sample(line, channel, raw.strip(), parts[unit_place] if unit_place is not None else None)
            if held and sample.flag == Flag.OK:
                sample = Sample(sample.channel, sample.value, sample.unit, Flag.HELD)
            samples.append(sample)
        marks = {name: (parts[name] or "").strip() not in _NOT_SET for name in self._marks}
        return Line(tuple(samples), line, marks)

    def _sample(self, line: bytes, channel: Channel, raw: str, unit: str | None) -> Sample:
        if raw in channel.codes:
            return channel.sample(raw)
        if not _NUMBER.fullmatch(raw):
            raise self._garbled(line, f"has {raw!r} where {channel.name} is to be a number")
        unit = (unit or "").strip()
        try:
            return channel.sample(float(raw), self._units.get(unit, unit))
        except UnitError as error:
            raise self._garbled(line, f"has a unit that {channel.name} cannot be in: {error}") from error

    def _garbled(self, line: bytes, problem: str) -> Garbled:
        return Garbled(
            self._where,
            f"{_shown(line)} {problem}",
            remedy="Nothing of it is used; check that the profile fits this instrument, and its speed",
        )


class LineStream:
    """A framer and a pattern: bytes in, `Line` and `Failure` out. Empty lines say nothing and are passed over."""

    __slots__ = ("framer", "pattern")

    def __init__(self, framer: LineFramer, pattern: Pattern) -> None:
        self.framer, self.pattern = framer, pattern

    def receive(self, data: bytes) -> list[Line | Failure[None]]:
        """The events of the lines that `data` completes, oldest first."""
        events: list[Line | Failure[None]] = []
        for line in self.framer.receive(data):
            if not line.strip():
                continue
            try:
                events.append(self.pattern.parse(line))
            except InstrumentError as error:
                events.append(Failure(None, error, line))
        return events
