"""The command line: one file a verb, imported only to declare it; what a verb needs it imports when it runs."""

from __future__ import annotations

from typing import Annotated

import typer

import lineset
from lineset.cli import (
    audit,
    board,
    calc,
    contract,
    cues,
    declare,
    doctor,
    done,
    enter,
    export,
    find,
    note,
    observe,
    place,
    profile,
    refrigerant,
    relay,
    report,
    run,
    shop,
    visit,
    watch,
)

app = typer.Typer(
    name="lineset",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help=(
        "Hands-free, audit-grade readings for the residential air-conditioning technician, published over MQTT.\n\n"
        "Line voltage, stored charge in capacitors, refrigerant under pressure, flammable refrigerants: readings "
        "never replace lock-out, discharge, protective equipment, local code, the manufacturer's data or a licence."
    ),
    epilog="Shell completion: lineset --install-completion",
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"lineset {lineset.__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and stop.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    pass


app.command("run")(run.run)
app.command("relay")(relay.relay)
app.command("find")(find.find)
app.command("place")(place.place)
# a winter temperature such as "-10 degF" is a value, not an option
app.command("enter", context_settings={"ignore_unknown_options": True})(enter.enter)
app.command("declare")(declare.declare)
app.command("refrigerant")(refrigerant.refrigerant)
app.command("note")(note.note)
app.command("done")(done.done)
app.command("worklist")(done.worklist)
app.command("observe")(observe.observe)
app.command("watch")(watch.watch)
app.command("board")(board.board)
app.command("calc")(calc.calc)
app.command("contract")(contract.contract)
app.command("cues")(cues.cues)
app.command("export")(export.export)
app.command("report")(report.report)
app.command("audit")(audit.audit)
app.command("doctor")(doctor.doctor)
app.add_typer(visit.app, name="visit")
app.add_typer(profile.app, name="profile")
app.add_typer(shop.app, name="shop")


def main() -> None:
    """Entry point of the `lineset` command."""
    app()
