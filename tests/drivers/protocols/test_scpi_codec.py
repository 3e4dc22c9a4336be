"""SCPI: responses with strings and blocks, numbers that mean no number, and three ways not to know a query."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from wire_cuts import bytewise, cuts, feed, told

from lineset_drivers.channel import Channel, Field, Query
from lineset_drivers.errors import Garbled, InstrumentError, ProfileError, Refused, Short, Silence
from lineset_drivers.frame import Flag, Sample
from lineset_drivers.protocols import scpi
from lineset_drivers.protocols.event import Failure
from lineset_drivers.protocols.scpi import Answer, Conversation, plan_queries
from lineset_drivers.protocols.scpi_text import parse_number, split_elements
from lineset_drivers.quantity import Quantity

Feed = Callable[[bytes], list[bytes]]
WAYS: list[Feed] = [lambda data: [data], bytewise, lambda data: [data[:4], b"", data[4:]]]
ways = pytest.mark.parametrize("way", WAYS, ids=["whole", "bytewise", "in-two"])


def asked(query: str = "READ?", **how: Any) -> Conversation:
    talk = Conversation(where="tcp://127.0.0.1:5025", **how)
    talk.ask(query)
    return talk


@ways
@pytest.mark.parametrize("terminator", [b"\n", b"\r\n", b"\r"])
def test_answer(way: Feed, terminator: bytes) -> None:
    talk = Conversation(terminator=terminator)
    assert talk.ask("MEAS:VOLT:AC?") == b"MEAS:VOLT:AC?" + terminator
    (answer,) = feed(talk.receive, way(b"+1.2345E+02" + terminator))
    assert answer == Answer("MEAS:VOLT:AC?", "+1.2345E+02", b"+1.2345E+02" + terminator)
    assert not talk.quiet
    talk.ask("READ?")


@ways
def test_carriage_return_before_the_line_feed_is_no_text(way: Feed) -> None:
    (answer,) = feed(asked().receive, way(b"1.0\r\n"))
    assert answer.text == "1.0"


@ways
def test_empty_lines_answer_nothing(way: Feed) -> None:
    talk = asked(terminator="\r")  # the instrument ends its lines with CR LF and sends an empty one
    (answer,) = feed(talk.receive, way(b"1.0\r\n"))
    assert answer.text == "1.0"
    talk.receive(b"\n")
    assert not talk.quiet
    talk.ask("READ?")
    (answer,) = feed(talk.receive, way(b"\n\r\n2.0\r"))
    assert answer.text == "2.0"


@ways
def test_not_enough_yet(way: Feed) -> None:
    talk = asked()
    assert feed(talk.receive, way(b"+1.23")) == []
    failure = talk.timed_out()
    assert failure is not None
    assert type(failure.error) is Garbled
    assert failure.raw == b"+1.23"


@ways
def test_a_second_response_is_not_taken_for_the_next(way: Feed) -> None:
    talk = asked()
    events = feed(talk.receive, way(b"1.0\n2.0\n"))
    assert [e.text for e in events] == ["1.0"]
    assert talk.discarded == 4
    assert talk.quiet
    with pytest.raises(RuntimeError, match="quiet"):
        talk.ask("READ?")
    assert talk.quiet_over() == b""
    talk.ask("READ?")


def test_a_late_response_is_never_the_next_one() -> None:
    talk = asked("MEAS:CURR?")
    failure = talk.timed_out()
    assert failure is not None
    assert type(failure.error) is Silence
    assert talk.receive(b"1.0\n") == []
    assert talk.quiet_over() == b""
    talk.ask("MEAS:VOLT?")
    (answer,) = talk.receive(b"2.0\n")
    assert (answer.query, answer.text) == ("MEAS:VOLT?", "2.0")


@ways
@pytest.mark.parametrize(
    ("response", "elements"),
    [
        # IEEE 488.2, 8.7 (forms of response data), from memory
        (b"1,-2.5,3E3", ("1", "-2.5", "3E3")),
        (b'"a,b";"say ""hi"""', ("a,b", 'say "hi"')),
        (b"'it''s', 2", ("it's", "2")),
        (b"#15\x00\n,;\xff,7", (b"\x00\n,;\xff", "7")),
        (b"#216abcdefghijklmnop", (b"abcdefghijklmnop",)),
        (b"1;#13\n\n\n;2", ("1", b"\n\n\n", "2")),
        (b"#0\x01\x02\x03", (b"\x01\x02\x03",)),
        (b"#10", (b"",)),
        (b'"line\nfeed",1', ("line\nfeed", "1")),
        (b"#HFF,#Q17", ("#HFF", "#Q17")),
        (b'""', ("",)),
        (b"1,,2", ("1", "", "2")),
    ],
)
def test_elements(way: Feed, response: bytes, elements: tuple[str | bytes, ...]) -> None:
    (answer,) = feed(asked().receive, way(response + b"\n"))
    assert answer.raw == response + b"\n"
    # an indefinite block takes all up to the end of the message
    assert answer.elements == elements


