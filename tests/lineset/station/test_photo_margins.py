"""The margins of photos: place, time and device go, the picture stays as it is and the right way up."""

from __future__ import annotations

import base64
import hashlib
import struct
import zlib
from pathlib import Path

import pytest
from cli_process import said
from hypothesis import given
from hypothesis import strategies as st
from station_rig import bodies, hearing, station, station_text, visit_journal

from lineset.station.photo_margins import without_margins

# sixteen by eight points, half red and half blue, as a browser's canvas writes them; the colour profiles taken out
JPEG = base64.b64decode(
    "/9j/4AAQSkZJRgABAQAAAQABAAD/2wBDABsSFBcUERsXFhceHBsgKEIrKCUlKFE6PTBCYFVlZF9VXVtqeJmBanGQc1tdhbWGkJ6jq62rZ4C8ybqm"
    "x5moq6T/2wBDARweHigjKE4rK06kbl1upKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKT/wAARCAAIABAD"
    "ASIAAhEBAxEB/8QAFQABAQAAAAAAAAAAAAAAAAAAAAT/xAAUEAEAAAAAAAAAAAAAAAAAAAAA/8QAFAEBAAAAAAAAAAAAAAAAAAAABP/EABgRAAID"
    "AAAAAAAAAAAAAAAAAAAFQoHB/9oADAMBAAIRAxEAPwCBCBiqdaPZRvD/2Q=="
)
PNG = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAABAAAAAICAYAAADwdn+XAAAAJ0lEQVR4AeyQoQ0AAAjDmv3/c/kABALDkqkmFY1g9wEblnsB3DcoAAAA//9LtzGO"
    "AAAABklEQVQDALr0H/FxgNKIAAAAAElFTkSuQmCC"
)
WEBP = base64.b64decode(
    "UklGRkwAAABXRUJQVlA4WAoAAAAAAAAADwAABwAAVlA4IC4AAABwAQCdASoQAAgABABoJaACdAFAAAD+7uR/lzH0K//xNnT31YP/oSY9//iYsgAA"
)
PLACE = b"12 Invented Street 38.8977N 77.0365W"


def exif(turned: int | None, order: str = "<") -> bytes:
    """Exif with a place, and how the picture is to be turned (TIFF 6.0, section 2: entries of twelve bytes)."""
    entries = [] if turned is None else [struct.pack(f"{order}HHIHH", 0x0112, 3, 1, turned, 0)]
    entries.append(struct.pack(f"{order}HHII", 0x010E, 2, len(PLACE), 60))
    head = (b"II" if order == "<" else b"MM") + struct.pack(f"{order}HI", 42, 8)
    body = head + struct.pack(f"{order}H", len(entries)) + b"".join(entries) + bytes(4)
    return body.ljust(60, b"\0") + PLACE


def segment(marker: int, body: bytes) -> bytes:
    return bytes([0xFF, marker]) + struct.pack(">H", len(body) + 2) + body


def chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def riff(kind: bytes, body: bytes) -> bytes:
    return kind + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def full_jpeg(turned: int | None = None, order: str = "<") -> bytes:
    app0 = 2 + 2 + int.from_bytes(JPEG[4:6], "big")
    margins = segment(0xE1, b"Exif\0\0" + exif(turned, order)) + segment(0xE1, b"http://example.org/\0" + PLACE)
    margins += segment(0xED, PLACE) + segment(0xFE, PLACE) + segment(0xE2, b"MPF\0" + PLACE)
    return JPEG[:app0] + margins + JPEG[app0:] + JPEG[:2] + PLACE


def full_png() -> bytes:
    after_header = 8 + 25
    return (
        PNG[:after_header] + chunk(b"eXIf", exif(1)) + chunk(b"tEXt", b"Comment\0" + PLACE) + PNG[after_header:] + PLACE
    )


def full_webp() -> bytes:
    flagged = WEBP[:20] + bytes([WEBP[20] | 0x0C]) + WEBP[21:]
    body = flagged[12:] + riff(b"EXIF", exif(1)) + riff(b"XMP ", PLACE)
    return b"RIFF" + struct.pack("<I", len(body) + 4) + b"WEBP" + body


@pytest.mark.parametrize(
    ("full", "plain"),
    [(full_jpeg(), JPEG), (full_jpeg(1), JPEG), (full_png(), PNG), (full_webp(), WEBP)],
    ids=["jpeg", "jpeg upright", "png", "webp"],
)
def test_only_the_picture_is_left(full: bytes, plain: bytes) -> None:
    assert PLACE in full
    assert without_margins(full) == plain
    assert without_margins(plain) == plain


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("turned", [3, 6, 8])
def test_how_a_picture_is_turned_stays(turned: int, order: str) -> None:
    found = without_margins(full_jpeg(turned, order))
    assert PLACE not in found
    at = found.index(b"Exif\0\0MM\0*") + 6
    tag, kind, count, value = struct.unpack(">HHIH", found[at + 10 : at + 20])
    assert (tag, kind, count, value) == (0x0112, 3, 1, turned)
    assert found[: at - 10] + found[at - 10 + 36 :] == JPEG  # the segment's 36 bytes, and else the very picture
    assert without_margins(found) == found


@given(
    st.one_of(
        st.binary(max_size=60).flatmap(
            lambda tail: st.sampled_from([JPEG[:2], PNG[:8], WEBP[:12]]).map(lambda h: h + tail)
        ),
        st.sampled_from([full_jpeg(6), full_png(), full_webp()]).flatmap(
            lambda whole: st.integers(0, len(whole)).map(lambda at: whole[:at])
        ),
    )
)
def test_whatever_comes_it_ends_and_once_is_enough(photo: bytes) -> None:
    found = without_margins(photo)
    assert without_margins(found) == found
    assert len(found) <= len(photo)


async def test_the_verb_leaves_the_margins_out_and_the_station_refuses_them(tmp_path: Path) -> None:
    file = tmp_path / "nut.jpg"
    file.write_bytes(full_jpeg(6))
    async with station(tmp_path, station_text(tmp_path / "data")) as van, hearing(van) as ear:
        assert (await ear.command("visit-open", {"visit": "v-1", "systems": []}))["ok"]
        whole = full_png()
        args = {"sha256": hashlib.sha256(whole).hexdigest(), "media_type": "image/png", "size": len(whole), "part": 0}
        reply = await ear.command("blob", {**args, "parts": 1, "data": base64.b64encode(whole).decode()})
        assert not reply["ok"]
        assert "margins" in reply["text"]
        code, _, err = await said("observe", "oil", "--photo", str(file), "--at", str(tmp_path / "run"))
        assert (code, err) == (0, "")
    (kept,) = [body for _, body in bodies(visit_journal(tmp_path / "data", "v-1"), "blob")]
    assert base64.b64decode(kept["data"]) == without_margins(full_jpeg(6))
    for path in (tmp_path / "data").rglob("*journal*"):
        assert not path.is_file() or PLACE not in path.read_bytes()
