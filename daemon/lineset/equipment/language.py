"""Languages: sentences are written in English where they are used, whole, with named fields; others are looked up.

One gettext catalogue (`locale/`) serves cues, worklist, report and board. A sentence that the catalogue does not hold
stays English. The catalogue is part of the engine's fingerprint, since cues are on record in their words.
"""

from __future__ import annotations

import gettext
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Literal

Language = Literal["en", "es"]
LANGUAGES: tuple[Language, ...] = ("en", "es")
DOMAIN = "lineset"
FOLDER = Path(__file__).parent / "locale"

Say = Callable[[str], str]
"""A sentence or template in the language of the visit"""


@lru_cache(maxsize=4)
def catalogue(language: str) -> gettext.NullTranslations:
    """The translations into a language; none for English or one that we do not have."""
    if language == "en":
        return gettext.NullTranslations()
    return gettext.translation(DOMAIN, FOLDER, languages=[language], fallback=True)


def sayer(language: str) -> Say:
    """What turns our sentences into those of a language."""
    return _Sayer(catalogue(language))


class _Sayer:
    def __init__(self, found: gettext.NullTranslations) -> None:
        self._found = found

    def __call__(self, text: str) -> str:
        return self._found.gettext(text) if text else text  # gettext's "" is the catalogue's own header


def counted(count: int, thing: str, things: str = "") -> str:
    """ "1 visit", "2 visits": in English, for whoever looks after a machine; `things` where an s does not make it."""
    return f"{count} {thing if count == 1 else things or f'{thing}s'}"


def all_words(language: str) -> dict[str, str]:
    """Everything that the catalogue of a language holds, for a page; empty for English."""
    found = catalogue(language)
    held: dict[str, str] = getattr(found, "_catalog", {})
    return {key: value for key, value in held.items() if isinstance(key, str) and key and value}
