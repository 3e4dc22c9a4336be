"""`lineset observe`: what a person saw, in words, as a quick observation, with a photo."""

from __future__ import annotations

import hashlib
import json
import mimetypes
from base64 import b64encode
from pathlib import Path
from typing import Annotated

import typer

from lineset.cli.station_access import REFUSED, WRONG, AtOption, JsonOption, command, say_error, show_reply

_PART = 256 * 1024


def complete_sign(incomplete: str) -> list[str]:
    """Quick observations that begin so."""
    from lineset.visit.observations import signs

    return [id_ for id_ in signs() if id_.startswith(incomplete)]


def observe(
    text: Annotated[str, typer.Argument(help="What was seen, in words.")] = "",
    sign: Annotated[
        str, typer.Option(help="A quick observation, such as capacitor_bulged.", autocompletion=complete_sign)
    ] = "",
    about: Annotated[str, typer.Option(help="A point, task or part that it is about.")] = "",
    urgency: Annotated[str, typer.Option(help="now, soon, next_visit or note; else the usual one.")] = "",
    wants: Annotated[
        list[str] | None,
        typer.Option(help="What is wanted of the shop: part, approval, return_visit or none; else the usual."),
    ] = None,
    withdraw: Annotated[
        int,
        typer.Option(
            metavar="ENTRY", show_default=False, help="What this entry wants is wanted no longer, but for --wants."
        ),
    ] = 0,
    photo: Annotated[Path | None, typer.Option(help="A photo: JPEG, PNG or WebP, 8 MiB at most.")] = None,
    system: Annotated[str, typer.Option(help="Which system, where the visit has several.")] = "",
    list_all: Annotated[bool, typer.Option("--list", help="Name all quick observations.")] = False,
    wanted: Annotated[
        bool, typer.Option("--wanted", help="Say what is wanted of the shop, and by which entry.")
    ] = False,
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put what you saw on record. A photo goes into the visit's journal and is sealed with it, without what the camera
    noted in its margins: place, time, device.

    Take photos with your hands out of a live panel.

    Example: lineset observe "oil under the flare nut" --sign oil_stain --photo nut.jpg --wants return_visit

    What is wanted no longer is taken back by the number of its entry: lineset observe --wanted, then lineset observe
    "one was in the van" --withdraw 655. The record keeps both.

    Exit code: 0 on record, 1 refused, 2 wrong words, 3 no station runs here.
    """
    if list_all:
        _list(as_json)
        return
    if wanted:
        _wanted(at, as_json)
        return
    args: dict[str, object] = {"text": text, "sign": sign, "about": about, "urgency": urgency, "system": system}
    if withdraw:
        args["withdraws"] = withdraw
    if wants:
        args["wants"] = [want for want in wants if want != "none"]
    if photo is not None:
        args["photo"] = _send(photo, at)
    show_reply("observe", command("observe", "observe", args, at), as_json)


def _list(as_json: bool) -> None:
    from lineset.visit.observations import signs

    if as_json:
        rows = [
            {"id": s.id, "words": s.words, "about": s.about, "urgency": s.urgency, "wants": s.wants}
            for s in signs().values()
        ]
        typer.echo(json.dumps(rows, indent=2))
        return
    for row in signs().values():
        typer.echo(f"{row.id:26}{row.urgency:12}{row.words}")


def _wanted(at: Path | None, as_json: bool) -> None:
    reply = command("visit-show", "observe", {}, at)
    rows = reply.data.get("wanted", [])
    if not reply.ok or not reply.data.get("visit"):
        raise say_error("observe", reply.text, REFUSED)
    if as_json:
        typer.echo(json.dumps(rows, indent=2))
        return
    for row in rows:
        typer.echo(f"{row['seq']:>8}  {row['system']}  {row['said']}")
    if not rows:
        typer.echo("nothing is wanted of the shop")


def _send(photo: Path, at: Path | None) -> str:
    """Send a photo in parts, without what the camera noted beside it; its hash.

    Ends with a sentence where the station does not take it.
    """
    from lineset.station.photo_margins import without_margins

    try:
        content = photo.read_bytes()
    except OSError as error:
        raise say_error("observe", f"{photo} cannot be read: {error.strerror}", WRONG) from error
    if not content:
        raise say_error("observe", f"{photo} is empty", WRONG)
    content = without_margins(content)
    sha256 = hashlib.sha256(content).hexdigest()
    media_type = mimetypes.guess_type(photo.name)[0] or "application/octet-stream"
    parts = -(-len(content) // _PART)
    for part in range(parts):
        data = b64encode(content[part * _PART : (part + 1) * _PART]).decode()
        args = {
            "sha256": sha256, "media_type": media_type, "size": len(content), "part": part, "parts": parts,
            "data": data,
        }  # fmt: skip
        reply = command("blob", "observe", args, at, timeout_s=30.0)
        if not reply.ok:
            raise say_error("observe", reply.text, REFUSED)
        if reply.data.get("complete"):
            break
    return sha256
