"""An instrument that is asked in SCPI, on a serial port or a TCP connection of its own."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import cast

import structlog

from .clock import NS
from .errors import DriverError, Garbled, LinkError, Short, Silence
from .frame import Sample
from .instrument import Context, InstrumentSpec, Outlet
from .link import parse_link
from .protocols.event import Failure
from .protocols.scpi import Answer, Conversation, ErrorStyle, plan_queries, samples
from .wired import Pause, WiredDriver

log = structlog.get_logger(__name__)

SILENCES = 3  # in a row, and the instrument counts as gone: it is then asked who it is, with growing pauses


class ScpiInstrument(WiredDriver):
    """One SCPI instrument. A poll is the function query (if the profile has one), then each query once."""

    def __init__(self, specs: Sequence[InstrumentSpec], context: Context) -> None:
        super().__init__(parse_link(specs[0].link), specs, context)
        if len(specs) > 1:
            raise LinkError(
                self.name,
                f"{specs[0].id} and {specs[1].id} are configured on one link, which is for one",
                remedy="Give each its own",
                permanent=True,
            )
        profile = specs[0].profile
        self.outlet = self.outlets[0]
        self.conversation = Conversation(
            terminator=profile.settings.terminator,
            errors=cast(ErrorStyle, profile.settings.errors),
            where=self.name,
        )
        asks = plan_queries(profile.channels)
        self._asks = {ask.query: ask for ask in asks}
        function = profile.settings.function_query
        self._questions = ([function] if function else []) + [ask.query for ask in asks]
        self._function: str | None = None
        self._period = int((profile.poll_s or 1.0) * NS)
        self._pause = Pause(context.random, least_s=1.0, most_s=30.0)
        self._due = 0
        self._step = 0
        self._linked = False
        self._silences = 0
        self._raw: list[bytes] = []
        self._samples: tuple[Sample, ...] = ()
        self._trouble = ""

    def begin(self) -> None:
        assert self.wire is not None
        self.conversation.reset()
        # an error from before would be taken for the reason of a later silence
        for command in ("*CLS", *self.instruments[0].profile.settings.setup):
            self.wire.write(self.conversation.tell(command))
        self._linked, self._silences, self._due = False, 0, self.clock.now()
        self._pause.reset()
        self._begin_cycle()
        self._next()

    def silent_reason(self, outlet: Outlet) -> str:
        return self._trouble or "it answers, but what it is switched to is not in its profile"

    def _begin_cycle(self) -> None:
        self._step, self._function, self._raw, self._samples = 0, None, [], ()

    # -- asking -----------------------------------------------------------------------------------------------

    def _next(self) -> None:
        """Ask what comes next, or set the timer for when it will be due."""
        if self.conversation.query is not None or self.wire is None:
            return
        if late := self.wire.take():
            self.conversation.receive(late)
        if self.conversation.quiet:
            self.call_in(self.timeout_s, self._quiet_over)
            return
        identity = self.instruments[0].profile.identity
        if not self._linked:
            self._ask(identity.query if identity is not None else self._questions[0])
            return
        now = self.clock.now()
        if self._step == 0:
            if now < self._due:
                self.call_in(self.real_until(self._due), self._next)
                return
            if self.outlet.blocked:
                self.outlet.count("poll_skipped", 1)
                self._due = now + self._period
                self.call_in(0, self._next)
                return
        self._ask(self._questions[self._step])

    def _ask(self, query: str) -> None:
        assert self.wire is not None
        data = self.conversation.ask(query)
        self.call_in(self.timeout_s, self._timed_out)
        self.wire.write(data)

    def _timed_out(self) -> None:
        failure = self.conversation.timed_out()
        if failure is not None:
            self._failed(failure.error)
        elif self.conversation.quiet:
            self.call_in(self.timeout_s, self._quiet_over)

    def _quiet_over(self) -> None:
        assert self.wire is not None
        question = self.conversation.quiet_over()
        if question:
            self.call_in(self.timeout_s, self._timed_out)
            self.wire.write(question)
        else:
            self._next()

    # -- hearing ----------------------------------------------------------------------------------------------

    def received(self, data: bytes) -> None:
        for event in self.conversation.receive(data):
            if isinstance(event, Failure):
                self._failed(event.error)
            elif self._linked:
                self._polled(event)
            else:
                self._identified(event)

    def _identified(self, answer: Answer) -> None:
        spec, self._silences = self.instruments[0], 0
        identity = spec.profile.identity
        if identity is not None and identity.match:
            match = re.fullmatch(identity.match, answer.text)
            told = (match.groupdict().get("serial") or "") if match is not None else ""
            if match is None:
                self._not_this(
                    f"another instrument answers: it says {answer.text[:80]!r}, which does not fit "
                    f"{spec.profile.name}. Check the link and the profile"
                )
                return
            if spec.serial and told and told != spec.serial:
                self._not_this(
                    f"another {spec.profile.name} answers: its serial number is {told}, and {spec.serial} is "
                    "configured. Check which one is connected"
                )
                return
            if told:
                self.outlet.identity, self.outlet.identity_weak = told, False
        self._linked, self._trouble, self._due = True, "", self.clock.now()
        self._pause.reset()
        self._begin_cycle()
        self._next()

    def _not_this(self, problem: str) -> None:
        self._trouble = problem
        self.outlet.missed(problem)
        self.call_in(self._pause.next(), self._next)

    def _polled(self, answer: Answer) -> None:
        self._silences = 0
        self._raw.append(answer.raw)
        ask = self._asks.get(answer.query)
        try:
            if self._step == 0 and answer.query == self.instruments[0].profile.settings.function_query:
                self._function = answer.text
            elif ask is not None:
                self._samples += samples(ask.channels, answer, self._function)
        except (Short, Garbled) as error:
            self._failed(error)
            return
        self._step += 1
        if self._step == len(self._questions):
            if self._samples:
                self.outlet.frame(b"".join(self._raw), self._samples)
                self._trouble = ""
            else:
                self._trouble = f"it is switched to {self._function}, which its profile does not read"
            self._end_cycle()
        self._next()

    def _end_cycle(self) -> None:
        self._due = max(self._due + self._period, self.clock.now())
        self._begin_cycle()

    def _failed(self, error: DriverError) -> None:
        remedy = getattr(error, "remedy", "")
        self._trouble = f"{getattr(error, 'problem', error)}" + (f". {remedy}" if remedy else "")
        self._silences = self._silences + 1 if isinstance(error, Silence) else 0
        log.debug("query failed", instrument=self.outlet.spec.id, error=str(error))
        if self._linked and self._silences < SILENCES:
            self._end_cycle()
            self._next()
            return
        self._linked = False
        self.outlet.missed(self._trouble)
        # the quiet period passes within the pause, which is never shorter than half a second
        self.call_in(max(self._pause.next(), self.timeout_s), self._after_pause)

    def _after_pause(self) -> None:
        assert self.wire is not None
        if self.conversation.quiet and self.conversation.quiet_over():
            raise RuntimeError("a query that has failed is not asked about")
        self._next()
