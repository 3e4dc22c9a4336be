"""`lineset shop`: the verbs of the shop's computer. Each is declared here or in a file of its own, `shop_*.py`."""

from __future__ import annotations

import typer

from lineset.cli import shop_aside, shop_init, shop_join, shop_resend, shop_retain, shop_run, shop_station, shop_token

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="The shop: its broker, its database, its stations' credentials, its collectors and its board.",
)

app.command("join")(shop_join.join)
app.command("leave")(shop_join.leave)
app.command("resend")(shop_resend.resend)
app.add_typer(shop_token.app, name="token")

app.command("init")(shop_init.init)
app.command("run")(shop_run.run)
app.command("status")(shop_run.status)
app.command("aside")(shop_aside.aside)
app.command("retain")(shop_retain.retain)
app.command("renew")(shop_init.renew)
app.add_typer(shop_station.app, name="station")
