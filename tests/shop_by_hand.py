"""A collector written by hand for tests of the uplink: knows JSON, base64, zlib and SHA-256, and no model of ours.

It takes blocks as `contract/transfer.py` and `journal/block.py` describe them in words, proves each hash and the chain,
keeps aside what is out of order, and answers every whole block with a retained receipt.
"""

from __future__ import annotations

import asyncio
import base64
import contextlib
import hashlib
import json
import struct
import time
import zlib
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiomqtt

from lineset.journal.block import BlockRule
from lineset.journal.file import JournalFile
from lineset.journal.reader import JournalReader
from lineset.journal.row import Gap, Row
from lineset.journal.seal import StationKey
from lineset.stream.address import BrokerAddress

WAIT_S = 60.0
BASE = "lineset/v1/north/van-3"


@dataclass
class Stored:
    """What the shop has of one visit."""

    journal: str = ""
    meta: dict[str, str] = field(default_factory=dict)
    data: list[bytes] = field(default_factory=list)  # the framed bytes of block 1, 2, ...
    heads: list[str] = field(default_factory=list)
    lasts: list[int] = field(default_factory=list)
    aside: dict[int, tuple[dict[str, Any], bytes]] = field(default_factory=dict)
    parts: dict[int, dict[int, bytes]] = field(default_factory=dict)
    seal: dict[str, Any] | None = None
    arrived: list[int] = field(default_factory=list)  # every whole block, as often as it came

    @property
    def framed(self) -> bytes:
        return b"".join(self.data)


class HandCollector:
    """`lose` says of a block's message whether it is not heard; `mute` answers nothing; `twist` changes receipts."""

    def __init__(self, address: Callable[[], BrokerAddress]) -> None:
        self._address = address
        self.visits: dict[str, Stored] = {}
        self.mute = False
        self.lose: Callable[[str, int, int], bool] = lambda visit, n, part: False
        self.twist: Callable[[dict[str, Any]], dict[str, Any] | None] = lambda receipt: receipt
        self.messages = 0
        self.bytes_most = 0
        self.sessions = 0
        self._news = asyncio.Condition()
        self._client: aiomqtt.Client | None = None

    def visit(self, name: str) -> Stored:
        return self.visits.setdefault(name, Stored())

    async def run(self) -> None:
        while True:
            address = self._address()
            whole = aiomqtt.Client(
                address.host, address.port, username=address.username or None, password=address.password or None,
                tls_context=address.tls_context(), identifier="hand-made-collector",
            )  # fmt: skip
            with contextlib.suppress(aiomqtt.MqttError):
                async with whole as client:
                    await client.subscribe("lineset/v1/north/+/visit/+/block/+", 1)
                    self._client = client
                    self.sessions += 1
                    await self._tell()
                    async for message in client.messages:
                        await self._take(client, message.topic.value, message.payload)  # type: ignore[arg-type]
            self._client = None
            # the library keeps a loss for one who reads messages; it may have come while a receipt was published
            if whole._disconnected.done():
                whole._disconnected.exception()
            await asyncio.sleep(0.02)

    async def _take(self, client: aiomqtt.Client, topic: str, payload: bytes) -> None:
        station, visit, n = topic.split("/")[3], topic.split("/")[5], int(topic.split("/")[7])
        said = json.loads(payload)
        assert len(payload) < 1_000_000, "a broker takes messages of less than a megabyte"
        assert said["n"] == n
        self.messages += 1
        self.bytes_most = max(self.bytes_most, len(payload))
        part, parts = said.get("part", 0), said.get("parts", 1)
        if self.lose(visit, n, part):
            return
        stored = self.visit(visit)
        found = stored.parts.setdefault(n, {})
        found[part] = base64.b64decode(said["data"])
        if len(found) == parts:
            del stored.parts[n]
            self._store(stored, said, zlib.decompress(b"".join(found[k] for k in range(parts))))
            if not self.mute:
                await self.answer(client, visit, station)
        await self._tell()

    def _store(self, stored: Stored, said: dict[str, Any], data: bytes) -> None:
        n = said["n"]
        stored.arrived.append(n)
        stored.journal = stored.journal or said["journal"]
        assert said["journal"] == stored.journal
        if n == 1:
            stored.meta = said["meta"]
        if n > len(stored.data):
            stored.aside[n] = said, data
        while (following := stored.aside.pop(len(stored.data) + 1, None)) is not None:
            self._chain(stored, *following)
        if "seal" in said and n == len(stored.data):
            stored.seal = said["seal"]

    def _chain(self, stored: Stored, said: dict[str, Any], data: bytes) -> None:
        """Prove by hand that the block follows and has its hash."""
        previous = stored.heads[-1] if stored.heads else genesis_by_hand(stored.meta)
        assert base64.b64decode(said["previous"]).hex() == previous
        digest = hashlib.sha256(b"lineset block 1\n" + bytes.fromhex(previous) + struct.pack(">Q", said["n"]) + data)
        digest.update(b"E" + struct.pack(">QQQQq", said["first"], said["last"], said["rows"], said["gaps"], said["t"]))
        assert digest.digest() == base64.b64decode(said["hash"])
        stored.data.append(data)
        stored.heads.append(digest.hexdigest())
        stored.lasts.append(said["last"])
        stored.seal = said.get("seal")  # also of a block that waited for others

    async def answer(self, client: aiomqtt.Client, visit: str, station: str = "van-3") -> None:
        stored = self.visit(visit)
        top = max(stored.aside, default=0)
        receipt: dict[str, Any] | None = {
            "t": round(time.time(), 3),
            "journal": stored.journal,
            "blocks": len(stored.data),
            "through": stored.lasts[-1] if stored.lasts else 0,
            "head": stored.heads[-1] if stored.heads else "",
            "sealed": stored.seal is not None,
            "wanted": [n for n in range(len(stored.data) + 1, top) if n not in stored.aside],
        }
        assert receipt is not None
        receipt = self.twist(receipt)
        if receipt is not None:
            topic = f"lineset/v1/north/{station}/receipt/{visit}"
            saying = asyncio.ensure_future(
                client.publish(topic, json.dumps(receipt), qos=1, retain=True, timeout=WAIT_S)
            )
            try:  # a broker that is killed acknowledges nothing
                await asyncio.wait({saying, client._disconnected}, return_when=asyncio.FIRST_COMPLETED)
                if not saying.done():
                    raise aiomqtt.MqttError("the connection ended before the receipt was acknowledged")
            finally:
                saying.cancel()
            await saying

    async def answer_now(self, visit: str) -> None:
        """Say the receipt again, unasked."""
        assert self._client is not None
        await self.answer(self._client, visit)

    async def say(self, topic: str, payload: bytes | str) -> None:
        """Publish anything, retained."""
        assert self._client is not None
        await self._client.publish(topic, payload, qos=1, retain=True)

    async def _tell(self) -> None:
        async with self._news:
            self._news.notify_all()

    async def until(self, enough: Callable[[], object], wait_s: float = WAIT_S) -> None:
        async with asyncio.timeout(wait_s), self._news:
            await self._news.wait_for(lambda: bool(enough()))


