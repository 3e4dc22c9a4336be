"""Cues on their way out: on the broker with their seq, into this machine's voice, repeated and quietened on command."""

from __future__ import annotations

import asyncio
import stat
from pathlib import Path

import pytest
from station_rig import WAIT_S, hearing, station, station_text

from lineset.station.voice import find_voices, keep_speaking, speak
from lineset.stream.ask import ask

BURNING = '[[system]]\nid = "main"\nrefrigerant = "R-32"\nmetering_device = "txv"\n'


def a_voice(folder: Path) -> tuple[str, ...]:
    """A program that writes down what it is to say, one line a sentence."""
    program = folder / "voice"
    program.write_text(f'#!/bin/sh\necho "$1: $2" >> "{folder}/said"\n')
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    return (str(program), "{language}")


async def test_a_cue_goes_out_with_its_seq_and_is_spoken(tmp_path: Path) -> None:
    text = station_text(tmp_path / "data", system=BURNING)
    async with station(tmp_path, text) as van, hearing(van) as ear:
        assert van.broker is not None
        watcher = van.broker.address("watch")
        speaking = asyncio.create_task(keep_speaking(watcher, van.topics, [("false",), a_voice(tmp_path)]))
        asker = van.broker.address("technician")
        assert (await ask(asker, van.topics, "visit-open", {"visit": "v1", "systems": []})).ok
        await ear.until(lambda: [m for m in ear.heard if "/cue/" in m.topic])
        heard = next(m for m in ear.heard if "/cue/" in m.topic)
        assert heard.topic.endswith(f"/visit/v1/cue/{heard.json['n']}")
        assert heard.json["sort"] == "caution"
        assert heard.json["seq"] > 0
        assert not heard.retained
        async with asyncio.timeout(WAIT_S):
            while not (tmp_path / "said").exists() or not (tmp_path / "said").read_text():  # made, then written
                await asyncio.sleep(0.5)
                # cues are not kept: on a busy machine the voice may have come too late for the first
                assert (await ask(asker, van.topics, "cues", {"repeat": True})).ok
        assert (tmp_path / "said").read_text().startswith("en: Caution: R-32 burns")
        again = await ask(asker, van.topics, "cues", {"repeat": True})
        assert again.text == heard.json["text"]
        await ear.until(lambda: any(m.json.get("repeat") for m in ear.heard if "/cue/" in m.topic))
        refused = await ask(asker, van.topics, "cues", {"level": "deafening"})
        assert not refused.ok
        assert "quiet, normal, chatty" in refused.text
        speaking.cancel()
        with pytest.raises(asyncio.CancelledError):
            await speaking


async def test_a_machine_without_a_voice_says_so_and_goes_on() -> None:
    assert find_voices(lambda _: None) == []
    found = find_voices(lambda program: f"/usr/bin/{program}")
    assert [command[0] for command in found] == ["/usr/bin/spd-say", "/usr/bin/espeak-ng"]
    assert not await speak(("/no/such/program",), "hello", "en")
    assert not await speak(("false",), "hello", "en")
    assert await speak(("true",), "hello", "en")
