"""`lineset refrigerant`: put on record that a certified person has added or removed refrigerant."""

from __future__ import annotations

from typing import Annotated

import typer

from lineset.cli.station_access import AtOption, JsonOption, command, show_reply


def refrigerant(
    action: Annotated[str, typer.Argument(help="added or removed.", autocompletion=lambda: ["added", "removed"])],
    certified: Annotated[
        str, typer.Option(help="Who did it: name or number of the certificate that the law asks for.")
    ] = "",
    amount: Annotated[str, typer.Option(help='What the scale showed: "6 oz", "2 lb 6 oz", "0.17 kg".')] = "",
    note: Annotated[str, typer.Option(help="A remark, such as the cylinder's number.")] = "",
    system: Annotated[str, typer.Option(help="Which system, where the visit has several.")] = "",
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put on record what was done to the refrigerant; lineset never says that it should be done.

    What had settled starts over, and the minutes to stabilise are counted anew. Opening a refrigerant circuit is for
    licensed and certified people, by the maker's charging procedure, local code and the law; recover, never vent.

    Example: lineset refrigerant removed --amount "6 oz" --certified "certificate 0000"

    Exit code: 0 on record, 1 refused, 3 no station runs here.
    """
    args = {"action": action, "certified": certified, "amount": amount, "note": note, "system": system}
    show_reply("refrigerant", command("refrigerant", "refrigerant", args, at), as_json)
