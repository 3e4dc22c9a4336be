"""`lineset shop`: the verbs of the shop's computer. Each is declared here or in a file of its own, `shop_*.py`."""

from __future__ import annotations

import typer

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="The shop: its broker, its database, its stations' credentials, its collectors and its board.",
)
