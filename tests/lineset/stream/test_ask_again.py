"""Asking a station whose retained word a broker passes over the first time: it is looked for again."""

from __future__ import annotations

import asyncio
import json
import struct
from typing import Any

import pytest

from lineset.contract.topic import Topics
from lineset.stream import ask as asking
from lineset.stream.address import BrokerAddress
from lineset.stream.ask import ask

WAIT_S = 60.0
TOPICS = Topics("north", "van-3")
CONNECT, PUBLISH, SUBSCRIBE, DISCONNECT = 1, 3, 8, 14  # MQTT 3.1.1, table 2.1


def packet(kind: int, body: bytes) -> bytes:
    assert len(body) < 128 * 128
    length = bytes([len(body)]) if len(body) < 128 else bytes([len(body) % 128 | 0x80, len(body) // 128])
    return bytes([kind]) + length + body


def text(value: str) -> bytes:
    return struct.pack(">H", len(value)) + value.encode()


class HandBroker:
    """Bytes by hand: gives the station's retained word with a later SUBSCRIBE only, and answers a command itself."""

    def __init__(self, passes_over: int) -> None:
        self.passes_over = passes_over
        self.subscribed = 0  # to the station's topic
        self.commands: list[dict[str, Any]] = []

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while True:
                head = (await reader.readexactly(1))[0]
                length, shift = 0, 0
                while True:
                    byte = (await reader.readexactly(1))[0]
                    length |= (byte & 0x7F) << shift
                    shift += 7
                    if byte < 0x80:
                        break
                body = await reader.readexactly(length)
                if head >> 4 == DISCONNECT:
                    return
                writer.write(self.answer(head, body))
        except asyncio.IncompleteReadError:
            pass
        finally:
            writer.close()

    def answer(self, head: int, body: bytes) -> bytes:
        if head >> 4 == CONNECT:
            return packet(0x20, b"\0\0")
        if head >> 4 == SUBSCRIBE:
            filters = body.count(b"lineset/v1/")
            said = packet(0x90, body[:2] + b"\1" * filters)
            if text(TOPICS.station()) in body:
                self.subscribed += 1
                if self.subscribed > self.passes_over:
                    online = json.dumps({"t": 1.0, "online": True, "station": "van-3"}).encode()
                    said += packet(0x31, text(TOPICS.station()) + online)  # QoS 0, retained
            return said
        if head >> 4 == PUBLISH:
            size = struct.unpack_from(">H", body)[0]
            number, payload = body[2 + size : 4 + size], body[4 + size :]
            asked = json.loads(payload)
            self.commands.append(asked)
            reply = json.dumps({"request": asked["request"], "verb": "note", "ok": True, "text": "noted"}).encode()
            return packet(0x40, number) + packet(0x30, text(TOPICS.reply(asked["request"])) + reply)
        raise AssertionError(f"packet {head >> 4} is none that is asked for here")


@pytest.mark.parametrize("passes_over", [0, 1, 3])
async def test_the_stations_retained_word_is_looked_for_until_it_comes(
    passes_over: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(asking, "_AGAIN_S", 0.05)
    broker = HandBroker(passes_over)
    async with await asyncio.start_server(broker.serve, "127.0.0.1", 0) as server:
        port = server.sockets[0].getsockname()[1]
        address = BrokerAddress("127.0.0.1", port)
        reply = await ask(address, TOPICS, "note", {"text": "x"}, timeout_s=WAIT_S, request="button-1")
    assert (reply.ok, reply.text) == (True, "noted")
    assert broker.subscribed > passes_over
    assert {each["request"] for each in broker.commands} == {"button-1"}
