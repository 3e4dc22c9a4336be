"""`lineset shop resend`: closed visits go to the shop again, after it came back from an old backup."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lineset.cli.shop_join import ConfigOption, DataOption
from lineset.cli.station_access import (
    REFUSED,
    UNREACHABLE,
    WRONG,
    AtOption,
    JsonOption,
    ask_station,
    say_error,
)

if TYPE_CHECKING:
    from lineset.contract.command import Resend

_VERB = "shop resend"


def complete_visit(context: typer.Context, incomplete: str) -> list[str]:
    """Names of the visits in the data folder that was given so far."""
    from lineset.cli.which_visit import visit_names

    return [name for name in visit_names(context.params.get("data")) if name.startswith(incomplete)]


def resend(
    visit: Annotated[
        list[str] | None, typer.Argument(help="Names of closed visits.", autocompletion=complete_visit)
    ] = None,
    all_: Annotated[bool, typer.Option("--all", help="All closed visits that have a journal here.")] = False,
    since: Annotated[
        str, typer.Option(help="Those closed on this day or later, by this laptop's clock: 2027-04-12, or with a time.")
    ] = "",
    config: ConfigOption = None,
    data: DataOption = None,
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Give closed visits to the shop again, which was restored from a backup that is older than they are.

    The shop answers for what it still has, so nothing is stored twice, and what is recorded today goes first. A running
    station does it at once; where none runs, it goes when the station runs the next time.

    Example: lineset shop resend --since 2027-04-12

    Example: lineset shop resend spring-11 spring-12

    Exit code: 0 all that was asked for goes again, 1 refused, or a visit that was named has no journal or none that can
    be read, 2 wrong words, 3 the station that runs does not answer.
    """
    from lineset.contract.command import Resend

    if sum((bool(visit), all_, bool(since))) != 1:
        text = "name visits, or say --all, or --since DATE (when the backup was made): one of the three"
        raise say_error(_VERB, text, WRONG)
    asked = Resend(visits=tuple(visit or ()), all=all_, since=_moment(since))
    text, said = _done(asked, config, data, at)
    if as_json:
        typer.echo(json.dumps({"text": text} | said, indent=2))
    else:
        typer.echo(text)
    if said["no_journal"] or said["unreadable"]:
        raise typer.Exit(REFUSED)


def _moment(since: str) -> float | None:
    if not since:
        return None
    try:
        return datetime.fromisoformat(since).timestamp()  # without a zone: this laptop's
    except (ValueError, OverflowError) as error:
        raise say_error(_VERB, f"{since!r} is no date; write it like 2027-04-12 or 2027-04-12T18:00", WRONG) from error


def _done(asked: Resend, config: Path | None, data: Path | None, at: Path | None) -> tuple[str, dict[str, Any]]:
    """A running station does it; where none runs on the data folder its files are changed."""
    from lineset.journal.errors import JournalError, LockedFileError
    from lineset.station.resending import ResendRefused, resend_without_station
    from lineset.stream.errors import StreamError

    silent: StreamError | None = None
    if config is None and data is None:  # which folder the station that runs has is not known here
        try:
            return _asked(asked, at)
        except StreamError as error:
            silent = error
    folder, join_file = _folder(config, data)
    try:
        return resend_without_station(folder, join_file, asked)
    except LockedFileError as error:
        if silent is None:
            try:
                return _asked(asked, at)
            except StreamError as another:
                silent = another
        text = f"a station runs on {folder} and does not answer: {silent}"
        raise say_error(_VERB, text, UNREACHABLE) from error
    except (JournalError, ResendRefused) as error:
        raise say_error(_VERB, str(error), REFUSED) from error
    except OSError as error:
        raise say_error(_VERB, f"{folder}: {error.strerror or error}", REFUSED) from error


def _asked(asked: Resend, at: Path | None) -> tuple[str, dict[str, Any]]:
    """Raises StreamError when no station answers."""
    import msgspec

    reply = ask_station("resend", msgspec.to_builtins(asked), at, timeout_s=60.0)
    if not reply.ok:
        raise say_error(_VERB, reply.text, REFUSED)
    return reply.text, reply.data


def _folder(config: Path | None, data: Path | None) -> tuple[Path, Path]:
    """The station's data folder, and where its join file would be. Raises typer.Exit where there is none."""
    from lineset.cli.shop_join import place

    _, join_file, folder = place("resend", config, data)
    if not (folder / "visits").is_dir():
        text = f"no station runs here, and {folder} holds no visits; name the folder with --config or --data"
        raise say_error(_VERB, text, REFUSED)
    return folder, join_file