@given(st.binary(max_size=300), st.data())
def test_blocks_of_any_content_arrive_whole_in_any_pieces(content: bytes, data: st.DataObject) -> None:
    size = str(len(content)).encode()
    response = b"#%d%s%s" % (len(size), size, content) + b"\n"
    (answer,) = feed(asked().receive, data.draw(cuts(response)))
    assert answer.raw == response
    if not content.endswith((b" ", b"\r", b"\n")):
        assert answer.elements == (content,)


@ways
def test_a_block_that_cannot_be_is_garbled(way: Feed) -> None:
    for response in (b"#Z12\n", b"#2xy\n"):
        talk = asked()
        (failure,) = feed(talk.receive, way(response))[:1]
        assert type(failure.error) is Garbled
        assert talk.quiet


def test_a_flood_without_an_end_is_garbled() -> None:
    talk = asked()
    events = feed(talk.receive, [b"\x00" * 65536] * 40)
    assert [type(e.error) for e in events] == [Garbled]
    assert len(events[0].raw) <= 256


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("+1.5", (1.5, Flag.OK)),
        ("-.5E-3", (-0.0005, Flag.OK)),
        ("12", (12.0, Flag.OK)),
        (" 3. ", (3.0, Flag.OK)),
        # SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5 (from memory; vendors' public manuals state the same values)
        ("9.9E37", (9.9e37, Flag.OVER_RANGE)),
        ("+9.90000000E+37", (9.9e37, Flag.OVER_RANGE)),
        ("-9.9E+37", (-9.9e37, Flag.UNDER_RANGE)),
        ("9.91E37", (9.91e37, Flag.INVALID)),
        ("INF", (None, Flag.OVER_RANGE)),
        ("NINF", (None, Flag.UNDER_RANGE)),
        ("NAN", (None, Flag.INVALID)),
        ("#HFF", (255.0, Flag.OK)),
        ("#q17", (15.0, Flag.OK)),
        ("#B101", (5.0, Flag.OK)),
        ("#B102", None),
        ("", None),
        ("1.2.3", None),
        ("1,5", None),
        ("nan ohm", None),
        ("0x10", None),
        ("1_0", None),
    ],
)
def test_numbers(text: str, number: tuple[float | None, Flag] | None) -> None:
    assert parse_number(text) == number


@given(st.floats(-9.8e37, 9.8e37))
def test_every_plain_number_is_read_back(value: float) -> None:
    assert parse_number(f"{value:+.17E}") == (value, Flag.OK)


@ways
@pytest.mark.parametrize(
    ("text", "code"),
    [(b"ERROR -200", -200), (b'-113,"Undefined header"', -113), (b"ERR", 0), (b"?", 0), (b"**ERROR: -113", -113)],
)
def test_errors_as_text(way: Feed, text: bytes, code: int) -> None:
    talk = asked(errors="text")
    (failure,) = feed(talk.receive, way(text + b"\n"))
    assert type(failure.error) is Refused
    assert failure.error.code == code
    assert "READ?" in str(failure.error)
    talk.ask("READ?")


@ways
def test_silence_then_the_event_status_register(way: Feed) -> None:
    # IEEE 488.2, 11.5.1.1 (from memory): bit 5 command error, bit 4 execution error, bit 7 power on
    for said, error, words in (
        (b"32\n", Refused, "command error"),
        (b"+48\n", Refused, "command error, execution error"),
        (b"128\n", Silence, "reports no error"),
        (b"0\n", Silence, "reports no error"),
        (b"1.5E+00\n", Garbled, "1.5E+00"),
        (b"300\n", Garbled, "300"),
    ):
        talk = asked("NONSENSE?", errors="esr")
        assert talk.timed_out() is None
        assert talk.receive(b"7.0\n") == []  # too late
        assert talk.quiet_over() == b"*ESR?\n"
        (failure,) = feed(talk.receive, way(said))
        assert failure.request == "NONSENSE?"
        assert type(failure.error) is error
        assert words in str(failure.error)
        talk.ask("READ?")


@ways
def test_silence_then_the_error_queue(way: Feed) -> None:
    for said, error, words in (
        (b'-113,"Undefined header"\n', Refused, "-113, Undefined header"),
        (b'+0,"No error"\n', Silence, "reports no error"),
        (b"-100\n", Refused, "-100"),
        (b"hello\n", Garbled, "hello"),
    ):
        talk = asked("NONSENSE?", errors="syst-err")
        assert talk.timed_out() is None
        assert talk.quiet_over() == b"SYST:ERR?\n"
        (failure,) = feed(talk.receive, way(said))
        assert type(failure.error) is error
        assert words in str(failure.error)
    assert isinstance(failure, Failure)


@pytest.mark.parametrize("errors", ["esr", "syst-err"])
def test_silence_even_when_asked_why(errors: str) -> None:
    talk = asked(errors=errors)
    assert talk.timed_out() is None
    talk.quiet_over()
    failure = talk.timed_out()
    assert failure is not None
    assert type(failure.error) is Silence
    assert failure.request == "READ?"
    assert talk.quiet_over() == b""
    talk.ask("READ?")


