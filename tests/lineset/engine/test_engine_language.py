"""A visit in Spanish and SI: its sheet, its cues, questions and refusals hold no English and no customary unit."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

import pytest
from engine_entries import CLAMP, GAUGES, PIPES, POWER, WALL_NS, Bench

from lineset.contract import entry as e
from lineset.contract.worklist import WorklistItem
from lineset.engine.sheets import missing_of, sheet_of
from lineset.engine.springtime import worth_knowing
from lineset.equipment.language import sayer
from lineset.equipment.system import system_record
from lineset.visit.closing import missing_for_closing
from lineset.visit.phases import PHASES, SystemNow, missing_for

# Words that every English sentence of ours has one of, and that no Spanish one has.
_ENGLISH = re.compile(
    r"\b(the|and|of|is|are|it|its|has|have|with|for|that|this|not|put|take|look|wait|after|before|while|when|first|"
    r"settled|gauge|done|gauges? (go|stay|are)|air|line|coil|pressure|voltage|measure|then|what|more|about)\b",
    re.IGNORECASE,
)
_CUSTOMARY = re.compile(r"\b(degF|psig?|psia|inHg|in\.? ?w\.?c\.?|inH2O|cfm|BTU|Btu/h|ft/min|fpm)\b")
# ids of the bench's instruments and what the record's own command line is called
_OURS = re.compile(r"lineset \w+ \w+(?: --\w+ \w+)?|\b(gauges|pipes|power|clamp)(/\w+)?\b")
SYSTEM = system_record(
    {
        "id": "main",
        "refrigerant": "R-32",
        "metering_device": "txv",
        "nameplate": {"compressor_rla_a": 12.0, "subcooling_target_f": 9.0},
    }
)


def spanish(units: str = "si") -> Bench:
    bench = Bench()
    bench.push(
        e.Opened(
            station="s", visit="v", wall_ns=WALL_NS, version="0", fingerprint="test", systems=(SYSTEM,),
            phase="at_rest", config={"language": "es", "units": units, "cues": "chatty"},
        )
    )  # fmt: skip
    for instrument in (GAUGES, PIPES, POWER, CLAMP):
        bench.push(instrument)
    return bench.place_all()


def of_sheet(bench: Bench) -> Iterator[str]:
    state = bench.engine.state
    system = state.systems["main"]
    told = sheet_of(state, system)
    for item in told.items:
        yield from _of_item(item)
    yield from (told.next_sentence, *told.meanwhile, *told.missing, told.gauges.sentence)
    yield from missing_of(state, system)
    yield from worth_knowing(state, system)


def _of_item(item: WorklistItem) -> tuple[str, ...]:
    return item.title, item.sentence, item.why, item.caution, item.value


def said(outputs: Iterable[object]) -> Iterator[str]:
    for each in outputs:
        if isinstance(each, e.Cued):
            yield each.text
        elif isinstance(each, e.Questioned):
            yield from (each.text, each.reason, *(choice.text for choice in each.choices))


def _whole_visit(bench: Bench) -> list[str]:
    texts: list[str] = []
    cold = e.Entered(
        instrument="by-eye", system="main", point="outdoor_air_temperature", value=8.0, half_width=0.1, text="8"
    )
    bench.push(cold)
    bench.push(e.Declared(system="main", fact="winter_off"))
    for phase in PHASES:
        bench.push(e.Phased(phase=phase))
        texts += of_sheet(bench)
        if phase in ("before", "after"):
            bench.running(150)
        else:
            bench.standing(60)
        texts += of_sheet(bench)
        if phase == "work":
            bench.push(e.Marked(system="main", task="lock_out", state="begun"))
            bench.push(e.Marked(system="main", task="filter", state="skipped", note="-"))
            texts += of_sheet(bench)
            bench.push(e.Marked(system="main", task="lock_out", state="undone"))  # cues are silent while it is open
    bench.push(e.Closed())
    return [*texts, *said(e.decode(row[3]) for row in bench.rows)]


def test_a_whole_visit_in_spanish_and_si_says_no_english_word_and_no_customary_unit() -> None:
    texts = _whole_visit(spanish())
    assert any("estable" in each for each in texts)
    assert any(each.startswith("Precaución: R-32 es inflamable") for each in texts)
    assert any("kPa" in each for each in texts)
    assert any("degC" in each for each in texts)
    bare = [_OURS.sub("", each) for each in texts]
    assert [each for each in bare if _ENGLISH.search(each)] == []
    assert [each for each in texts if _CUSTOMARY.search(each)] == []


def test_the_same_visit_in_customary_units_says_them() -> None:
    texts = _whole_visit(spanish("customary"))
    assert any("psig" in each for each in texts)
    assert not any("kPa" in each for each in texts)


def test_a_question_about_a_clamp_is_asked_in_spanish() -> None:
    bench = spanish()
    bench.push(e.Phased(phase="before"))
    bench.push(
        e.Introduced(
            instrument="jaw", profile="p", profile_sha256="0", stale_after_s=5.0, roams=True,
            channels=(e.ChannelRecord(name="current", quantity="current", unit="A", absolute=0.05, resolution=0.01),),
        )
    )  # fmt: skip
    out: list[e.OutputBody] = []
    for value in (0.0, 0.3):
        for _ in range(40):
            bench.t_s += 0.5
            out += bench.frame("jaw", current=value)
    asked = [each for each in out if isinstance(each, e.Questioned) and each.state == "open"]
    assert asked
    assert asked[0].text.startswith("jaw lee ")
    assert "¿en qué conductor está?" in asked[0].text
    for text in (asked[0].reason, *(choice.text for choice in asked[0].choices)):
        assert not _ENGLISH.search(text), text


@pytest.mark.parametrize("to", PHASES[1:])
def test_refusals_are_spanish_but_for_the_command_that_answers_them(to: str) -> None:
    say = sayer("es")
    wanted = missing_for("at_rest", to, [SystemNow(id="main")], say)
    assert wanted
    for each in (*wanted, *missing_for_closing({"main": {}}, (), say)):
        assert not _ENGLISH.search(_OURS.sub("", each)), each
