"""The catalogue of translations: complete fields, compiled as it stands, English where nothing is translated."""

from __future__ import annotations

import ast
import re
import runpy
from collections import Counter
from pathlib import Path

import pytest

from lineset.equipment.language import DOMAIN, FOLDER, LANGUAGES, all_words, sayer

_FIELD = re.compile(r"\{(\w+)\}")
_OTHERS = [each for each in LANGUAGES if each != "en"]


def written(file: Path) -> dict[str, str]:
    """What stands in a .po file; its header is the empty sentence."""
    found: dict[str, str] = {}
    key, part = "", ""
    for line in file.read_text(encoding="utf-8").splitlines():
        word, _, rest = line.partition(" ")
        if word in ("msgid", "msgstr"):
            part, text = word, ast.literal_eval(rest)
            key = text if part == "msgid" else key
            found |= {key: text} if part == "msgstr" else {}
        elif line.startswith('"'):
            text = ast.literal_eval(line)
            if part == "msgid":
                key += text
            else:
                found[key] += text
    return found


@pytest.mark.parametrize("language", _OTHERS)
def test_a_translation_has_the_fields_of_its_sentence_and_no_others(language: str) -> None:
    words = all_words(language)
    assert len(words) > 1000
    for sentence, translation in words.items():
        assert Counter(_FIELD.findall(translation)) == Counter(_FIELD.findall(sentence)), sentence


@pytest.mark.parametrize("language", _OTHERS)
def test_what_is_compiled_is_what_is_written(language: str) -> None:
    rows = written(FOLDER / language / "LC_MESSAGES" / f"{DOMAIN}.po")
    rows.pop("")
    assert all_words(language) == {key: value for key, value in rows.items() if value}, "compile it: ./.words"


@pytest.mark.parametrize("language", _OTHERS)
def test_a_translation_ends_as_its_sentence_does(language: str) -> None:
    for sentence, translation in all_words(language).items():
        if sentence[-1] in ".?!:" and " " in sentence:
            assert translation[-1] == sentence[-1], sentence
        assert translation == translation.strip() or sentence != sentence.strip(), sentence


def test_a_sentence_that_is_not_translated_stays_english() -> None:
    assert sayer("es")("No such sentence anywhere.") == "No such sentence anywhere."
    assert sayer("es")("") == ""
    assert sayer("xx")("The system stands still.") == "The system stands still."
    assert sayer("es")("The system stands still.") == "El sistema está parado."


@pytest.mark.parametrize("language", _OTHERS)
def test_every_sentence_is_translated_and_none_is_left_over(language: str) -> None:
    # the collector stands at the top of the checkout, without an ending
    collected = runpy.run_path(str(Path(__file__).parents[3] / ".words"))["collected"]()
    wanted = {str(each.id) for each in collected if each.id}
    assert len(wanted) > 1000
    held = set(all_words(language))
    missing, left_over = sorted(wanted - held), sorted(held - wanted)
    how = (
        f"run ./.words, give each its msgstr in {FOLDER.name}/{language}/LC_MESSAGES/{DOMAIN}.po by the glossary at "
        "its head, and run ./.words again to compile it"
    )
    assert not missing, f"{len(missing)} sentences have no translation into {language}: {missing[:5]}; {how}"
    assert not left_over, f"no code says these any more: {left_over[:5]}; run ./.words"
