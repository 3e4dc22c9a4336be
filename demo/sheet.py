"""What the technician of the demo hears and sees: the broker's messages, as any stranger could hear them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import msgspec
from bench_link import Bench, DemoError

from lineset.contract.command import Reply
from lineset.contract.live import CheckMessage, FindingMessage, RunMessage, SettledMessage
from lineset.contract.topic import TopicError, Topics
from lineset.contract.worklist import CueMessage, QuestionMessage, WorklistMessage
from lineset.stream.address import BrokerFile
from lineset.stream.ask import ask, listen
from lineset.stream.errors import StreamError


class Seen(msgspec.Struct, frozen=True):
    """A settled event as it came over the broker, with the plant's truth at that moment."""

    message: SettledMessage
    truth: float | None


class Shown:
    """Settled events, verdicts, the sheets, questions and cues of the visit, waited for by event."""

    def __init__(self, broker: BrokerFile, benches: dict[str, Bench], cue: Callable[[CueMessage], None]) -> None:
        self._broker, self._benches, self._cue = broker, benches, cue
        self.topics: Topics = broker.topics
        self.settled: dict[tuple[str, str, str], Seen] = {}  # system, phase, name
        self.verdicts: dict[tuple[str, str, str], CheckMessage] = {}
        self.findings: dict[tuple[str, str, str], FindingMessage] = {}
        self.sheets: dict[str, WorklistMessage] = {}
        self.questions: dict[str, QuestionMessage] = {}
        self.run: dict[str, str] = {}
        self._kept: set[tuple[str, str, str]] = set()
        self._changed = asyncio.Condition()
        self.messages = self.cues = 0

    async def listen(self) -> None:
        """Hear everything until cancelled."""
        async for message in listen(self._broker.address("watch"), self.topics.everything, qos=1):
            self.messages += 1
            try:
                parsed = self.topics.parse(message.topic)
            except TopicError:
                continue
            if not message.payload:
                continue
            if await self._take(parsed.kind.name, message.payload):
                async with self._changed:
                    self._changed.notify_all()

    async def _take(self, kind: str, payload: bytes) -> bool:
        decode = msgspec.json.decode
        if kind == "settled":
            event = decode(payload, type=SettledMessage)
            key = event.system, event.phase, event.name
            if event.settled and key not in self._kept:
                truth = (await self._benches[event.system].truth()).get(event.name)
                self.settled[key] = Seen(event, truth)
        elif kind == "check":
            verdict = decode(payload, type=CheckMessage)
            self.verdicts[verdict.system, verdict.phase, verdict.name] = verdict
        elif kind == "finding":
            finding = decode(payload, type=FindingMessage)
            self.findings[finding.system, finding.phase, finding.id] = finding
        elif kind == "worklist":
            sheet = decode(payload, type=WorklistMessage)
            self.sheets[sheet.system] = sheet
        elif kind == "question":
            question = decode(payload, type=QuestionMessage)
            self.questions[question.id] = question
        elif kind == "run":
            run = decode(payload, type=RunMessage)
            self.run[run.system] = run.state
        elif kind == "cue":
            self.cues += 1
            self._cue(decode(payload, type=CueMessage))
            return False
        else:
            return False
        return True

    def keep(self, phase: str, system: str) -> None:
        """What has settled in this phase is what the table shows: the unit goes off now."""
        self._kept |= {key for key in self.settled if key[:2] == (system, phase)}

    async def wait(self, enough: Callable[[], bool], timeout_s: float) -> bool:
        """Wait (real seconds) until `enough()` is true of what was heard; whether it is."""
        async with self._changed:
            try:
                async with asyncio.timeout(timeout_s):
                    await self._changed.wait_for(enough)
            except TimeoutError:
                pass
        return enough()

    async def wait_run(self, system: str, states: tuple[str, ...], timeout_s: float) -> None:
        """Wait (real seconds) for a run state. Raises DemoError when it does not come."""
        if not await self.wait(lambda: self.run.get(system) in states, timeout_s):
            wanted = " or ".join(states)
            raise DemoError(f"{system}: the run state stayed {self.run.get(system)}, {wanted} was expected")

    async def command(self, verb: str, **args: object) -> Reply:
        """Give the station a command. Raises DemoError when it is refused."""
        reply = await self.try_command(verb, **args)
        if not reply.ok:
            raise DemoError(f"{verb} was refused: {reply.text}")
        return reply

    async def try_command(self, verb: str, **args: object) -> Reply:
        """Give the station a command; its reply, also a refusal."""
        try:
            return await ask(self._broker.address("technician"), self.topics, verb, args, actor="the demo's technician")
        except StreamError as error:
            raise DemoError(str(error)) from error
