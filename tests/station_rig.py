"""For tests of the station: instruments as hand-written register images, an independent ear on the broker, journals.

Nothing here reads a profile of ours or uses a codec of ours, so that shared errors cannot cancel.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import re
import secrets
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, NamedTuple

import aiomqtt
from driver_peers import PtyPeer, rtu

from lineset.journal.reader import JournalReader
from lineset.station.config import Config, load
from lineset.station.daemon import Station
from lineset.stream.address import BrokerAddress

WAIT_S = 60.0
OVER = {"reason": "the test goes on without what is missing"}
"""Arguments of a forced step, where the list of what is missing is not what a test is about"""
_EVENT = re.compile(r"/settled/|/check/|/event/|/run$")


# -------------------------------------------------------------------------------------------------------- instruments


class RegisterImage:
    """A Modbus RTU unit whose registers stand here as numbers; answers functions 3 and 4, counts what it answered."""

    def __init__(self, unit: int, inputs: dict[int, int], holdings: dict[int, int] | None = None) -> None:
        self.unit, self.inputs, self.holdings = unit, inputs, holdings or {}
        self.answered = 0
        self.silent = False
        self.damaged = False
        self.before: Callable[[RegisterImage], None] | None = None  # called before each answer from `inputs`

    def __call__(self, request: bytes) -> list[tuple[float, bytes]]:
        unit, function = request[0], request[1]
        first, count = int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
        if unit != self.unit or self.silent or function not in (3, 4):
            return []
        if function == 4 and self.before is not None:
            self.before(self)
        registers = self.holdings if function == 3 else self.inputs
        if any(address not in registers for address in range(first, first + count)):
            return [(0.0, rtu(unit, function | 0x80, 2))]
        words = b"".join((registers[first + at] & 0xFFFF).to_bytes(2, "big") for at in range(count))
        answer = rtu(unit, function, len(words), *words)
        if function == 4:
            self.answered += 1
            if self.damaged:
                answer = answer[:-1] + bytes([answer[-1] ^ 0x5A])
        return [(0.0, answer)]


def gauges_image(low_psig: float = 118.0, high_psig: float = 371.0) -> RegisterImage:
    """Two pressures in tenths of psi at input registers 0 and 1, model code 0x0210 and serial number 4711."""
    return RegisterImage(
        1, {0: round(low_psig * 10), 1: round(high_psig * 10)}, {0: 0x0210, 1: 0, 2: 0, 3: 4711, 4: 0, 5: 0}
    )


def pipes_image(*degc: float) -> RegisterImage:
    """Four thermocouples and the cold junction, tenths of a degree Celsius, model code 0x0404."""
    values = (*degc, *[25.0] * (5 - len(degc)))
    return RegisterImage(2, {at: round(value * 10) for at, value in enumerate(values)}, {0: 0x0404, 1: 0, 2: 0, 3: 12})


def plug(link: Path, *images: RegisterImage) -> PtyPeer:
    """The far end of a serial cable with these units on it."""

    def answer(request: bytes) -> list[tuple[float, bytes]]:
        return [part for image in images for part in image(request)]

    peer = PtyPeer(link, answer)
    peer.plug()
    return peer


# ------------------------------------------------------------------------------------------------------- configuration

SYSTEM = '[[system]]\nid = "main"\nrefrigerant = "R-410A"\nmetering_device = "txv"\n'


SILENT = "[cues]\nspeak = false\n"  # tests do not talk to who runs them


def station_text(data: Path, body: str = "", *, speed: float = 1.0, more: str = "", system: str = SYSTEM) -> str:
    """A configuration as a technician would write it."""
    station = f'[station]\nname = "van-3"\nshop = "north"\ndata = "{data}"\nspeed = {speed:g}\n{more}\n'
    return f"{station}\n{system}\n{body}\n{SILENT}"


def instrument(id_: str, profile: str, link: str, *placements: str, more: str = "") -> str:
    """One instrument; placements as "channel point"."""
    text = f'[[instrument]]\nid = "{id_}"\nprofile = "{profile}"\nlink = "{link}"\n{more}\n'
    for placement in placements:
        channel, point = placement.split()
        text += f'[[placement]]\ninstrument = "{id_}"\nchannel = "{channel}"\npoint = "{point}"\n'
    return text


def write_config(folder: Path, text: str) -> Path:
    file = folder / "station.toml"
    file.write_text(text)
    return file


@asynccontextmanager
async def station(folder: Path, text: str) -> AsyncIterator[Station]:
    """A station in this process, with its own broker."""
    config: Config = load(write_config(folder, text))
    async with Station(config, runtime=folder / "run") as running:
        yield running


# ------------------------------------------------------------------------------------------------------- on the broker


class Heard(NamedTuple):
    """One message as it came: `at` is monotonic time; `retained` was said before we listened."""

    topic: str
    payload: bytes
    retained: bool
    at: float

    @property
    def json(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.payload)
        return found


class Ear:
    """An independent listener (aiomqtt as it comes): keeps all it hears, and waits for what a test expects.

    After a loss of the connection it listens again; `sessions` counts. With a `name` the broker keeps what comes
    meanwhile (a persistent session).
    """

    def __init__(self, address: Callable[[], BrokerAddress], base: str, name: str = "") -> None:
        self._address, self.base, self._name = address, base, name
        self.heard: list[Heard] = []
        self.sessions = 0
        self._news = asyncio.Condition()
        self._client: aiomqtt.Client | None = None

    async def run(self) -> None:
        while True:
            address = self._address()
            with contextlib.suppress(aiomqtt.MqttError):
                async with aiomqtt.Client(
                    address.host,
                    address.port,
                    username=address.username or None,
                    password=address.password or None,
                    identifier=self._name or None,
                    clean_session=not self._name,
                ) as client:
                    await client.subscribe("#" if not self.base else f"{self.base}/#", 1)
                    self._client = client
                    self.sessions += 1
                    async with self._news:
                        self._news.notify_all()
                    async for message in client.messages:
                        payload = message.payload if isinstance(message.payload, bytes) else b""
                        async with self._news:
                            self.heard.append(
                                Heard(message.topic.value, payload, bool(message.retain), time.monotonic())
                            )
                            self._news.notify_all()
            self._client = None
            await asyncio.sleep(0.02)

    async def until(self, enough: Callable[[], object], wait_s: float = WAIT_S) -> None:
        """Wait until `enough()` is true of what was heard."""
        try:
            async with asyncio.timeout(wait_s), self._news:
                await self._news.wait_for(lambda: bool(enough()))
        except TimeoutError:
            last = "\n".join(f"{m.topic} {m.payload[:200]!r}" for m in self.heard[-12:])
            raise AssertionError(f"not heard within {wait_s:g} s; the last of {len(self.heard)}:\n{last}") from None

    def on(self, rest: str, since: int = 0) -> list[Heard]:
        """What was heard on a topic below the station's."""
        return [message for message in self.heard[since:] if message.topic == f"{self.base}/{rest}"]

    @property
    def online(self) -> bool:
        """Whether the station is there; what the broker had kept may come after what is said now."""
        told = self.on("station")
        newest = [message for message in told if not message.retained] or told
        return bool(newest) and bool(newest[-1].json["online"])

    def events(self) -> list[Heard]:
        """Record events: what carries a seq, as said the first time and again."""
        return [m for m in self.heard if m.payload and _EVENT.search(m.topic)]

    async def settled(self, visit: str, phase: str, name: str, wait_s: float = WAIT_S) -> dict[str, Any]:
        """Wait until a name has settled; the message."""
        topic = f"visit/{visit}/main/{phase}/settled/{name}"
        await self.until(lambda: any(m.payload and m.json["settled"] for m in self.on(topic)), wait_s)
        return next(m.json for m in reversed(self.on(topic)) if m.payload and m.json["settled"])

    async def instrument(self, id_: str, state: str, words: str = "", wait_s: float = WAIT_S) -> dict[str, Any]:
        """Wait until an instrument's last state is this, with these words in its reason."""

        def there() -> bool:
            told = self.on(f"instrument/{id_}")
            return bool(told) and told[-1].json["state"] == state and words in told[-1].json["reason"]

        try:
            await self.until(there, wait_s)
        except AssertionError:
            told = [f"{m.json['state']}: {m.json['reason']}" for m in self.on(f"instrument/{id_}")]
            raise AssertionError(f"{id_} never came to {state} {words!r}: {told}") from None
        return self.on(f"instrument/{id_}")[-1].json

    async def until_online(self, wait_s: float = WAIT_S) -> None:
        """Wait until the station is there."""
        await self.until_kept("station", lambda: self._client and self.online, wait_s)

    async def until_kept(
        self, rest: str, enough: Callable[[], object] | None = None, wait_s: float = WAIT_S
    ) -> list[Heard]:
        """Wait until `enough()` is true (unless given: until something was heard) of a retained topic of the station.

        nats-server may give neither the old nor the new message to who subscribes in the very moment in which a
        retained one is replaced, so the topic is asked for again.
        """
        found = enough or (lambda: self.on(rest))
        deadline = time.monotonic() + wait_s
        while not found():
            left = deadline - time.monotonic()
            try:
                await self.until(found, min(left, 3.0))
            except AssertionError:
                if left <= 3.0:
                    raise
                if self._client is not None:
                    await self._client.subscribe(f"{self.base}/{rest}", 1)
        return self.on(rest)

    async def command(
        self,
        verb: str,
        args: dict[str, Any] | None = None,
        *,
        request: str = "",
        expires_s: float = 60.0,
        wait_s: float = WAIT_S,
        **more: Any,
    ) -> dict[str, Any]:
        """Give a command as any stranger would: JSON on one topic, the reply on another."""
        # who asks before the station listens is not heard
        await self.until_online(wait_s)
        request = request or secrets.token_hex(8)
        since = len(self.heard)
        body = {"request": request, "expires": time.time() + expires_s, "args": args or {}, "actor": "the test", **more}
        # asked again with the same id until it is answered: a broker that was killed with its station may still have
        # it that the station is online, when that is only starting
        deadline = time.monotonic() + wait_s
        while not self.on(f"reply/{request}", since):
            if self._client is not None:
                await self._client.publish(f"{self.base}/command/{verb}", json.dumps(body), qos=1)
            left = deadline - time.monotonic()
            try:
                await self.until(lambda: self.on(f"reply/{request}", since), min(left, 3.0))
            except AssertionError:
                if left <= 3.0:
                    raise
        return self.on(f"reply/{request}", since)[-1].json


