"""The publisher: what the station says, each kind in its own way, over one connection.

Live values are conflated and may be lost; `now` goes out once a second; states are retained and said again after each
loss; record events come from the journal and none is lost. Nothing here waits for the broker but the events.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import msgspec

from lineset.contract.live import StationMessage, encode
from lineset.contract.topic import Topics
from lineset.stream.address import BrokerAddress
from lineset.stream.conflate import Conflator, Payload
from lineset.stream.events import EventPump, EventSource
from lineset.stream.link import Link, LinkStatus, OnStatus, Outgoing, Session

NOW_S = 1.0
LIVE_HZ = 2.0
_TAKEN_BACK = 4096  # so many emptied topics are remembered


class Publisher:
    """What the station says. `run()` until cancelled; all other methods return at once and need no connection.

    `online` gives the station's own message, said at each connection and, as offline, by the last will. `live_hz` is
    how often a topic of live values may speak (real time); None publishes each. `now` gives topics and payloads of
    the `now` messages, asked every `now_s` real seconds while connected. `link` makes the connection another than the
    usual one: arguments of `Link`.
    """

    def __init__(
        self,
        address: BrokerAddress | Callable[[], BrokerAddress],
        topics: Topics,
        *,
        online: Callable[[], StationMessage],
        live_hz: float | None = LIVE_HZ,
        now: Callable[[], Iterable[tuple[str, bytes]]] | None = None,
        on_status: OnStatus | None = None,
        wall: Callable[[], float] = time.time,
        now_s: float = NOW_S,
        **link: Any,
    ) -> None:
        self.topics = topics
        self.events = EventPump()
        link.setdefault("identifier", f"lineset-{topics.shop}-{topics.station_id}")
        self.link = Link(
            address,
            will=lambda: self._offline("the connection to the station was lost"),
            farewell=lambda: [self._offline("the station was stopped")],
            on_status=on_status,
            **link,
        )
        self.sent_live = 0
        self.dropped_live = 0
        self._online, self._now, self._wall, self._now_s = online, now, wall, now_s
        self._conflator = Conflator(1.0 / live_hz) if live_hz else None
        self._timer: asyncio.TimerHandle | None = None
        self._states: dict[str, bytes] = {}
        self._taken_back: dict[str, None] = {}  # topics whose state is empty
        self._unsaid: dict[str, None] = {}  # topics of states to say, in order, each once
        self._sparing = False
        self._said = asyncio.Event()
        self._state_waits = asyncio.Event()
        self.link.during(self._say_states)
        self.link.during(self._say_now)
        self.link.during(self.events.run)

    @property
    def status(self) -> LinkStatus:
        return self.link.status

    @property
    def conflated(self) -> int:
        """Live values that a newer one replaced before they were due."""
        return self._conflator.replaced if self._conflator else 0

    async def run(self) -> None:
        """Connect and serve until cancelled; says offline on a clean end."""
        try:
            await self.link.run()
        finally:
            self._stop_timer()

    # ----------------------------------------------------------------------------------------------------- live values

    def live(self, topic: str, payload: Payload) -> None:
        """A live value; `payload` may be a callable, asked only if it is sent. Dropped and counted in an outage."""
        if self._conflator is None:
            self._send(topic, payload)
            return
        if not self.link.connected.is_set():
            self.dropped_live += 1
            self._conflator.clear()
            return
        now = asyncio.get_running_loop().time()
        if self._conflator.offer(topic, payload, now):
            self._send(topic, payload)
        if self._timer is None:
            self._arm()

    def _send(self, topic: str, payload: Payload) -> None:
        if not self.link.connected.is_set():
            self.dropped_live += 1
            return
        if self.link.send(topic, payload if isinstance(payload, bytes) else payload()):
            self.sent_live += 1
        else:
            self.dropped_live += 1

    def _arm(self) -> None:
        assert self._conflator is not None
        deadline = self._conflator.deadline()
        if deadline is not None:
            self._timer = asyncio.get_running_loop().call_at(deadline, self._release)

    def _release(self) -> None:
        assert self._conflator is not None
        self._timer = None
        for topic, payload in self._conflator.release(asyncio.get_running_loop().time()):
            self._send(topic, payload)
        self._arm()

    def _stop_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    async def _say_now(self, session: Session) -> None:
        if self._now is None:
            return
        loop = asyncio.get_running_loop()
        due = loop.time()
        while True:
            for topic, payload in self._now():
                self.link.send(topic, payload, retain=not self._sparing)
            if self._sparing:
                self.link.send(self.topics.station(), encode(self._online()))
            due = max(due + self._now_s, loop.time())
            await asyncio.sleep(due - loop.time())

    # ----------------------------------------------------------------------------------------------------------- states

    def state(self, topic: str, payload: bytes) -> None:
        """A retained state: the newest is said at QoS 1, again after each loss. Empty: taken back from the broker."""
        self._states[topic] = payload
        if payload:
            self._taken_back.pop(topic, None)
        else:
            # said again like any other: a broker that is killed brings back what it had just been told to forget
            self._taken_back[topic] = None
            if len(self._taken_back) > _TAKEN_BACK:
                oldest = next(iter(self._taken_back))
                del self._taken_back[oldest], self._states[oldest]
                self._unsaid.pop(oldest, None)
        self._unsaid[topic] = None
        self._said.clear()
        self._state_waits.set()

    def refresh(self) -> None:
        """Say the station's own message again (it records again, or no longer)."""
        self.state(self.topics.station(), encode(self._online()))

    def spare(self, on: bool) -> None:
        """While `on`, ask nothing of the broker that it would have to store: its disk takes nothing either.

        States and record events wait; `now` and the station's own message go out once a second and are not retained.
        """
        self._sparing = on
        self.events.spare(on)
        self._state_waits.set()

    @property
    def states(self) -> Mapping[str, bytes]:
        """The newest payload of each state by topic; empty where it was taken back."""
        return self._states

    def forget(self, topics: Iterable[str]) -> None:
        """Do not say again, at the next connection, that these topics were taken back; others are left alone."""
        for topic in topics:
            if topic in self._taken_back and topic not in self._unsaid:
                del self._taken_back[topic], self._states[topic]

    async def states_said(self) -> None:
        """Return when the broker has acknowledged all states."""
        await self._said.wait()

    async def _say_states(self, session: Session) -> None:
        self._states[self.topics.station()] = encode(self._online())
        self._unsaid = dict.fromkeys(self._states)
        while True:
            self._state_waits.clear()
            while self._unsaid and not self._sparing:
                topic = next(iter(self._unsaid))
                payload = self._states[topic]
                await session.publish(topic, payload, True)
                if self._states.get(topic) == payload:
                    self._unsaid.pop(topic, None)
            if not self._unsaid:
                self._said.set()
            await self._state_waits.wait()

    def _offline(self, reason: str) -> Outgoing:
        message = msgspec.structs.replace(self._online(), t=self._wall(), online=False, reason=reason)
        return Outgoing(self.topics.station(), encode(message), True)

    # ----------------------------------------------------------------------------------------------------------- events

    def attach(self, source: EventSource) -> None:
        """Send the record events of a journal behind its outbox pointer, and those to come."""
        self.events.attach(source)

    def detach(self, source: EventSource) -> None:
        """Forget a journal (one that is closed and drained)."""
        self.events.detach(source)

    def wake(self) -> None:
        """Call after each commit that brought record events."""
        self.events.wake()

    async def drained(self, source: EventSource) -> None:
        """Return when the broker has acknowledged all record events of `source`."""
        await self.events.drained(source)
