"""This machine's voice: speaks cues through speech-dispatcher or espeak-ng, whichever there is, one after another.

It hears what every other listener hears, on the broker; a machine without a voice says so once and stays silent.
"""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import AsyncIterator, Callable, Sequence

import msgspec
import structlog

from lineset.contract.topic import Topics
from lineset.contract.worklist import CueMessage
from lineset.stream.address import BrokerAddress

# program -> its arguments before the sentence, with the language in braces
_PROGRAMS: dict[str, tuple[str, ...]] = {
    "spd-say": ("--wait", "--language", "{language}", "--"),
    "espeak-ng": ("-v", "{language}", "--"),
}
_LONGEST_S = 30.0

log = structlog.get_logger(__name__)


def find_voices(which: Callable[[str], str | None] = shutil.which) -> list[tuple[str, ...]]:
    """The commands of this machine that speak a sentence, with `{language}` in them, the best first."""
    return [(found, *arguments) for program, arguments in _PROGRAMS.items() if (found := which(program))]


async def speak(command: Sequence[str], text: str, language: str) -> bool:
    """Speak one sentence and wait until it is said. Returns whether the program did it."""
    words = [part.format(language=language) for part in command]
    try:
        child = await asyncio.create_subprocess_exec(
            *words, text, stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
        )  # fmt: skip
    except OSError as error:
        log.warning("the voice cannot be started", program=words[0], error=str(error))
        return False
    try:
        async with asyncio.timeout(_LONGEST_S):
            _, said = await child.communicate()
    except TimeoutError:
        child.kill()
        await child.wait()
        log.warning("the voice did not end; stopped", program=words[0])
        return False
    except asyncio.CancelledError:
        child.kill()
        await child.wait()
        raise
    if child.returncode:
        log.warning("the voice failed", program=words[0], said=said.decode(errors="replace")[:200])
    return not child.returncode


async def cues(address: BrokerAddress, topics: Topics) -> AsyncIterator[CueMessage]:
    """All cues of a station as they come, through losses of the connection."""
    from lineset.stream.ask import listen

    async for message in listen(address, topics.cue_filter, qos=1):
        try:
            yield msgspec.json.decode(message.payload, type=CueMessage)
        except msgspec.DecodeError as error:
            log.warning("a cue cannot be read", topic=message.topic, error=str(error))


async def keep_speaking(address: BrokerAddress, topics: Topics, voices: Sequence[Sequence[str]] | None = None) -> None:
    """Speak every cue of a station until cancelled. What came while one was being said is said after it.

    A voice that fails (no sound device, no speech server) gives way to the next one.
    """
    left = list(find_voices() if voices is None else voices)
    if not left:
        log.info("this machine has no voice; install speech-dispatcher or espeak-ng, or let the board speak")
        return
    async for cue in cues(address, topics):
        while left and not await speak(left[0], cue.text, cue.language):
            left.pop(0)
        if not left:
            log.warning("cues are not spoken on this machine; the board can speak them")
            return
