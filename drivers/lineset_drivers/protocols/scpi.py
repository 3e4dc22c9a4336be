"""Instruments that are asked in words: IEEE 488.2 and SCPI-99, one query in flight, text or binary back.

Sources (from memory): IEEE 488.2, 8.7 (forms of response data), 11.5.1 (standard event status register);
SCPI-99 volume 1, 7.2.1 (9.9E37 is infinity, 9.91E37 not-a-number); volume 2, 21.8 (SYSTem:ERRor?).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Literal, NamedTuple

import msgspec

from ..channel import Channel, Query
from ..errors import Garbled, InstrumentError, ProfileError, Refused, Short, Silence
from ..frame import Flag, Sample
from .event import Failure
from .scpi_text import parse_number, response_end, split_elements

ErrorStyle = Literal["text", "esr", "syst-err"]
INQUIRY: dict[ErrorStyle, str] = {"text": "", "esr": "*ESR?", "syst-err": "SYST:ERR?"}
# IEEE 488.2, 11.5.1.1: bits of the standard event status register that tell an error
ESR_BITS = {32: "command error", 16: "execution error", 8: "device-dependent error", 4: "query error"}
LONGEST = 1 << 20  # bytes of one response: more is no answer of a meter
_ERROR_TEXT = re.compile(r"\s*(?:\*?\*?\s*ERR(?:OR)?\b.*|-\d+\s*,\s*\"(?!\s*no error).*\".*|\?\s*)", re.I | re.S)
_ERROR_QUEUE = re.compile(r"\s*([-+]?\d+)\s*(?:,\s*\"?(.*?)\"?\s*)?", re.S)
_CODE = re.compile(r"[-+]?\d+")


class Answer(msgspec.Struct, frozen=True):
    """The response to `query`: its text without the terminator (blocks as Latin-1), and all bytes of it."""

    query: str
    text: str
    raw: bytes

    @property
    def elements(self) -> tuple[str | bytes, ...]:
        """The data elements between commas and semicolons; strings unquoted, blocks as bytes."""
        return split_elements(self.text)


class Conversation:
    """The controller's side of one instrument.

    What the driver does: before each `ask`, read what the transport holds (give it to `receive`); if `quiet`, keep on
    giving bytes for about one time-out, then send what `quiet_over` returns, if anything. `ask`, send, give bytes to
    `receive` until it returns the event, or call `timed_out`.

    A response names no query, so after a time-out, and when text comes unasked, whatever comes is discarded until
    `quiet_over`. `errors` says how the instrument meets a query that it does not know: with a text in place of an
    answer ("text"), or with silence, after which its register ("esr") or its error queue ("syst-err") tells why. For
    the silent ones `timed_out` returns None, `quiet_over` returns the bytes that ask why, and the failure of the
    query follows from `receive` or from the second `timed_out`. Send "*CLS" after opening, or an older error is
    taken for the reason.
    """

    def __init__(
        self, *, terminator: str | bytes = b"\n", errors: ErrorStyle = "text", where: str = "instrument"
    ) -> None:
        self.terminator = terminator.encode("ascii") if isinstance(terminator, str) else terminator
        if errors not in INQUIRY:
            raise ProfileError(f"unknown error style {errors!r}", remedy=f"Use {', '.join(INQUIRY)}", key="errors")
        if self.terminator not in (b"\n", b"\r\n", b"\r"):
            raise ProfileError("unknown terminator", remedy='Use "\\n", "\\r\\n" or "\\r"', key="terminator")
        self.errors: ErrorStyle = errors
        self.where = where
        self.reset()

    def reset(self) -> None:
        """Begin anew, as after opening the port or connection."""
        self._buffer = bytearray()
        self._raw = b""
        self._asking_why = self._why_next = False
        self.query: str | None = None  # in flight; stays while the instrument is asked why it was silent
        self.quiet = False
        self.discarded = 0  # bytes that belonged to no query

    def ask(self, query: str) -> bytes:
        """The bytes to send for `query`, which must contain a question mark.

        Raises RuntimeError when a query is in flight or during the quiet period, ProfileError when it asks nothing.
        """
        if self.query is not None or self.quiet:
            state = "quiet" if self.quiet else "in flight"
            raise RuntimeError(f"cannot ask {query!r}: the conversation is {state}")
        if "?" not in query:
            raise ProfileError(f"{query!r} asks nothing", remedy="A query's header ends with ?", key="query")
        data = self.tell(query)
        self.query = query
        return data

    def tell(self, command: str) -> bytes:
        """The bytes to send for a command that gets no answer. Raises ProfileError when it cannot be sent."""
        if not command.isascii() or "\n" in command or "\r" in command or not command.strip():
            raise ProfileError(f"{command!r} cannot be sent", remedy="Use one line of plain text", key="query")
        return command.encode("ascii") + self.terminator

    def receive(self, data: bytes) -> list[Answer | Failure[str]]:
        """What the bytes complete: nothing yet, or the one event of the query in flight."""
        if self.query is None or self.quiet:
            self._discard(data)
            return []
        buffer = self._buffer
        buffer += data
        blank = len(buffer) - len(buffer.lstrip(b"\r\n "))
        if blank:  # the rest of a longer line ending than the profile says, or an empty line: no answer to anything
            self.discarded += blank
            del buffer[:blank]
        end = response_end(buffer, self.terminator)
        if end == 0 and len(buffer) <= LONGEST:
            return []
        if end <= 0 or end > LONGEST:
            self.quiet = True
            return [self._fail(self._garbled(f"{len(buffer)} bytes came that are no response"), bytes(buffer[:256]))]
        raw = bytes(buffer[:end])
        self._discard(buffer[end:])
        buffer.clear()
        text = raw[: end - len(self.terminator)].decode("latin-1").strip("\r\n ")
        if self._asking_why:
            return [self._fail(self._reason(text), self._raw + raw)]
        if self.errors == "text" and _ERROR_TEXT.fullmatch(text):
            return [self._fail(self._refused(_code(text), text), raw)]
        answer = Answer(self.query, text, raw)
        self.query = None
        return [answer]

    def _discard(self, data: bytes | bytearray) -> None:
        """Bytes that nobody asked for: text among them means that responses are late, and the next could be too."""
        self.discarded += len(data)
        self.quiet = self.quiet or bool(data.strip())

    def timed_out(self) -> Failure[str] | None:
        """The query in flight has run out of time; None while it is still to be found out why (see the class).

        Raises RuntimeError when nothing was asked.
        """
        if self.query is None or self.quiet:
            raise RuntimeError("nothing was asked, so nothing can be late")
        self.quiet = True
        raw = self._raw + bytes(self._buffer)
        came = len(self._buffer)
        if self.errors == "text" or self._asking_why or came:
            error: InstrumentError = self._silence()
            if came:
                error = self._garbled(f"{came} bytes came without an end")
            return self._fail(error, raw)
        self._raw = raw
        self._why_next = True
        return None

    def quiet_over(self) -> bytes:
        """The quiet period has passed. The bytes to send now (the question why), or b"" when `ask` may be called."""
        self.quiet = False
        if not self._why_next:
            return b""
        self._why_next, self._asking_why = False, True
        return self.tell(INQUIRY[self.errors])

    def _fail(self, error: InstrumentError, raw: bytes) -> Failure[str]:
        assert self.query is not None
        failure = Failure(self.query, error, raw)
        self.query, self._raw = None, b""
        self._buffer.clear()
        self._asking_why = self._why_next = False
        return failure

    def _reason(self, text: str) -> InstrumentError:
        """What the answer to the question why says."""
        if self.errors == "esr":
            bits = int(text) if text.lstrip("+").isdigit() else -1
            if not 0 <= bits <= 255:
                return self._garbled(f"asked why it was silent, it said {text[:60]!r}")
            names = [name for bit, name in ESR_BITS.items() if bits & bit]
            return self._refused(bits, ", ".join(names)) if names else self._silence("it reports no error")
        match = _ERROR_QUEUE.fullmatch(text)
        if match is None:
            return self._garbled(f"asked why it was silent, it said {text[:60]!r}")
        code = int(match[1])
        return self._refused(code, f"{code}, {match[2] or 'no text'}") if code else self._silence("it reports no error")

    def _refused(self, code: int, text: str) -> Refused:
        return Refused(
            self.where,
            f"refused {self.query}: {text.strip()[:100]}",
            code=code,
            remedy="Check that the profile fits this instrument, and what it is switched to",
        )

    def _silence(self, note: str = "") -> Silence:
        return Silence(
            self.where,
            f"no answer to {self.query}" + (f"; {note}" if note else ""),
            remedy="Check its power, cable and speed, and that it is not in local or menu mode",
        )

    def _garbled(self, problem: str) -> Garbled:
        return Garbled(
            self.where,
            f"asked {self.query}: {problem}",
            remedy="Check speed, parity and terminator, and that the profile fits this instrument",
        )


def _code(text: str) -> int:
    match = _CODE.search(text)
    return int(match[0]) if match else 0


class Ask(NamedTuple):
    """One query and the channels whose numbers its answer carries."""

    query: str
    channels: tuple[Channel, ...]

    def decode(self, answer: Answer, function: str | None = None) -> tuple[Sample, ...]:
        """The samples in `answer`; see `samples`."""
        return samples(self.channels, answer, function)


def plan_queries(channels: Iterable[Channel]) -> tuple[Ask, ...]:
    """Each query once, with all channels that stand in its answer, in the order of the channels.

    Raises ProfileError when a channel has no query.
    """
    asks: dict[str, list[Channel]] = {}
    for channel in channels:
        if not isinstance(channel.where, Query):
            raise ProfileError(f"channel {channel.name!r} has no query", remedy='Give query = "..."', key="query")
        asks.setdefault(channel.where.query, []).append(channel)
    return tuple(Ask(query, tuple(members)) for query, members in asks.items())


def samples(channels: Iterable[Channel], answer: Answer, function: str | None = None) -> tuple[Sample, ...]:
    """The samples of `channels` in one answer.

    `function` is the answer to the profile's function query: a channel with a function of its own takes part only
    while that matches, and with None not at all. Codes of the channel come first, then SCPI's own. Raises Short
    when the answer has too few elements, Garbled when one is no number.
    """
    elements = answer.elements
    found = []
    for channel in channels:
        where = channel.where
        assert isinstance(where, Query)
        if where.function and (function is None or not re.fullmatch(where.function, function.strip())):
            continue
        if where.column >= len(elements):
            raise Short(
                "instrument",
                f"{answer.query} gave {len(elements)} of {where.column + 1} numbers",
                remedy="Nothing of it is used; check that the profile fits this instrument",
            )
        found.append(_sample(channel, elements[where.column], answer))
    return tuple(found)


def _sample(channel: Channel, element: str | bytes, answer: Answer) -> Sample:
    if isinstance(element, str):
        if element in channel.codes:
            return channel.sample(element)
        number = parse_number(element)
        if number is not None:
            value, flag = number
            if value is not None and (flag == Flag.OK or value in channel.codes):
                return channel.sample(value)
            return Sample(channel.name, None, channel.unit, flag)
    raise Garbled(
        "instrument",
        f"{answer.query} gave {answer.text[:60]!r}, which has no number for {channel.name}",
        remedy="Check that the profile fits this instrument, and what it is switched to",
    )
