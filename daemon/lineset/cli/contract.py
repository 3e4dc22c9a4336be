"""`lineset contract`: the AsyncAPI 3 document and the JSON Schemas, for whoever writes a dashboard or a script."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from lineset.contract.topic import Kind


def contract(
    name: Annotated[
        str,
        typer.Argument(
            help="What to print: 'topics' (a table), 'asyncapi', 'schemas' (all), or the name of one model.",
        ),
    ] = "topics",
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Write asyncapi.json and one NAME.schema.json a model into this folder."),
    ] = None,
    shop: Annotated[str, typer.Option("--shop", help="Put this shop into the topics.")] = "",
    station: Annotated[str, typer.Option("--station", help="Put this station into the topics.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON (alone: the AsyncAPI document).")] = False,
) -> None:
    """What this program says and hears over MQTT: topics, JSON Schemas, AsyncAPI 3.

    Examples: lineset contract; lineset contract asyncapi > lineset.json; lineset contract SettledMessage;
    lineset contract --out contract/

    Exit code: 0 done, 1 the folder cannot be written, 2 no model has this name.
    """
    from lineset.contract.topic import TopicError, check_level

    try:
        for level, what in ((shop, "shop"), (station, "station")):
            if level:
                check_level(level, what)
    except TopicError as error:
        typer.echo(f"lineset contract: {error}", err=True)
        raise typer.Exit(2) from error
    if out is not None:
        _write(out, shop, station, as_json)
    elif name == "topics" and not as_json:
        _print_topics(shop, station)
    else:
        typer.echo(_json(_document(name, shop, station)))


def _document(name: str, shop: str, station: str) -> dict[str, Any]:
    from lineset.contract import schema

    if name in ("asyncapi", "topics"):
        return schema.asyncapi(shop, station)
    if name == "schemas":
        return {known: schema.json_schema(known) for known in schema.schema_names()}
    try:
        return schema.json_schema(name)
    except KeyError as error:
        import difflib

        names = schema.schema_names()
        near = difflib.get_close_matches(name, names, n=3, cutoff=0.4) or names
        typer.echo(f"lineset contract: no model is called {name!r}; there are {', '.join(near)}", err=True)
        raise typer.Exit(2) from error


def _write(folder: Path, shop: str, station: str, as_json: bool) -> None:
    from lineset.contract import schema

    documents = {"asyncapi.json": schema.asyncapi(shop, station)}
    documents |= {f"{known}.schema.json": schema.json_schema(known) for known in schema.schema_names()}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, document in documents.items():
            (folder / name).write_text(_json(document) + "\n", encoding="utf-8")
    except OSError as error:
        typer.echo(f"lineset contract: {folder}: {error.strerror}; name a folder that you may write to", err=True)
        raise typer.Exit(1) from error
    if as_json:
        typer.echo(_json({"folder": str(folder), "files": list(documents)}))
    else:
        typer.echo(f"{len(documents)} files written to {folder}: asyncapi.json and a schema for each model")


def _print_topics(shop: str, station: str) -> None:
    from lineset.contract.topic import KINDS, ROOT

    typer.echo(f"Topics below {ROOT}/{shop or '{shop}'}/{station or '{station}'}/\n")
    for kind in KINDS.values():
        typer.echo(f"{kind.pattern}\n    {_how(kind)}: {kind.message.__name__}\n    {kind.about}")
    typer.echo("\nMore: lineset contract asyncapi, lineset contract schemas, lineset contract NAME")


def _how(kind: Kind) -> str:
    words = [f"QoS {kind.qos}", "retained" if kind.retained else "not retained"]
    if kind.sender != "station":
        words.append("to the station")
    return ", ".join(words)


def _json(document: dict[str, Any]) -> str:
    import json

    return json.dumps(document, indent=2, ensure_ascii=False)
