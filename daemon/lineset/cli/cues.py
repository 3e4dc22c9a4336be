"""`lineset cues`: hear the cues of a visit, have the last one repeated, set how much is said."""

from __future__ import annotations

from typing import Annotated

import typer

from lineset.cli.station_access import WRONG, AtOption, JsonOption, command, reach, say_error, show_reply

LEVELS = ("quiet", "normal", "chatty")


def cues(
    level: Annotated[
        str, typer.Argument(help="quiet, normal or chatty; left out: stays.", autocompletion=lambda: list(LEVELS))
    ] = "",
    repeat: Annotated[bool, typer.Option("--repeat", "-r", help="Say the last one again.")] = False,
    listen: Annotated[bool, typer.Option("--listen", "-l", help="Print each cue as it comes, until Ctrl-C.")] = False,
    speak: Annotated[bool, typer.Option("--speak", help="Speak each cue on this machine too, until Ctrl-C.")] = False,
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Short sentences on what has settled, is missing, is asked, is dangerous. None comes while a panel is open.

    Say that a panel is open with: lineset declare panel_open

    Example: lineset cues chatty

    Exit code: 0 done, 1 refused, 2 no such level, 3 no station runs here.
    """
    if level and level not in LEVELS:
        raise say_error("cues", f"{level!r} is no level; use {', '.join(LEVELS)}", WRONG)
    if level or repeat or not (listen or speak):
        show_reply("cues", command("cues", "cues", {"level": level, "repeat": repeat}, at), as_json)
    if listen or speak:
        import asyncio
        import contextlib

        address, topics = reach("cues", at, "watch")
        with contextlib.suppress(KeyboardInterrupt):
            asyncio.run(_follow(address, topics, aloud=speak, as_json=as_json))


async def _follow(address: object, topics: object, *, aloud: bool, as_json: bool) -> None:
    import json

    import msgspec

    from lineset.contract.topic import Topics
    from lineset.station.voice import cues as cues_of
    from lineset.station.voice import find_voices, speak
    from lineset.stream.address import BrokerAddress

    assert isinstance(address, BrokerAddress)
    assert isinstance(topics, Topics)
    voices = find_voices() if aloud else []
    if aloud and not voices:
        raise say_error("cues", "no voice here: install speech-dispatcher or espeak-ng, or let the board speak", WRONG)
    async for cue in cues_of(address, topics):
        typer.echo(json.dumps(msgspec.to_builtins(cue)) if as_json else cue.text)
        while voices and not await speak(voices[0], cue.text, cue.language):
            voices.pop(0)
