"""What a camera writes into the margins of a photo, and how to leave it out: where and when it was taken, with what.

A photo goes to the shop, and the place in it is the customer's address. Only how the picture is to be turned stays, and
what its colours mean. Sans-IO. Sources: JPEG, ITU-T T.81 (1992), annex B; Exif 2.3, 4.5 (APP1, TIFF tag 0x0112); PNG,
ISO/IEC 15948, 5.3 and 11.3; WebP container, RFC 9649, 2.3 to 2.7.
"""

from __future__ import annotations

from collections.abc import Iterator

_JPEG, _PNG = b"\xff\xd8", b"\x89PNG\r\n\x1a\n"
_KEPT_APPS = frozenset({0xE0, 0xE2, 0xEE})  # JFIF, colour profile, colour transform
_COMMENT, _SCAN, _END = 0xFE, 0xDA, 0xD9
_PNG_MARGINS = frozenset({b"tEXt", b"zTXt", b"iTXt", b"eXIf", b"tIME"})
_WEBP_MARGINS = frozenset({b"EXIF", b"XMP "})
_WEBP_FLAGS = 0x08 | 0x04  # of VP8X: there is Exif, there is XMP
_TURNED = 0x0112


def without_margins(photo: bytes) -> bytes:
    """The same picture without what was noted beside it. Bytes that are no whole JPEG, PNG or WebP stay as they are."""
    try:
        if photo.startswith(_JPEG):
            return _jpeg(photo)
        if photo.startswith(_PNG):
            return _png(photo)
        if photo.startswith(b"RIFF") and photo[8:12] == b"WEBP":
            return _webp(photo)
    except (IndexError, ValueError):
        pass
    return photo


def _jpeg(photo: bytes) -> bytes:
    out, turned = [_JPEG], 1
    at = 2
    while True:
        if photo[at] != 0xFF:
            raise ValueError("no marker where one has to be")
        marker = photo[at + 1]
        if marker == 0xFF:  # a fill byte
            at += 1
            continue
        if marker == _END:
            out.append(photo[at : at + 2])  # what follows is another picture, with margins of its own
            break
        size = int.from_bytes(photo[at + 2 : at + 4], "big")
        after = at + 2 + size
        if size < 2 or after > len(photo):
            raise ValueError("a segment ends too early")
        segment = photo[at:after]
        if marker == 0xE1 and segment[4:10] == b"Exif\0\0":
            turned = _turned(segment[10:]) or turned
        if marker == _SCAN:
            after = _behind_scan(photo, after)
            segment = photo[at:after]
        of_a_program = 0xE0 <= marker <= 0xEF and marker not in _KEPT_APPS
        more_pictures = marker == 0xE2 and segment[4:8] == b"MPF\0"
        if not (of_a_program or more_pictures or marker == _COMMENT):
            out.append(segment)
        at = after
    if turned != 1:
        out.insert(2 if len(out) > 1 and out[1][1] == 0xE0 else 1, _only_turned(turned))
    return b"".join(out)


def _behind_scan(photo: bytes, at: int) -> int:
    """Where the coded data of a scan ends: at the next marker that is no stuffed byte and no restart."""
    while True:
        at = photo.index(b"\xff", at)
        following = photo[at + 1]
        if following == 0x00 or 0xD0 <= following <= 0xD7:
            at += 2
        elif following == 0xFF:
            at += 1
        else:
            return at


def _turned(tiff: bytes) -> int:
    """How the picture is to be turned, 1 to 8, by its Exif; 0 where that does not say."""
    order = {b"II": "little", b"MM": "big"}.get(tiff[:2])
    if order is None:
        return 0

    def number(at: int, size: int) -> int:
        return int.from_bytes(tiff[at : at + size], order)  # type: ignore[arg-type]

    first = number(4, 4)
    for n in range(min(number(first, 2), 512)):
        entry = first + 2 + 12 * n
        if number(entry, 2) == _TURNED:
            found = number(entry + 8, 2)
            return found if 1 <= found <= 8 else 0
    return 0


def _only_turned(turned: int) -> bytes:
    """An Exif segment that says nothing but how the picture is to be turned."""
    tiff = (
        b"MM\0*\0\0\0\x08\0\x01"
        + _TURNED.to_bytes(2, "big")
        + b"\0\x03\0\0\0\x01\0"
        + bytes([turned])
        + b"\0\0\0\0\0\0"
    )
    body = b"Exif\0\0" + tiff
    return b"\xff\xe1" + (len(body) + 2).to_bytes(2, "big") + body


def _png(photo: bytes) -> bytes:
    out, at = [_PNG], len(_PNG)
    while True:
        size, kind = int.from_bytes(photo[at : at + 4], "big"), photo[at + 4 : at + 8]
        after = at + 12 + size
        if len(kind) < 4 or after > len(photo):
            raise ValueError("a chunk ends too early")
        if kind not in _PNG_MARGINS:
            out.append(photo[at:after])
        if kind == b"IEND":
            return b"".join(out)
        at = after


def _webp(photo: bytes) -> bytes:
    body = b"".join(chunk for kind, chunk in _webp_chunks(photo) if kind not in _WEBP_MARGINS)
    return b"RIFF" + (len(body) + 4).to_bytes(4, "little") + b"WEBP" + body


def _webp_chunks(photo: bytes) -> Iterator[tuple[bytes, bytes]]:
    at, end = 12, 8 + int.from_bytes(photo[4:8], "little")
    if end > len(photo):
        raise ValueError("the file ends too early")
    while at < end:
        kind, size = photo[at : at + 4], int.from_bytes(photo[at + 4 : at + 8], "little")
        after = at + 8 + size + size % 2
        if after > end:
            raise ValueError("a chunk ends too early")
        chunk = photo[at:after]
        if kind == b"VP8X":
            chunk = chunk[:8] + bytes([chunk[8] & ~_WEBP_FLAGS & 0xFF]) + chunk[9:]
        yield kind, chunk
        at = after
