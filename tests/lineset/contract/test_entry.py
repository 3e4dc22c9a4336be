"""Journal entries: every body there and back, plain JSON, complete lists of kinds, clear words for what is none."""

from __future__ import annotations

import base64
import json
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lineset.contract import entry as e
from lineset.equipment.system import SystemRecord
from lineset_drivers.frame import Sample

INPUTS = e.InputBody.__args__
OUTPUTS = e.OutputBody.__args__
CHANNEL = e.ChannelRecord(
    name="low",
    quantity="pressure_gauge",
    unit="psig",
    reading_pct=0.5,
    absolute=1.0,
    counts=2.0,
    resolution=0.1,
    low=-14.7,
    high=500.0,
    response_s=0.3,
    calibration=e.Calibration(gain=1.001, offset=-20.0, u=50.0, due="2027-03-01", source="certificate 17"),
)
BODIES: tuple[e.AnyBody, ...] = (
    e.Opened(
        station="van", visit="v1", phase="before", wall_ns=1_790_000_000_123_456_789, version="0.1.0", fingerprint="f",
        systems=(SystemRecord(id="main", refrigerant="R-410A", altitude_m=120.0),), curves={"R-410A": "00ff"},
        config={"text": "a = 1", "nested": [1, 2.5, None, True, {"x": "y"}]}, by="anyone",
    ),
    e.Introduced(
        instrument="gauges", profile="p", profile_sha256="ab", profile_text="[x]\n", origin="instrument",
        stale_after_s=3.5, channels=(CHANNEL,),
    ),
    e.Framed(
        instrument="gauges", raw=bytes(range(256)),
        samples=(Sample("low", 118.2, "psig"), Sample("high", None, "psig", "over_range")),
    ),
    e.Entered(
        instrument="eye", system="main", point="vapor_service_pressure", value=8.1e5, half_width=1e4, resolution=6894.8,
        text="118 psig ± 1,5 „typed“ µΩ°", by="anyone",
    ),
    e.Placed(instrument="gauges", channel="low", system="main", point="vapor_service_pressure", by="x", supersedes=7),
    e.Hunting(
        system="main", phase="before", name="total_superheat", state="ended", amplitude=1.25, period_s=90.5, mean=5.5,
        unit="K", reason="it no longer swings",
    ),
    e.Phased(phase="after", by="x"),
    e.Declared(system="main", fact="panels_on", value=False, by="x"),
    e.Declared(system="main", fact="panels_on", value=None),
    e.RefrigerantHandled(
        system="main", action="added", certified="certificate 7", mass_kg=0.17, text="6 oz", note="n", by="x"
    ),
    e.InstrumentChanged(
        instrument="gauges", state="lost", reason="unplugged", identity="17", identity_weak=True, link="serial:a",
        battery=88.5,
    ),
    e.Tick(),
    e.WallClock(wall_ns=1, step_ns=-5),
    e.Resumed(gap_ns=10, wall_ns=2, how="boot_time", version="0"),
    e.Overrun(instrument="clamp", loss="stream_dropped", count=12),
    e.Noted(text="the panel was open", by="x"),
    e.Recalled(
        system="main", visit="v0", date="2026-05-02", journal="ab", head="cd", phase="after", sound=True, reason="r",
        values={"outdoor_air_temperature": (29.3, 0.31)},
    ),
    e.Commanded(
        request="r", verb="place", args={"a": [1]}, actor="x", ok=False, answer="no", data={"b": 2}, expires=3.5
    ),
    e.Closed(by="x", reason="done"),
    e.Settled(
        system="main", phase="before", name="subcooling", value=5.5, unit="K", u=0.3, low=4.9, high=6.1, window_s=90.0,
        samples=180, slope=-1e-4, instrument="i", channel="c", origin="derived", run="running", run_s=900.0,
        inputs={"liquid_line_temperature": 35.0},
    ),
    e.Unsettled(system="main", phase="before", name="subcooling", reason="it is drifting"),
    e.TooCoarse(system="main", name="power", instrument="i", channel="c", reason="r"),
    e.RunChanged(
        system="main", state="running", mode="cool", evidence={"power": "yes"}, previous="stopped", previous_s=1.5
    ),
    e.QualityChanged(system="main", name="power", quality="stale", reason="r", instrument="i", channel="c"),
    e.Derived(system="main", values={"subcooling": (5.5, 0.3)}),
    e.Finding(system="s1", phase="before", id="low_indoor_airflow", title="Too little air", state="open", rank=1),
    e.Checked(
        system="main", phase="after", name="subcooling", title="subcooling", state="pass", reason="r", finding="inside",
        value=5.5, unit="K", u=0.3, target=5.6, target_u=0.1, low=3.9, high=7.2, probability=0.99, rule="simple",
        source="s", basis="published", unmet=("a",), assumed=("b", "c"), would_decide="d", proved=("e",), caution="f",
        run="running", run_s=900.0,
    ),
    e.Marked(system="main", task="wash", state="skipped", note="rain", by="anyone"),
    e.Observed(
        system="main", about="capacitor", sign="bulged", text="„bulged“", photo="ab" * 32, urgency="now", by="anyone"
    ),
    e.Blob(sha256="ab" * 32, media_type="image/jpeg", size=512, part=1, parts=2, data=bytes(range(256))),
    e.Amended(record=SystemRecord(id="main", refrigerant="R-410A", title="t"), keys=("title",), by="anyone"),
    e.Answered(question="q-1", answer="released", by="anyone"),
    e.Compared(
        how="zero", phase="at_rest", instrument="i", channel="c", quantity="pressure_gauge", unit="Pa", offset=-1.5,
        u=0.5, against="atmosphere", applied=False, reason="r",
    ),
    e.Questioned(
        id="q-1", state="open", system="main", about="placement", text="which wire?",
        choices=(e.Choice(id="released", text="off"),), instrument="i", channel="c", proposal="power", reason="r",
        answer="released",
    ),
    e.Cued(
        n=3, sort="settled", key="settled", text="Ha llegado", language="es", words={"what": "x"}, system="main",
        about="power", repeat=True,
    ),
)  # fmt: skip


