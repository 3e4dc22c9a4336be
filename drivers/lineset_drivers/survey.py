"""Looking around: which serial ports there are, and what answers on them. Nothing is written to an instrument but
questions, and none that changes what it measures.

A port is first listened to, because an instrument that sends by itself needs no question; then each kind of
question is asked that the profiles know, once for all profiles that ask the same.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import msgspec

from .channel import Register
from .errors import LinkClosed, LinkError
from .line_instrument import pattern_of
from .link import LinkAddress, parse_link
from .profile import LinkDefaults, Profile
from .protocols import modbus, scpi
from .protocols.event import Failure
from .protocols.lines import Line, LineFramer, LineStream
from .transports.wire import Wire

if TYPE_CHECKING:
    from .transports.serial import PortWatch

LISTEN_S = 1.3  # instruments that send by themselves do so at least once a second (common practice, no source)


class Answered(msgspec.Struct, frozen=True):
    """A profile whose instrument answers here. `told` is what it said of itself, `unit` its Modbus unit."""

    profile: str
    unit: int | None = None
    told: str = ""
    serial: str = ""


class Found(msgspec.Struct, frozen=True):
    """One place that was looked at. `link` is what to write into the configuration."""

    link: str
    device: str
    description: str = ""
    weak: bool = False  # the link could lead to another adapter of the same make in the same socket
    problem: str = ""  # why it could not be asked
    answers: tuple[Answered, ...] = ()
    note: str = ""  # something answered, but no profile fits


class _Ear:
    """Keeps what arrives until it is asked for."""

    def __init__(self) -> None:
        self._data = bytearray()
        self._came = asyncio.Event()
        self.error: LinkClosed | None = None

    def data(self, data: bytes) -> None:
        self._data += data
        self._came.set()

    def ended(self, error: LinkClosed) -> None:
        self.error = error
        self._came.set()

    async def get(self) -> bytes:
        """At least one byte. Raises LinkClosed when the link ends."""
        await self._came.wait()
        if self.error is not None:
            raise self.error
        self._came.clear()
        data = bytes(self._data)
        self._data.clear()
        return data

    async def during(self, real_s: float) -> bytes:
        """All that arrives in so many real seconds."""
        await asyncio.sleep(real_s)
        return await self.get() if self._came.is_set() else b""


async def _open(address: LinkAddress, link: LinkDefaults, ear: _Ear) -> Wire:
    if address.scheme in ("tcp", "rtu+tcp"):
        from .transports.tcp import open_tcp

        return await open_tcp(address.place, address.port, ear)
    from .transports.serial import PortSettings, open_serial

    return open_serial(address.place, PortSettings(link.baud, link.bytesize, link.parity, link.stopbits), ear)


async def _listen(ear: _Ear, profiles: Iterable[Profile], listen_s: float) -> tuple[list[Answered], bytes]:
    """Which of the profiles that stream understand what comes by itself; and what came."""
    heard = await ear.during(listen_s)
    answers = []
    for profile in profiles:
        if profile.protocol != "lines" or profile.settings.poll or not heard:
            continue
        terminator = profile.settings.terminator.encode()
        stream = LineStream(LineFramer(terminator, profile.settings.max_length), pattern_of(profile))
        # the first piece is dropped as cut; a terminator in front lets a whole first line count
        events = stream.receive(terminator + heard)
        lines = [event for event in events if isinstance(event, Line) and event.samples]
        if lines:
            answers.append(Answered(profile.name, told=lines[-1].raw.decode("ascii", "backslashreplace")))
    return answers, heard


async def _ask_modbus(
    wire: Wire, ear: _Ear, conversation: modbus.Conversation, request: modbus.Request, timeout_s: float
) -> modbus.Answer | Failure[modbus.Request]:
    wire.write(conversation.ask(request))
    try:
        async with asyncio.timeout(timeout_s):
            while True:
                for event in conversation.receive(await ear.get()):
                    return event
    except TimeoutError:
        return conversation.timed_out()
    finally:
        if conversation.quiet:
            await ear.during(timeout_s)
            conversation.quiet_over()


def _told(register: Register, answer: modbus.Answer) -> str:
    try:
        return str(modbus.decode_value(answer.registers, register.type, register.word_order, register.byte_order))
    except ValueError as error:
        return f"({error})"


async def _survey_modbus(
    wire: Wire, ear: _Ear, profiles: Iterable[Profile], framing: str, units: Sequence[int]
) -> tuple[list[Answered], str]:
    conversation = modbus.Conversation("tcp" if framing == "tcp" else "rtu")
    asked: dict[modbus.Request, modbus.Answer | Failure[modbus.Request]] = {}
    answers: list[Answered] = []
    strangers: dict[int, str] = {}

    async def ask(unit: int, register: Register, timeout_s: float) -> modbus.Answer | None:
        request = modbus.Request(unit, modbus.FUNCTIONS[register.function], register.address, register.count)
        if request not in asked:
            if any(r.unit == unit and isinstance(a, Failure) and not a.raw for r, a in asked.items()):
                return None  # silent before, silent now
            asked[request] = await _ask_modbus(wire, ear, conversation, request, timeout_s)
        answer = asked[request]
        if isinstance(answer, Failure):
            if answer.raw:
                strangers.setdefault(unit, answer.error.problem)
            return None
        return answer

    for profile in profiles:
        identity = profile.identity
        if profile.protocol != "modbus" or identity is None or identity.register is None or not identity.match:
            continue
        for unit in units or (profile.link.unit,):
            answer = await ask(unit, identity.register, profile.link.timeout_s)
            if answer is None:
                continue
            told = _told(identity.register, answer)
            if not re.fullmatch(identity.match, told):
                strangers.setdefault(unit, f"it says {told!r}")
                continue
            serial = ""
            if identity.serial_register is not None:
                second = await ask(unit, identity.serial_register, profile.link.timeout_s)
                serial = _told(identity.serial_register, second) if second is not None else ""
            answers.append(Answered(profile.name, unit, told, serial))
    known = {answer.unit for answer in answers}
    notes = [f"unit {unit} answers, but no profile fits: {why}" for unit, why in strangers.items() if unit not in known]
    return answers, "; ".join(notes)


async def _survey_scpi(wire: Wire, ear: _Ear, profiles: Iterable[Profile]) -> tuple[list[Answered], str]:
    answers: list[Answered] = []
    said: dict[tuple[str, str], str | None] = {}
    for profile in profiles:
        identity = profile.identity
        if profile.protocol != "scpi" or identity is None:
            continue
        key = (identity.query, profile.settings.terminator)
        if key not in said:
            conversation = scpi.Conversation(terminator=profile.settings.terminator)
            wire.write(profile.settings.terminator.encode())  # ends what other questions left behind in it
            wire.write(conversation.ask(identity.query))
            said[key] = None
            try:
                async with asyncio.timeout(profile.link.timeout_s):
                    while said[key] is None:
                        for event in conversation.receive(await ear.get()):
                            said[key] = event.text if isinstance(event, scpi.Answer) else ""
            except TimeoutError:
                await ear.during(0.2)
        text = said[key]
        match = re.fullmatch(identity.match, text) if text else None
        if match is not None:
            serial = match.groupdict().get("serial") or ""
            answers.append(Answered(profile.name, told=text or "", serial=serial))
    texts = [text for text in said.values() if text and text.isprintable()]
    return answers, f"it says {texts[0][:80]!r}, which no profile fits" if texts and not answers else ""


async def _look(found: Found, profiles: Sequence[Profile], listen_s: float, units: Sequence[int]) -> Found:
    """Ask at one place, once for each way of opening it that the profiles know."""
    address = parse_link(found.link if found.link.startswith(("tcp", "rtu")) else f"serial://{found.device}")
    network = address.scheme != "serial"
    ways: dict[tuple[object, ...], list[Profile]] = {}
    for profile in profiles:
        if profile.protocol in ("modbus", "scpi", "lines"):
            link = profile.link
            key = () if network else (link.baud, link.bytesize, link.parity, link.stopbits)
            ways.setdefault(key, []).append(profile)
    answers: list[Answered] = []
    notes: list[str] = []
    for group in ways.values():
        try:
            more, note = await _look_one_way(address, group, listen_s, units)
        except LinkClosed as error:
            more, note = [], error.problem
        except LinkError as error:
            return msgspec.structs.replace(found, problem=f"{error.problem}. {error.remedy}")
        answers += more
        notes.append(note)
        if answers:
            break
    return msgspec.structs.replace(found, answers=tuple(answers), note="; ".join(note for note in notes if note))


async def _look_one_way(
    address: LinkAddress, profiles: Sequence[Profile], listen_s: float, units: Sequence[int]
) -> tuple[list[Answered], str]:
    """Listen, then ask by Modbus, then by SCPI, until something answers. Raises LinkError."""
    link = profiles[0].link
    ear = _Ear()
    wire = await _open(address, link, ear)
    try:
        streams, heard = await _listen(ear, profiles, listen_s)
        if heard:
            stranger = "" if streams else f"something is sent by itself that no profile fits: {heard[:60]!r}"
            return streams, stranger
        answers, note = await _survey_modbus(wire, ear, profiles, "tcp" if address.scheme == "tcp" else "rtu", units)
        if answers or note or address.scheme == "rtu+tcp":
            return answers, note
    except LinkClosed:
        if address.scheme == "serial":
            raise  # unplugged; a network instrument may well hang up on a question that is not its own
    finally:
        wire.close()
    ear = _Ear()
    wire = await _open(address, link, ear)
    try:
        return await _survey_scpi(wire, ear, profiles)
    finally:
        wire.close()


async def survey(
    profiles: Sequence[Profile],
    *,
    links: Sequence[str] = (),
    ports: PortWatch | None = None,
    listen_s: float = LISTEN_S,
    units: Sequence[int] = (),
    ask: bool = True,
) -> list[Found]:
    """The serial ports of this machine and the places in `links` (serial:// or tcp:// URLs), and what answers there.

    `units` are the Modbus units to ask; empty: each profile's own. With `ask` False the ports are only listed.
    Places are looked at side by side. Raises LinkError for a URL that is wrong.
    """
    if ports is None:
        from .transports.serial import PortWatch as Watch

        ports = Watch()
    places = [
        Found(
            link=f"usb://{port.identity}" if port.identity else f"serial://{port.device}",
            device=port.device,
            description=port.description,
            weak=port.weak,
        )
        for port in ports.ports()
    ]
    for url in links:
        address = parse_link(url)
        if address.scheme not in ("serial", "tcp", "rtu+tcp"):
            raise LinkError(url, "only serial ports and network addresses are looked at here", remedy="Use tcp://")
        places.append(Found(link=url, device=address.place))
    if not ask:
        return places
    return list(await asyncio.gather(*(_look(place, profiles, listen_s, units) for place in places)))
