"""`lineset shop init` and `lineset shop renew`: the shop's folder, and its certificates."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lineset.cli.shop_folder import FolderOption, explained, load
from lineset.cli.station_access import REFUSED, WRONG, JsonOption, say_error

if TYPE_CHECKING:
    from lineset.shop.shop_config import ShopConfig


def init(
    folder: Annotated[Path, typer.Argument(help="Folder of the shop; made when it is not there.", file_okay=False)],
    name: Annotated[str, typer.Option(help="Name of the shop in all topics: a-z, 0-9, underscore, dash.")] = "shop",
    nodes: Annotated[int, typer.Option(help="Embedded broker nodes: 1, or 3 as a cluster.", min=1, max=3)] = 1,
    host: Annotated[
        list[str] | None,
        typer.Option(help="Name or address under which vans reach the broker; give three for three machines."),
    ] = None,
    port: Annotated[int, typer.Option(help="MQTT port of the first node; 0 chooses free ports.", max=65530)] = 8883,
    url: Annotated[
        list[str] | None, typer.Option(help="A broker of your own instead: mqtts://HOST:PORT. May be repeated.")
    ] = None,
    database_url: Annotated[
        str, typer.Option(help="A PostgreSQL of your own instead: postgresql://HOST:PORT/NAME, without password.")
    ] = "",
    certificate: Annotated[Path | None, typer.Option(help="Your own certificate for the broker, PEM.")] = None,
    key: Annotated[Path | None, typer.Option(help="Its key, PEM.")] = None,
    ca: Annotated[
        Path | None, typer.Option(help="The authority that vans must trust for it, PEM; none for a public one.")
    ] = None,
    mosquitto: Annotated[bool, typer.Option("--mosquitto", help="Write files for mosquitto instead.")] = False,
    rewrite: Annotated[
        bool,
        typer.Option("--rewrite", help="Write the broker's files anew where shop.toml says otherwise."),
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Make a shop: settings, secrets, certificates, the broker's configuration, the database and its tables.

    Safe to do again: what is there stays, what is missing is made. A shop that is there is changed in its shop.toml,
    then with --rewrite.

    Example: lineset shop init /srv/lineset-shop --name north --host shop.lan

    Exit code: 0 done, 1 it cannot be made, 2 wrong words or settings, 3 the database that was made does not
    answer. A PostgreSQL of your own that does not let us in yet is told under "to do".
    """
    import asyncio

    import msgspec

    from lineset.cli.quiet import set_up_quiet_logs
    from lineset.shop.database_server import exists
    from lineset.shop.setting_up import Wish, set_up_folder
    from lineset.shop.setting_up_database import set_up_database
    from lineset.shop.shop_config import load_shop

    set_up_quiet_logs()
    if nodes == 2:
        raise say_error("shop init", "two nodes are no better than one: with one gone neither may go on; use 3", WRONG)
    wish = Wish(
        name=name,
        nodes=3 if nodes == 3 else 1,
        hosts=tuple(host or ()),
        port=port,
        urls=tuple(url or ()),
        database_url=database_url,
        certificate=certificate,
        key=key,
        ca=ca,
        mosquitto=mosquitto,
        rewrite=rewrite,
    )
    with explained("shop init"):
        outcome = set_up_folder(folder, wish)
        config = load_shop(folder)
        applied = asyncio.run(set_up_database(config, outcome))
    if as_json:
        typer.echo(json.dumps({**msgspec.to_builtins(outcome), "migrations": applied}, indent=2))
        return
    typer.echo(f"shop {config.name} in {config.folder}")
    for title, items in (("made", outcome.made), ("there already, left as it is", outcome.there)):
        if items:
            typer.echo(f"  {title}: {', '.join(items)}")
    if outcome.differs:
        typer.echo(f"  not what shop.toml says, left as it is: {', '.join(outcome.differs)}; --rewrite writes it anew")
    if outcome.not_applied:
        typer.echo(f"  not applied, the shop is there already: {', '.join(outcome.not_applied)}")
    if applied:
        typer.echo(f"  database brought up to date: {', '.join(applied)}")
    elif exists(config.folder / "database"):
        typer.echo("  database up to date")
    for item in outcome.to_do:
        typer.echo(f"  to do: {item}")
    for line in _validity(config):
        typer.echo(f"  {line}")
    for each in config.station_urls:
        typer.echo(f"  vans reach it at {each}")
    typer.echo(f"next: lineset shop run --folder {folder}; then lineset shop station add NAME --folder {folder}")


def _validity(config: ShopConfig) -> list[str]:
    """Until when the certificates of this shop hold."""
    from lineset.shop.certificates import valid_until

    nodes = [config.certificates / f"{node.name}.pem" for node in config.broker.node]
    if config.broker.certificate or not nodes or not all(path.exists() for path in nodes):
        return []
    first = min(valid_until(path) for path in nodes).date()
    authority = valid_until(config.certificates / "authority.pem").date()
    return [f"certificates valid until {first}, renewed by lineset shop run; the authority until {authority}"]


def renew(
    folder: FolderOption = None,
    only_due: Annotated[bool, typer.Option("--due", help="Only those that end within 30 days.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Make the certificates of the broker's nodes anew, with the shop's own authority. Join files stay valid.

    lineset shop run does so by itself thirty days before their end, while authority.key is in the folder.

    Example: lineset shop renew --due

    Exit code: 0 done, 1 it cannot, 2 wrong settings, 3 no shop there.
    """
    import asyncio

    from lineset.shop import certificates
    from lineset.shop.in_force import broker_in_force

    config = load("shop renew", folder)
    if config.broker.certificate or not config.broker.node:
        raise say_error("shop renew", "this shop's certificates are its own; renew them where they come from", WRONG)
    made = {}
    with explained("shop renew"):
        for node in config.broker.node:
            path = config.certificates / f"{node.name}.pem"
            if not only_due or certificates.days_left(path) < certificates.RENEW_DAYS:
                certificates.make_node(config.certificates, node.name, node.host)
                made[node.name] = certificates.valid_until(path).isoformat()
        authority = certificates.valid_until(config.certificates / "authority.pem").isoformat()
        told = asyncio.run(broker_in_force(config)) if made else {"broker": "nothing is due"}
    if as_json:
        typer.echo(json.dumps({"renewed": made, "authority_until": authority, **told}, indent=2))
    else:
        for node_name, until in made.items():
            typer.echo(f"{node_name}: valid until {until}")
        for what, sentence in told.items():
            typer.echo(f"{what.replace('_', ' ')}: {sentence}")
        typer.echo(f"the authority itself: valid until {authority}")
    if "not_yet_at" in told:
        raise typer.Exit(REFUSED)