@asynccontextmanager
async def listening(
    address: Callable[[], BrokerAddress], base: str = "lineset/v1/north/van-3", name: str = ""
) -> AsyncIterator[Ear]:
    """An ear for as long as the block lasts."""
    ear = Ear(address, base, name)
    task = asyncio.create_task(ear.run())
    try:
        await ear.until(lambda: ear.sessions)
        yield ear
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError, aiomqtt.MqttError):
            await task


def hearing(running: Station, role: str = "technician", name: str = "") -> contextlib.AbstractAsyncContextManager[Ear]:
    """An ear on the broker of a station in this process."""

    def address() -> BrokerAddress:
        assert running.broker is not None
        return running.broker.address(role)  # type: ignore[arg-type]

    return listening(address, name=name)


# --------------------------------------------------------------------------------------------------------- in journals


def bodies(path: Path, *kinds: str) -> Iterator[tuple[int, dict[str, Any]]]:
    """seq and body (plain JSON, not by our models) of a journal's rows."""
    with JournalReader(path) as reader:
        for row in reader.rows(reader.first_seq, kinds or None):
            yield row.seq, json.loads(row.body)


def visit_journal(data: Path, visit: str) -> Path:
    return data / "visits" / f"{visit}.journal"


def station_journals(data: Path) -> list[Path]:
    return sorted((data / "station").glob("station-*.journal"))