@asynccontextmanager
async def collecting(address: Callable[[], BrokerAddress]) -> AsyncIterator[HandCollector]:
    """A collector for as long as the block lasts; a fault of its own fails the test."""
    collector = HandCollector(address)
    task = asyncio.create_task(collector.run())
    try:
        await collector.until(lambda: collector.sessions or task.done())
        yield collector
    finally:
        # again until it ends: before Python 3.12 the library can swallow a cancellation that comes with its answer
        while not task.done():
            task.cancel()
            await asyncio.wait({task}, timeout=0.5)
        with contextlib.suppress(asyncio.CancelledError):
            await task


def genesis_by_hand(meta: dict[str, str]) -> str:
    digest = hashlib.sha256(b"lineset journal 1\n")
    for key in sorted(meta):
        name, value = key.encode(), meta[key].encode()
        digest.update(struct.pack(">H", len(name)) + name + struct.pack(">I", len(value)) + value)
    return digest.hexdigest()


def rows_by_hand(framed: bytes) -> list[tuple[int, int, str, bytes]]:
    """seq, t, kind and body of each framed row; gaps are passed over."""
    found, at = [], 0
    while at < len(framed):
        if framed[at : at + 1] == b"R":
            _, seq, t, kinds, bodies = struct.unpack_from(">cQqBI", framed, at)
            start = at + 22
            kind = framed[start : start + kinds].decode()
            at = start + kinds + bodies
            found.append((seq, t, kind, framed[start + kinds : at]))
        else:
            assert framed[at : at + 1] == b"G"
            at += 27 + struct.unpack_from(">cQQqH", framed, at)[4]
    return found


def in_the_file(path: Path) -> list[tuple[int, int, str, bytes]]:
    """The same of a journal's file."""
    with JournalReader(path) as reader:
        return [tuple(row) for row in ((r.seq, r.t, r.kind, r.body) for r in reader.rows(reader.first_seq))]


def make_journal(
    folder: Path,
    visit: str,
    blocks: int,
    *,
    sealed: bool = True,
    a_block: int = 10,
    big: bytes = b"",
    gap: bool = False,
) -> Path:
    """An invented visit's journal with so many closed blocks; `big` is the body of a row in the second one."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{visit}.journal"
    key = StationKey.load_or_generate(folder / "station.key")
    rule = BlockRule(rows=a_block, span=10**18)
    with JournalFile.create(path, meta={"station": "van-3", "visit": visit}, rule=rule) as journal:
        more_rows(journal, blocks * a_block, big=big, a_block=a_block, gap=gap)
        if sealed:
            journal.put_seal(key, journal.last_t())
    return path


def more_rows(journal: JournalFile, count: int, *, big: bytes = b"", a_block: int = 10, gap: bool = False) -> None:
    first = journal.last + 1
    items: list[Row | Gap] = []
    for seq in range(first, first + count):
        if gap and seq == first + 3:
            items.append(Gap(seq, seq, seq * 1000, "an invented gap"))
            continue
        body = big if big and seq == first + a_block + 2 else b'{"kind":"note","text":"%d %s"}' % (seq, b"x" * 50)
        items.append(Row(seq, seq * 1000, "note", body))
    journal.append(items)