def test_one_query_at_a_time_and_only_queries() -> None:
    talk = asked()
    with pytest.raises(RuntimeError, match="in flight"):
        talk.ask("READ?")
    talk.reset()
    with pytest.raises(RuntimeError, match="nothing was asked"):
        talk.timed_out()
    with pytest.raises(ProfileError, match="asks nothing"):
        talk.ask("*RST")
    assert talk.tell("*CLS") == b"*CLS\n"
    for bad in ("a\nb", "", "Ω?"):
        with pytest.raises(ProfileError):
            talk.tell(bad)
    with pytest.raises(ProfileError):
        Conversation(errors="loud")  # type: ignore[arg-type]
    with pytest.raises(ProfileError):
        Conversation(terminator=";")


def channel(name: str, query: Query | Field, **more: object) -> Channel:
    return Channel(name=name, title=name, quantity=Quantity.VOLTAGE, unit="V", where=query, source="invented", **more)  # type: ignore[arg-type]


def answer(text: str) -> Answer:
    return Answer("FETC?", text, text.encode() + b"\n")


def test_channels_of_one_query_share_it() -> None:
    a, b, c = channel("a", Query("FETC?")), channel("b", Query("READ?")), channel("c", Query("FETC?", 1))
    first, second = plan_queries([a, b, c])
    assert (first.query, first.channels) == ("FETC?", (a, c))
    assert second.query == "READ?"
    assert first.decode(answer("1.5,-2")) == (Sample("a", 1.5, "V"), Sample("c", -2.0, "V"))
    with pytest.raises(Short, match="1 of 2 numbers"):
        first.decode(answer("1.5"))
    with pytest.raises(Garbled, match="no number for a"):
        first.decode(answer("volts,1"))
    with pytest.raises(ProfileError, match="has no query"):
        plan_queries([channel("x", Field("g"))])


def test_codes_of_scpi_and_of_the_channel() -> None:
    plain = channel("v", Query("FETC?"))
    own = channel("v", Query("FETC?"), codes={9.91e37: Flag.OVER_RANGE, 1e9: Flag.NOT_KNOWN, "OVLD": Flag.OVER_RANGE})
    assert scpi.samples([plain], answer("9.9E37")) == (Sample("v", None, "V", Flag.OVER_RANGE),)
    assert scpi.samples([plain], answer("-9.9E37")) == (Sample("v", None, "V", Flag.UNDER_RANGE),)
    assert scpi.samples([plain], answer("9.91E37")) == (Sample("v", None, "V", Flag.INVALID),)
    assert scpi.samples([plain], answer("NAN")) == (Sample("v", None, "V", Flag.INVALID),)
    assert scpi.samples([own], answer("9.91E37")) == (Sample("v", None, "V", Flag.OVER_RANGE),)
    assert scpi.samples([own], answer("1E9")) == (Sample("v", None, "V", Flag.NOT_KNOWN),)
    assert scpi.samples([own], answer("OVLD")) == (Sample("v", None, "V", Flag.OVER_RANGE),)


def test_the_meters_own_selector_decides() -> None:
    volts = channel("volts", Query("READ?", function=r'"?VOLT:AC\b.*'))
    amps = channel("amps", Query("READ?", function=r'"?CURR:AC\b.*'))
    both = [volts, amps]
    assert [s.channel for s in scpi.samples(both, answer("1"), '"VOLT:AC +1.0E+02,+1.0E-03"')] == ["volts"]
    assert [s.channel for s in scpi.samples(both, answer("1"), "CURR:AC")] == ["amps"]
    assert scpi.samples(both, answer("1"), "RES") == ()
    assert scpi.samples(both, answer("1")) == ()


pieces = st.one_of(
    st.binary(max_size=10),
    st.sampled_from([b"1.0\n", b'"a\nb"', b"#13abc", b"#0xx\n", b"\n", b",", b"'", b'-113,"x"\n', b"ERR\n", b"#91"]),
)


@given(st.lists(pieces, max_size=6).map(b"".join), st.data())
def test_events_do_not_depend_on_the_cuts_and_garbage_breaks_nothing(stream: bytes, data: st.DataObject) -> None:
    outcomes = []
    for way in ([stream], bytewise(stream), data.draw(cuts(stream))):
        talk = asked()
        events = feed(talk.receive, way)
        assert len(events) <= 1
        for event in events:
            assert isinstance(event, Answer) or isinstance(event.error, InstrumentError)
            if isinstance(event, Answer):
                split_elements(event.text)
        # of what cannot be a response, how much had come is told, and that depends on the cuts
        events = [(e.request, type(e.error)) if isinstance(e, Failure) else e for e in events]
        outcomes.append((told(events), talk.query))
        if talk.query is not None:
            talk.timed_out()
        if talk.quiet:
            talk.quiet_over()
        talk.ask("READ?")
        assert talk.receive(b"5\n")[0].text == "5"
    assert outcomes[0] == outcomes[1] == outcomes[2]
