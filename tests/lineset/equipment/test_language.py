"""The catalogue of translations: complete fields, no stale sentences, English where nothing is translated."""

from __future__ import annotations

import re

import pytest

from lineset.equipment.language import LANGUAGES, all_words, sayer

_FIELD = re.compile(r"\{(\w+)\}")


@pytest.mark.parametrize("language", [each for each in LANGUAGES if each != "en"])
def test_a_translation_has_the_fields_of_its_sentence_and_no_others(language: str) -> None:
    words = all_words(language)
    assert words
    for sentence, translation in words.items():
        assert set(_FIELD.findall(translation)) <= set(_FIELD.findall(sentence)), sentence


def test_a_sentence_that_is_not_translated_stays_english() -> None:
    assert sayer("es")("No such sentence anywhere.") == "No such sentence anywhere."
    assert sayer("es")("") == ""
    assert sayer("xx")("The system stands still.") == "The system stands still."
    assert sayer("es")("The system stands still.") == "El sistema está parado."