def test_there_is_an_example_of_every_kind() -> None:
    assert {type(body) for body in BODIES} == {*INPUTS, *OUTPUTS}


@pytest.mark.parametrize("body", BODIES, ids=e.kind_of)
def test_there_and_back(body: e.AnyBody) -> None:
    stored = e.encode(body)
    assert e.decode(stored) == body
    assert e.encode(e.decode(stored)) == stored


@pytest.mark.parametrize("body", BODIES, ids=e.kind_of)
def test_it_is_plain_json_with_its_kind_that_anyone_can_read(body: e.AnyBody) -> None:
    told: dict[str, Any] = json.loads(e.encode(body))
    assert told.pop("kind") == e.kind_of(body)
    for key, value in told.items():
        if isinstance(getattr(body, key), bytes):
            assert base64.b64decode(value, validate=True) == getattr(body, key)
        elif isinstance(value, str | int | float | bool):
            assert value == getattr(body, key)
    defaults = {
        f.name: f.default for f in msgspec.structs.fields(body) if f.default is not msgspec.NODEFAULT
    }  # what is as usual is left out
    assert all(told[key] != defaults[key] for key in told if key in defaults)


def test_the_lists_of_kinds_are_complete_and_do_not_overlap() -> None:
    assert {cls.__struct_config__.tag for cls in INPUTS} == e.INPUT_KINDS
    assert {cls.__struct_config__.tag for cls in OUTPUTS} == e.OUTPUT_KINDS
    assert not e.INPUT_KINDS & e.OUTPUT_KINDS
    assert e.RECORD_KINDS <= e.INPUT_KINDS | e.OUTPUT_KINDS
    assert {"derived"} == e.OUTPUT_KINDS - e.RECORD_KINDS  # the one output that may leave before it is committed
    for body in BODIES:
        assert e.is_input(e.kind_of(body)) is isinstance(body, INPUTS)


@pytest.mark.parametrize(
    ("stored", "says"),
    [
        (b'{"kind":"horoscope"}', "horoscope"),
        (b'{"kind":"tick"', "truncated"),
        (b"", "truncated"),
        (b"\xff\xfe", "cannot be read"),
        (b"[]", "object"),
        (b'{"system":"main"}', "kind"),
        (b'{"kind":"phase"}', "phase"),
        (b'{"kind":"entered","instrument":"i","system":"s","point":"p","text":"t","value":null}', "value"),
        (b'{"kind":"frame","instrument":"i","raw":"***","samples":[]}', "raw"),
    ],
)
def test_what_is_no_entry_is_told_with_what_does_not_fit(stored: bytes, says: str) -> None:
    with pytest.raises(e.EntryError, match="newer version") as caught:
        e.decode(stored)
    assert says in str(caught.value)


def test_an_entry_of_a_newer_version_with_more_keys_can_still_be_read() -> None:
    assert e.decode(b'{"kind":"phase","phase":"work","weather":"rain"}') == e.Phased(phase="work")


@settings(max_examples=200, deadline=None)
@given(
    raw=st.binary(max_size=60),
    samples=st.lists(
        st.builds(
            Sample,
            st.text(max_size=8),
            st.none() | st.floats(allow_nan=False, allow_infinity=False),
            st.text(max_size=5),
            st.text(max_size=5),
        ),
        max_size=5,
    ),
)
def test_any_frame_comes_back_bit_for_bit(raw: bytes, samples: list[Sample]) -> None:
    body = e.Framed(instrument="i", raw=raw, samples=tuple(samples))
    back = e.decode(e.encode(body))
    assert back == body
    assert isinstance(back, e.Framed)
    assert [str(sample.value) for sample in back.samples] == [str(sample.value) for sample in samples]


@settings(max_examples=200, deadline=None)
@given(stored=st.binary(max_size=80) | st.text(max_size=80).map(str.encode))
def test_garbage_is_told_to_be_garbage_and_nothing_else_happens(stored: bytes) -> None:
    try:
        body = e.decode(stored)
    except e.EntryError:
        return
    assert e.kind_of(body) in e.INPUT_KINDS | e.OUTPUT_KINDS
