"""What a person saw, by command: words, a quick observation, a photo.

A photo comes in parts, and only a whole one whose hash is right goes on record: all its parts in one transaction. Half
a photo is kept in memory alone, and has to be sent again after a restart.
"""

from __future__ import annotations

import hashlib
import re
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from lineset.contract import command as c
from lineset.contract import entry as e
from lineset.engine.state import EngineState, WantedState
from lineset.equipment.points import PointError, point
from lineset.journal.reader import JournalReader
from lineset.station.asked import Done, named_system, need_visit
from lineset.station.photo_margins import without_margins
from lineset.stream.command import CommandRefused
from lineset.visit.observations import URGENCIES, WANTS, UnknownSign, sign, signs

if TYPE_CHECKING:
    from lineset.station.daemon import Station

MAX_PART = 256 * 1024
"""Bytes of one part of a photo"""
MAX_PHOTO = 8 * 1024 * 1024
"""Bytes of a whole photo: a page scales it down before it sends it"""
MAX_WORDS = 4000
_MOST_UNFINISHED = 4
_HASH = re.compile(r"[0-9a-f]{64}")
_PART_NAME = re.compile(r"[a-z][a-z0-9_]{0,47}(\.[1-9][0-9]?)?")
MEDIA: dict[str, tuple[bytes, ...]] = {
    "image/jpeg": (b"\xff\xd8\xff",),
    "image/png": (b"\x89PNG\r\n\x1a\n",),
    "image/webp": (b"RIFF",),
}
"""Media type -> what a file of it begins with"""


@dataclass
class _Unfinished:
    media_type: str
    size: int
    parts: int
    found: dict[int, bytes] = field(default_factory=dict)


class Photos:
    """The photos of the open visit: those on record, and those of which parts are still to come."""

    def __init__(self) -> None:
        self._journal = Path()
        self._kept: set[str] = set()
        self._unfinished: OrderedDict[str, _Unfinished] = OrderedDict()

    def on_record(self, station: Station, sha256: str) -> bool:
        """Whether a photo is in the open visit's journal, whole."""
        self._turn_to(station)
        return sha256 in self._kept

    def _turn_to(self, station: Station) -> None:
        path = station.record.path
        if path == self._journal:
            return
        self._journal, self._kept = path, set()
        self._unfinished.clear()
        with JournalReader(path) as reader:
            for row in reader.rows(1, {"blob"}):
                body = e.decode(row.body)
                assert isinstance(body, e.Blob)
                self._kept.add(body.sha256)

    def take(self, station: Station, args: c.BlobPart) -> Done:
        """One part of a photo. Raises CommandRefused for what cannot be a photo."""
        need_visit(station)
        self._turn_to(station)
        _check(args)
        data: dict[str, object] = {"sha256": args.sha256, "part": args.part, "parts": args.parts}
        if args.sha256 in self._kept:
            return "this photo is on record already", data | {"complete": True}
        begun = self._unfinished.get(args.sha256)
        if begun is None:
            begun = _Unfinished(args.media_type, args.size, args.parts)
            self._unfinished[args.sha256] = begun
            if len(self._unfinished) > _MOST_UNFINISHED:
                self._unfinished.popitem(last=False)
        if (begun.media_type, begun.size, begun.parts) != (args.media_type, args.size, args.parts):
            del self._unfinished[args.sha256]
            raise CommandRefused("this part says something else of the photo than the parts before; send it anew")
        begun.found[args.part] = args.data
        missing = [n for n in range(begun.parts) if n not in begun.found]
        if missing:
            return f"part {args.part + 1} of {args.parts} taken", data | {"complete": False, "missing": missing}
        del self._unfinished[args.sha256]
        self._put_on_record(station, args, begun)
        return "photo taken", data | {"complete": True}

    def _put_on_record(self, station: Station, args: c.BlobPart, begun: _Unfinished) -> None:
        whole = b"".join(begun.found[n] for n in range(begun.parts))
        if len(whole) != begun.size:
            raise CommandRefused(f"the photo has {len(whole)} bytes, not {begun.size} as said; send it anew")
        if hashlib.sha256(whole).hexdigest() != args.sha256:
            raise CommandRefused("the photo's bytes do not have the hash that was said; send it anew")
        if not whole.startswith(MEDIA[begun.media_type]):
            raise CommandRefused(f"the photo is no {begun.media_type}, whatever it is called; send a JPEG, PNG or WebP")
        if without_margins(whole) != whole:
            raise CommandRefused(
                "the photo's margins tell where, when or with what it was taken; send it without them (the page and "
                "`lineset observe` do)"
            )
        for n in range(begun.parts):
            station.take(
                e.Blob(
                    sha256=args.sha256, media_type=begun.media_type, size=begun.size, part=n, parts=begun.parts,
                    data=begun.found[n],
                )
            )  # fmt: skip
        self._kept.add(args.sha256)


