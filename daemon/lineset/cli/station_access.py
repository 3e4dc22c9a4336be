"""How the other verbs reach the running station: its broker file, one command, one reply, clear errors.

Exit codes of all verbs: 0 done, 1 refused or failed, 2 the question cannot be asked as it is, 3 no station or broker
can be reached.
"""

from __future__ import annotations

import asyncio
import getpass
import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lineset.cli.printed import printed

if TYPE_CHECKING:
    from lineset.contract.command import Reply
    from lineset.contract.topic import Topics
    from lineset.stream.address import BrokerAddress, Role

REFUSED, WRONG, UNREACHABLE = 1, 2, 3

AtOption = Annotated[
    Path | None,
    typer.Option(
        "--at",
        envvar="LINESET_RUNTIME",
        help="Folder where the running station left broker.json; found by itself when not given.",
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON.")]


def say_error(verb: str, text: str, code: int) -> typer.Exit:
    """Print an error for a person; returns the exit to raise."""
    # an error may quote a record, and that can hold anything
    typer.echo("\n".join(map(printed, f"lineset {verb}: {text}".split("\n"))), err=True)
    return typer.Exit(code)


def reach(verb: str, at: Path | None, role: Role) -> tuple[BrokerAddress, Topics]:
    """Address and topics of the station that runs here. Raises typer.Exit with a sentence when none does."""
    from lineset.stream.address import read_broker_file
    from lineset.stream.errors import StreamError

    try:
        found = read_broker_file(at)
        return found.address(role), found.topics
    except StreamError as error:
        raise say_error(verb, str(error), UNREACHABLE) from error


def ask_station(verb: str, args: dict[str, Any], at: Path | None, *, timeout_s: float = 10.0) -> Reply:
    """The running station's reply, under the technician's name. Raises StreamError when none came."""
    from lineset.stream.address import read_broker_file
    from lineset.stream.ask import ask

    found = read_broker_file(at)
    actor = f"{_who()} by command line"
    return asyncio.run(ask(found.address("technician"), found.topics, verb, args, actor=actor, timeout_s=timeout_s))


def command(verb: str, shown_verb: str, args: dict[str, Any], at: Path | None, *, timeout_s: float = 10.0) -> Reply:
    """Ask the station; the reply, or typer.Exit with a sentence when none came."""
    from lineset.stream.errors import StreamError

    try:
        return ask_station(verb, args, at, timeout_s=timeout_s)
    except StreamError as error:
        raise say_error(shown_verb, str(error), UNREACHABLE) from error


def _who() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a user without a name, as in some containers
        return "somebody"


def show_reply(shown_verb: str, reply: Reply, as_json: bool) -> None:
    """Print a reply; a refusal ends with exit code 1."""
    import msgspec

    if as_json:
        typer.echo(json.dumps(msgspec.to_builtins(reply), indent=2))
    elif reply.ok:
        typer.echo(reply.text)
    else:
        typer.echo(f"lineset {shown_verb}: {reply.text}", err=True)
    if not reply.ok:
        raise typer.Exit(REFUSED)
