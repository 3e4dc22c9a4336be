"""A Modbus line or connection with all its units: one question at a time, fair turns, the dead kept cheap.

Turns go to the unit whose poll is due longest. A unit that does not answer is retried behind its neighbours; once
it counts as dead it gets one short question now and then, and all the dead of a bus together may use no more than
`DEAD_SHARE` of its time, whatever a time-out and the quiet period after it cost.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import structlog

from .channel import Register
from .clock import NS
from .errors import DriverError, LinkClosed, LinkError, ProfileError, Refused, Silence
from .frame import Sample
from .instrument import Context, InstrumentSpec, Outlet
from .link import parse_link
from .protocols.modbus import (
    FUNCTIONS,
    Answer,
    Conversation,
    Failure,
    Poll,
    Request,
    compile_polls,
    decode_value,
    encode_rtu,
    encode_tcp,
)
from .wired import Pause, WiredDriver

log = structlog.get_logger(__name__)

TRIES = 2  # of one question before the cycle is given up
SILENCES = 2  # in a row, and a unit counts as dead
FAILURES = 6  # of any kind in a row, likewise: a damaged answer proves that it is alive
DEAD_SHARE = 0.1
DEAD_WAIT_S = 1.0  # real; the living go first, but on a bus that is never idle a dead unit waits no longer than this
PASSING = (4, 5, 6, 8)  # exception codes of trouble inside an instrument, or of being busy: asking again may help
GATEWAY = (10, 11)  # exception codes by which a gateway says that the unit behind it is silent


class _Unit:
    """One instrument on the bus: what to ask it, when, and how it has answered so far."""

    def __init__(self, spec: InstrumentSpec, outlet: Outlet, context: Context) -> None:
        profile = spec.profile
        self.spec, self.outlet = spec, outlet
        self.number = profile.link.unit if spec.unit is None else spec.unit
        self.polls: tuple[Poll, ...] = compile_polls(
            profile.channels, profile.settings.max_gap, profile.settings.max_registers, unit=self.number
        )
        self.probes = self._probes()
        self.period = int((profile.poll_s or 1.0) * NS)
        self.due = 0  # visit ns
        self.alive = False
        self.probe_at = 0.0  # loop time, while dead
        self.fresh = True  # not judged yet since the link was opened
        options = parse_link(spec.link).options
        self.timeout_s = float(options.get("timeout_s", spec.options.get("timeout_s", profile.link.timeout_s)))
        self.pause = Pause(context.random, least_s=1.0, most_s=30.0)
        self.failures = self.silences = self.tries = self.step = 0
        self.raw: list[bytes] = []
        self.samples: tuple[Sample, ...] = ()
        self.told = ""  # model or serial number as the instrument told it
        self.trouble = ""  # the last failure, as a sentence

    def _probes(self) -> list[tuple[Request, Register | None]]:
        """What is asked before it is believed to be the instrument meant: its identity, or else its first register."""
        identity = self.spec.profile.identity
        registers = [identity.register, identity.serial_register] if identity is not None else []
        found: list[tuple[Request, Register | None]] = [
            (Request(self.number, FUNCTIONS[r.function], r.address, r.count), r) for r in registers if r is not None
        ]
        return found or [(self.polls[0].request, None)]

    def request(self) -> Request:
        return self.polls[self.step].request if self.alive else self.probes[self.step][0]

    def begin_cycle(self) -> None:
        self.step = self.tries = 0
        self.raw, self.samples = [], ()


class ModbusBus(WiredDriver):
    """All Modbus instruments on one serial port or connection."""

    def __init__(self, specs: Sequence[InstrumentSpec], context: Context) -> None:
        address = parse_link(specs[0].link)
        super().__init__(address, specs, context)
        framing = str(self.option("framing")) or ("tcp" if address.scheme == "tcp" else "rtu")
        if framing not in ("rtu", "tcp"):
            raise LinkError(self.name, f"{framing!r} is no Modbus framing", remedy="Use rtu or tcp", permanent=True)
        self.conversation = Conversation("tcp" if framing == "tcp" else "rtu", where=self.name)
        self.units: list[_Unit] = []
        for spec, outlet in zip(specs, tuple(self.outlets), strict=True):
            try:
                self.units.append(self._unit(spec, outlet))
            except ProfileError as error:  # costs this instrument only
                self.outlets.remove(outlet)
                outlet.missed(f"{error.problem}. {error.remedy}")
        self._asked: _Unit | None = None
        self._asked_at = 0.0
        self._asked_living = False
        self._dead_after = 0.0  # loop time before which no dead unit is asked
        self._quiet_until: float | None = None
        self._quiet_s = 0.0

    def _unit(self, spec: InstrumentSpec, outlet: Outlet) -> _Unit:
        """Raises ProfileError when its registers or its unit number cannot be asked for."""
        unit = _Unit(spec, outlet, self.context)
        for request in (*(request for request, _ in unit.probes), *(poll.request for poll in unit.polls)):
            if self.conversation.framing == "rtu":
                encode_rtu(request)
            else:
                encode_tcp(request, 0)
        return unit

    # -- link -------------------------------------------------------------------------------------------------

    def begin(self) -> None:
        self.conversation.reset()
        self._dead_after = 0.0
        for unit in self.units:
            unit.alive, unit.fresh, unit.failures, unit.silences = False, True, 0, 0
            unit.probe_at = self._loop.time()
            unit.pause.reset()
            unit.begin_cycle()
        self._quiet_until = None
        self._next()

    def halt(self) -> None:
        self._asked = None

    def label(self, outlet: Outlet) -> str:
        return next(f" unit {unit.number}" for unit in self.units if unit.outlet is outlet)

    def silent_reason(self, outlet: Outlet) -> str:
        unit = next(unit for unit in self.units if unit.outlet is outlet)
        return unit.trouble or "the bus is busy with other units; poll less often"

    # -- whose turn -------------------------------------------------------------------------------------------

    def _next(self) -> None:
        """Ask the unit whose turn it is, or set the timer for when one will be."""
        if self._asked is not None or self.wire is None:
            return
        real = self._loop.time()
        if self.conversation.quiet:
            if self._quiet_until is None:
                self._quiet_until = real + self._quiet_s
            self.call_in(self._quiet_until - real, self._quiet_over)
            return
        now = self.clock.now()
        live: _Unit | None = None
        dead: _Unit | None = None
        for unit in self.units:
            if unit.alive:
                if live is None or unit.due < live.due:
                    live = unit
            elif dead is None or unit.probe_at < dead.probe_at:
                dead = unit
        wait = 1.0
        overdue_s = -1.0
        if dead is not None:
            at = dead.probe_at if dead.fresh else max(dead.probe_at, self._dead_after)
            overdue_s = real - at
            wait = min(wait, max(-overdue_s, 0.0))
        # one that was never asked may well be alive, and takes turns with those that are
        first = overdue_s >= DEAD_WAIT_S or (dead is not None and dead.fresh and self._asked_living)
        if live is not None and live.due <= now and not first:
            self._take_turn(live, now)
        elif dead is not None and overdue_s >= 0:
            self._ask(dead)
        else:
            if live is not None:
                wait = min(wait, self.real_until(live.due))
            self.call_in(wait, self._next)

    def _take_turn(self, unit: _Unit, now: int) -> None:
        if unit.step == 0 and unit.tries == 0 and unit.outlet.blocked:
            unit.outlet.count("poll_skipped", 1)
            unit.due = now + unit.period
            self.call_in(0, self._next)
            return
        self._ask(unit)

    def _ask(self, unit: _Unit) -> None:
        assert self.wire is not None
        if self.conversation.framing == "rtu" and (late := self.wire.take()):
            self.conversation.receive(late)  # what is still unread belongs to no question that is yet to be asked
            if self.conversation.quiet:
                self._next()
                return
        self._asked, self._asked_at = unit, self._loop.time()
        self._asked_living = unit.alive
        data = self.conversation.ask(unit.request())
        self._quiet_s = unit.timeout_s
        self.call_in(unit.timeout_s, self._timed_out)
        self.wire.write(data)

    @staticmethod
    def _advance(unit: _Unit, now: int) -> None:
        """The next cycle is a period after this one was due; cycles that could not be kept are let go."""
        unit.due = max(unit.due + unit.period, now)
        unit.begin_cycle()

    # -- what came --------------------------------------------------------------------------------------------

    def received(self, data: bytes) -> None:
        for event in self.conversation.receive(data):
            self._event(event)
        if self.conversation.broken:
            remedy = 'It is connected anew; if this stays so, check the port, or whether it wants framing = "rtu"'
            self.ended(LinkClosed(self.name, "what came is no Modbus TCP", remedy=remedy))
        elif self._asked is None:
            self._next()

    def _timed_out(self) -> None:
        if self.conversation.request is not None:
            self._event(self.conversation.timed_out())
        self._next()

    def _quiet_over(self) -> None:
        self.conversation.quiet_over()
        self._quiet_until = None
        self._next()

    def _event(self, event: Answer | Failure[Request]) -> None:
        unit, self._asked = self._asked, None
        if unit is None:
            return
        if isinstance(event, Answer):
            unit.failures = unit.silences = unit.tries = 0
            if unit.alive:
                poll = unit.polls[unit.step]
                unit.samples += poll.decode(event)
                unit.raw.append(event.raw)
                self._stepped(unit)
            else:
                self._probed(unit, event)
        else:
            self._failed(unit, event.error)

    def _stepped(self, unit: _Unit) -> None:
        unit.step += 1
        if unit.step < len(unit.polls):
            return
        if unit.samples:
            unit.outlet.frame(b"".join(unit.raw), unit.samples)
        self._advance(unit, self.clock.now())

    # -- the dead and the doubtful ----------------------------------------------------------------------------

    def _probed(self, unit: _Unit, answer: Answer) -> None:
        """A unit that was not being read has answered: is it the one that is meant?"""
        register = unit.probes[unit.step][1]
        if register is not None:
            told = self._text(register, answer)
            problem = self._mismatch(unit, register, told)
            if problem:
                self._not_this(unit, problem)
                return
            identity = unit.spec.profile.identity
            assert identity is not None
            if register is identity.serial_register:
                unit.outlet.identity, unit.outlet.identity_weak = told, False
        unit.step += 1
        if unit.step < len(unit.probes):
            return
        unit.alive = True
        unit.trouble = ""
        unit.pause.reset()
        unit.due = self.clock.now()
        unit.begin_cycle()

    @staticmethod
    def _text(register: Register, answer: Answer) -> str:
        try:
            return str(decode_value(answer.registers, register.type, register.word_order, register.byte_order))
        except (DriverError, ValueError) as error:
            return f"({error})"

    @staticmethod
    def _mismatch(unit: _Unit, register: Register, told: str) -> str:
        profile, serial = unit.spec.profile, unit.spec.serial
        identity = profile.identity
        assert identity is not None
        if register is identity.register and identity.match and not re.fullmatch(identity.match, told):
            return (
                f"another kind of instrument answers as unit {unit.number}: it says {told!r}, "
                f"and {profile.name} would say {identity.match!r}. Check the unit number and the profile"
            )
        if register is identity.serial_register and serial and serial != told:
            return (
                f"another {profile.name} answers as unit {unit.number}: its serial number is {told}, "
                f"and {serial} is configured. Check which one is connected"
            )
        return ""

    def _not_this(self, unit: _Unit, problem: str) -> None:
        unit.trouble, unit.fresh = problem, False
        unit.outlet.missed(problem)
        unit.begin_cycle()
        unit.probe_at = self._loop.time() + unit.pause.next()

    def _failed(self, unit: _Unit, error: DriverError) -> None:
        remedy = getattr(error, "remedy", "")
        unit.trouble = f"{getattr(error, 'problem', error)}" + (f". {remedy}" if remedy else "")
        refused = isinstance(error, Refused) and error.code not in (*PASSING, *GATEWAY)
        silent = isinstance(error, Silence) or (isinstance(error, Refused) and error.code in GATEWAY)
        unit.failures += 1
        unit.silences = unit.silences + 1 if silent else 0
        log.debug("poll failed", instrument=unit.spec.id, error=str(error))
        if not unit.alive:
            self._still_dead(unit, refused)
        elif refused and len(unit.polls) > 1 and not self._all_refused(unit):
            self._stepped(unit)  # it lives, and has other registers
        elif unit.silences >= SILENCES or unit.failures >= FAILURES or (refused and self._all_refused(unit)):
            unit.alive = False
            unit.outlet.missed(unit.trouble)
            self._still_dead(unit, refused)
        else:
            unit.tries += 1
            now = self.clock.now()
            if unit.tries >= TRIES:
                self._advance(unit, now)
            else:
                unit.due = now  # again, but behind the neighbours that are waiting

    @staticmethod
    def _all_refused(unit: _Unit) -> bool:
        return unit.step == len(unit.polls) - 1 and not unit.samples

    def _still_dead(self, unit: _Unit, refused: bool) -> None:
        """Set the next question to a unit that is not being read, and charge its cost to the dead ones' share."""
        real = self._loop.time()
        unit.fresh = False
        cost = real - self._asked_at + (self._quiet_s if self.conversation.quiet else 0.0)
        self._dead_after = real + cost / DEAD_SHARE - cost
        unit.begin_cycle()
        unit.probe_at = real + unit.pause.next()
        if refused:
            unit.trouble += ". It answers, but not as this profile expects: check profile and unit number"
        unit.outlet.missed(unit.trouble)