def _check(args: c.BlobPart) -> None:
    if not _HASH.fullmatch(args.sha256):
        raise CommandRefused("sha256 is 64 hex digits: the hash of the whole photo")
    if args.media_type not in MEDIA:
        raise CommandRefused(f"{args.media_type!r} is no photo that is taken; send one of {', '.join(MEDIA)}")
    if not 0 < args.size <= MAX_PHOTO:
        raise CommandRefused(
            f"a photo of {args.size} bytes is not taken; {MAX_PHOTO} at most: scale it down, 1600 pixels are plenty"
        )
    if len(args.data) > MAX_PART or not args.data:
        raise CommandRefused(f"a part has 1 to {MAX_PART} bytes, not {len(args.data)}; cut it smaller")
    if not 0 < args.parts <= -(-MAX_PHOTO // 1024) or not 0 <= args.part < args.parts:
        raise CommandRefused(f"part {args.part} of {args.parts} cannot be; parts count from 0")


def observe(station: Station, photos: Photos, args: c.Observe, actor: str) -> Done:
    """What a person saw goes on record."""
    need_visit(station)
    before = _withdrawn(station, args) if args.withdraws else None
    system = named_system(station, args.system or (before.system if before else ""))
    text = args.text.strip()
    if not (text or args.sign or args.photo or before):
        raise CommandRefused("say what was seen: words, a quick observation (`lineset observe --list`), or a photo")
    if len(text) > MAX_WORDS:
        raise CommandRefused(f"{len(text)} characters are more than the {MAX_WORDS} of one observation; split it")
    usual: tuple[str, ...] = ()
    about, urgency, title = args.about, args.urgency, ""
    if args.sign:
        try:
            row = sign(args.sign)
        except UnknownSign as error:
            raise CommandRefused(str(error)) from error
        about, urgency, title, usual = about or row.about, urgency or row.urgency, row.words, row.wants
    _check_about(about)
    if urgency and urgency not in URGENCIES:
        raise CommandRefused(f"no urgency is called {urgency!r}; they are {', '.join(URGENCIES)}")
    wants = usual if args.wants is None else tuple(want for want in WANTS if want in args.wants)
    unknown = [want for want in args.wants or () if want not in WANTS]
    if unknown:
        raise CommandRefused(f"nothing that is wanted is called {unknown[0]!r}; say {', '.join(WANTS)}")
    if args.photo and not photos.on_record(station, args.photo):
        raise CommandRefused("this photo is not on record, or not whole: send all its parts first, then observe")
    seen = args.sign
    if before is not None:
        about = about or before.about
        if wants:  # what is left of it is told as it was
            seen, urgency = seen or before.sign, urgency or before.urgency
    seq = station.take(
        e.Observed(
            system=system, about=about, sign=seen, text=text, photo=args.photo, urgency=urgency, wants=wants,
            withdraws=args.withdraws, by=actor,
        )
    )  # fmt: skip
    if before is not None:
        said = f"no longer wanted of the shop: what entry {before.seq} asked for ({asked_for(before)})"
    else:
        said = f"observed: {title or text or 'a photo'}"
    data: dict[str, object] = {"seq": seq, "system": system, "about": about, "urgency": urgency, "title": title}
    return "; ".join((said, *(WANTS[want] for want in wants))), data | {"wants": wants, "withdraws": args.withdraws}


def _withdrawn(station: Station, args: c.Observe) -> WantedState:
    """What the shop was asked for and is not any more. Raises CommandRefused where that entry asks for nothing."""
    known = station.record.engine.state.wanted
    found = next((each for each in known if each.seq == args.withdraws), None)
    if found is None:
        left = "; ".join(f"{each.seq}: {asked_for(each)}" for each in known) or "nothing"
        raise CommandRefused(f"entry {args.withdraws} wants nothing of the shop, or no longer. What is wanted: {left}")
    if args.system and args.system != found.system:
        raise CommandRefused(f"entry {found.seq} is about {found.system}, not {args.system}; leave the system out")
    return found


def asked_for(each: WantedState) -> str:
    """What is wanted and what for, in a few words: "part, approval: the capacitor's top is bulged"."""
    row = signs().get(each.sign)
    why = row.words if row else (each.sign or each.about).replace("_", " ") or "see what was written"
    return f"{', '.join(each.wants)}: {why}"


def still_wanted(state: EngineState) -> list[dict[str, object]]:
    """What the shop is asked for at this moment, with the number of the entry that says so."""
    return [
        {"seq": each.seq, "system": each.system, "wants": list(each.wants), "said": asked_for(each)}
        for each in state.wanted
    ]


def _check_about(about: str) -> None:
    if not about:
        return
    if not _PART_NAME.fullmatch(about):
        raise CommandRefused(f"{about!r} is no point, task or part: use a-z, 0-9 and _")
    if "." in about:
        try:
            point(about)
        except PointError as error:
            raise CommandRefused(str(error)) from error
