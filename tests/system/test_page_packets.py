"""The day sheet's own MQTT packets in a browser, against bytes by MQTT 3.1.1 and against our server's reading."""

from __future__ import annotations

from typing import Any

import pytest
from board_browser import NEEDS_CHROMIUM, browser

from lineset.shop.board_server import PAGE
from lineset.shop.connect_packet import Connect, read_connect

pytestmark = [pytest.mark.system, NEEDS_CHROMIUM]


def length(n: int) -> bytes:
    """Remaining length (MQTT 3.1.1, section 2.2.3)."""
    found = b""
    while True:
        n, low = divmod(n, 128)
        found += bytes([low | (0x80 if n else 0)])
        if not n:
            return found


def text(words: str) -> bytes:
    return len(words.encode()).to_bytes(2, "big") + words.encode()


def publish(topic: str, payload: bytes, first: int = 0x30) -> bytes:
    """PUBLISH at QoS 0 (section 3.3)."""
    return bytes([first]) + length(len(text(topic)) + len(payload)) + text(topic) + payload


# the remaining lengths at which one more byte is needed: section 2.2.3, table 2.4
SIZES = (0, 1, 127, 128, 16_383, 16_384, 70_000)
HEARD: list[tuple[bytes, dict[str, Any]]] = [
    (b"\x20\x02\x00\x00", {"code": 0}),  # CONNACK, section 3.2
    (b"\x20\x02\x00\x05", {"code": 5}),
    (b"\x90\x04\x00\x01\x00\x80", {}),  # SUBACK, section 3.9
    (b"\xb0\x02\x00\x02", {}),  # UNSUBACK, section 3.11
    (b"\xd0\x00", {}),  # PINGRESP, section 3.13
    (publish("a/ñ/b", '{"año": 1}'.encode(), 0x31), {"topic": "a/ñ/b", "payload": '{"año": 1}', "retained": True}),
    *(
        (publish("t", b"x" * max(0, size - 3)), {"topic": "t", "payload": "x" * max(0, size - 3), "retained": False})
        for size in SIZES
    ),
]
WRONG = {
    "a length of five bytes": b"\x30\xff\xff\xff\xff\x01",
    "a message at QoS 1": publish("t", b"\x00\x01x", 0x32),
    "a topic longer than its message": b"\x30\x03\x00\x09t",
    "a message without a topic": b"\x30\x00",
}
TAKE = """([bytes, size]) => { const packets = new its.Packets(); const found = [];
  const all = Uint8Array.from(bytes);
  for (let at = 0; at < all.length; at += size) found.push(...packets.take(all.slice(at, at + size)));
  return found; }"""


async def test_packets_are_those_of_the_standard_whichever_way_they_are_cut() -> None:
    module = (PAGE / "js" / "packets.js").read_text(encoding="utf-8").replace("export ", "")
    async with browser() as chromium:
        page = await chromium.new_page()
        names = "PING, Packets, connectPacket, subscribePacket, unsubscribePacket"
        await page.add_script_tag(content=f"{module}\nglobalThis.its = {{ {names} }};")

        async def made(call: str) -> bytes:
            return bytes(await page.evaluate(f"[...its.{call}]"))

        given = "{ clientId: 'sheet-ñ', username: 'page', password: 'clave', keepalive: 300 }"
        assert read_connect(await made(f"connectPacket({given})")) == Connect("sheet-ñ", 300, "clave", b"")
        filters = ["lineset/v1/north/+/visit/+", "ñ/" + "x" * 200]
        asked = b"".join(text(each) + b"\x00" for each in filters)
        assert await made(f"subscribePacket(258, {filters})") == b"\x82" + length(2 + len(asked)) + b"\x01\x02" + asked
        left = text("a/b")
        assert await made("unsubscribePacket(7, ['a/b'])") == b"\xa2" + length(2 + len(left)) + b"\x00\x07" + left
        assert await made("PING") == b"\xc0\x00"

        every = b"".join(packet for packet, _ in HEARD)
        for size in (len(every), 4093):
            assert await page.evaluate(TAKE, [list(every), size]) == [meaning for _, meaning in HEARD], size
        few = b"".join(packet for packet, _ in HEARD[:9])
        for size in (1, 2, 3, 7):
            assert await page.evaluate(TAKE, [list(few), size]) == [meaning for _, meaning in HEARD[:9]], size
        for what, packet in WRONG.items():
            assert await page.evaluate(
                "([bytes]) => { try { [...new its.Packets().take(Uint8Array.from(bytes))]; return false; }"
                " catch { return true; } }",
                [list(packet)],
            ), what