EVENT_KINDS = (
    "settled unsettled too_coarse run quality check phase declared placed entered opened closed command".split()
)


def record_events(path: Path) -> dict[int, dict[str, Any]]:
    """What a journal holds for the broker, by seq."""
    return dict(bodies(path, *EVENT_KINDS))


def agrees(message: dict[str, Any], body: dict[str, Any]) -> bool:
    """Whether a message says what the journal's body of the same seq holds, by hand and not by our code."""
    if "event" in message:
        # the configuration stays in the record: it names files and serial numbers
        said = {"kind": message["event"], **message["body"]}
        body = {key: value for key, value in body.items() if (body["kind"], key) != ("opened", "config")}
        return all(said.get(key) == value for key, value in body.items())
    if body["kind"] == "settled":
        return (message["settled"], message["name"], message["v"], message["sd"], message["phase"]) == (
            True, body["name"], body["value"], body["u"], body["phase"],
        )  # fmt: skip
    if body["kind"] == "unsettled":
        return (message["settled"], message["name"], message["reason"]) == (False, body["name"], body["reason"])
    if body["kind"] == "check":
        return (message["name"], message["state"], message["reason"], message.get("v")) == (
            body["name"], body["state"], body["reason"], body.get("value"),
        )  # fmt: skip
    return bool(body["kind"] == "run" and message["state"] == body["state"])


def in_order(seqs: list[int]) -> bool:
    return seqs == sorted(seqs)


def check_events(heard: list[Heard], visit: str, path: Path, *, all_of_them: bool = True, killed: bool = False) -> None:
    """What was heard of a visit is what its journal holds: same seq, same content, first time in order.

    Where the broker was `killed` with its station, it may give a listener that comes back what it kept for him behind
    what is said then: in each life of the station the one and the other are in order.
    """
    kept = record_events(path)
    first: dict[int, bytes] = {}
    for message in heard:
        if f"/visit/{visit}/" not in message.topic or message.retained:
            continue
        seq = message.json["seq"]
        if seq in first:
            assert first[seq] == message.payload, f"{seq} was said twice, with other content"
            continue
        assert killed or not first or seq > max(first), f"{seq} was said for the first time after {max(first)}"
        first[seq] = message.payload
        assert seq in kept, f"{seq} was heard and is not on record: {message.payload!r}"
        assert agrees(json.loads(message.payload), kept[seq]), (message.payload, kept[seq])
    if killed:
        starts = [0, *(seq for seq, _ in bodies(path, "resumed")), 1 << 62]
        for begin, end in itertools.pairwise(starts):
            life = [seq for seq in first if begin <= seq < end]
            late = [seq for at, seq in enumerate(life) if at and seq < max(life[:at])]
            until = max(late, default=0)
            assert in_order([seq for seq in life if seq <= until]), life
            assert in_order([seq for seq in life if seq > until]), life
    if all_of_them:
        missing = [(seq, kept[seq].get("kind")) for seq in sorted(set(kept) - set(first))]
        assert not missing, f"on record, and never heard: {missing}"
        assert sorted(first) == sorted(kept)
