"""`lineset declare`: what a technician says is so, for the checks that ask."""

from __future__ import annotations

from typing import Annotated

import typer

from lineset.cli.station_access import AtOption, JsonOption, command, show_reply


def _facts() -> list[str]:
    from lineset.equipment.facts import FACTS

    return list(FACTS)


def declare(
    fact: Annotated[
        str, typer.Argument(help="Fact, such as panels_on, filter_in, outdoor_coil_dry.", autocompletion=_facts)
    ] = "",
    no: Annotated[bool, typer.Option("--not", help="It is not so.")] = False,
    forget: Annotated[bool, typer.Option("--forget", help="Take back what was declared.")] = False,
    system: Annotated[str, typer.Option(help="Which system, where the visit has several.")] = "",
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say that something is so which no instrument tells: panels on, filter in, coil dry.

    Some facts hold for this phase, some until work begins, some for the visit: without a fact it lists them.

    Example: lineset declare panels_on

    Exit code: 0 declared, 1 refused, 3 no station runs here.
    """
    if not fact:
        from lineset.equipment.facts import CATALOGUE

        holds = {"phase": "this phase", "work": "until work", "visit": "the visit"}
        for row in CATALOGUE.values():
            typer.echo(f"{row.name:22}{holds[row.holds]:12}{row.sentence}")
        return
    value = None if forget else not no
    args = {"fact": fact, "value": value, "system": system}
    show_reply("declare", command("declare", "declare", args, at), as_json)
