"""The photos of a visit with what was said about them, and observations as sentences."""

from __future__ import annotations

from collections.abc import Sequence

from lineset.contract import entry as e
from lineset.report import words_report as w
from lineset.report.document import Block, Photograph, Photos, Text
from lineset.report.told import ReportFacts
from lineset.report.written import Writing
from lineset.visit.observations import signs


def photographs(told: ReportFacts, writing: Writing) -> list[Photograph | Text]:
    """Every photo of the visit, in order; for one whose parts are not all on record a sentence."""
    blocks: list[Photograph | Text] = []
    shown: set[str] = set()
    for system in told.systems:
        for observed in system.facts.observations:
            photo = told.visit.photos.get(observed.body.photo)
            if photo is None or photo.sha256 in shown:
                continue
            shown.add(photo.sha256)
            about = seen_words(observed.body, writing) or writing.say(w.PHOTO_PLAIN)
            if not photo.whole or not photo.media_type.startswith("image/"):
                blocks.append(Text(f"{about} {writing.say(w.PHOTO_BROKEN)}", "small"))
                continue
            alt = writing.say(w.PHOTO_ALT).format(about=about)
            blocks.append(Photograph(photo.data, photo.media_type, alt, about, writing.say(w.PHOTO_BROKEN)))
    return blocks


def seen_words(body: e.Observed, writing: Writing) -> str:
    """An observation as a sentence: the quick one, and what the person wrote; empty where there is neither."""
    return sentence(seen_bare(body, writing))


def seen_bare(body: e.Observed, writing: Writing) -> str:
    """The same words without capital and full stop, to stand within a sentence."""
    sign = writing.say(signs()[body.sign].words) if body.sign in signs() else body.sign.replace("_", " ")
    return "; ".join(each for each in (sign, body.text) if each)


def shown(photos: Sequence[Photograph | Text]) -> list[Block]:
    """Photos side by side, then what is said of those that cannot be shown."""
    pictures = tuple(each for each in photos if isinstance(each, Photograph))
    return [*([Photos(pictures)] if pictures else []), *(each for each in photos if isinstance(each, Text))]


def sentence(text: str) -> str:
    """Words with a capital and a full stop."""
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")
