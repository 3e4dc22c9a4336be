"""The text of `shop.toml` as `lineset shop init` writes it: every key, with what it means. Pure."""

from __future__ import annotations

import json

from lineset.shop.shop_config import ShopConfig


def settings_text(config: ShopConfig) -> str:
    """The settings as TOML that `load_shop` reads back to the same."""
    broker, database, board = config.broker, config.database_settings, config.board
    lines = [
        "# The shop's settings. No secrets here: they are in the folder secrets, readable by their owner alone.",
        "",
        "[shop]",
        f"name = {_text(config.shop.name)}  # a level of all topics: stations are told it by their join file",
        f"language = {_text(config.shop.language)}  # of the day sheet: en, es",
        "",
        "[broker]",
        f"embedded = {_flag(broker.embedded)}  # the nodes below, run by lineset shop run; false: the broker at urls",
        f"kind = {_text(broker.kind)}  # whose configuration is written: nats, mosquitto, none",
        f"listen = {_text(broker.listen)}  # address that the embedded nodes listen on",
        f"here = {_list(broker.here)}  # names of the nodes that run on this machine; empty: all",
        f"urls = {_list(broker.urls)}  # of a broker of the shop's own: mqtts://HOST:PORT",
        f"allowed_origins = {_list(broker.allowed_origins)}  # web pages that may open the WebSocket",
        f"certificate = {_text(broker.certificate)}  # PEM files of the shop's own; empty: made by its authority",
        f"key = {_text(broker.key)}",
        f"hand_over = {_list(broker.hand_over)}  # command for {{path}} of this folder to {{host}} of another node; "
        "empty: by hand",
    ]
    for node in broker.node:
        lines += [
            "",
            "[[broker.node]]",
            f"name = {_text(node.name)}",
            f"host = {_text(node.host)}  # as stations reach it; named in its certificate",
            f"port = {node.port}  # MQTT over TLS",
            f"websocket_port = {node.websocket_port}  # MQTT over a WebSocket over TLS, path /mqtt",
            f"route_port = {node.route_port}  # where the nodes of a cluster meet, over TLS",
        ]
    lines += [
        "",
        "[database]",
        f"embedded = {_flag(database.embedded)}  # PostgreSQL from the wheel, in the folder database, on loopback",
        f"port = {database.port}",
        f"url = {_text(database.url)}  # of a PostgreSQL of the shop's own: postgresql://HOST:PORT/NAME",
        f"ca = {_text(database.ca)}  # PEM file of the authority of that server's certificate; empty: the system's",
        "",
        "[collector]",
        f"count = {config.collector.count}  # they share the work, and one may die",
        "",
        "[board]",
        f"port = {board.port}",
        f"network = {_flag(board.network)}  # false: on loopback only; true: on all addresses, with TLS",
        f"certificate = {_text(board.certificate)}",
        f"key = {_text(board.key)}",
        f"identity_header = {_text(board.identity_header)}  # set by a proxy that logs people in; empty: tokens only",
        f"proxies = {_list(board.proxies)}  # where that header may come from",
        f"notes_for = {_list(board.notes_for)}  # who of them may read what people wrote, and reports",
        "",
        "[retention]",
        f"months = {config.retention.months}  # whole months that the record is kept",
        f"reading_months = {config.retention.reading_months}  # of rows of readings and derived values, "
        "whose blocks stay; 0: as many",
        "",
        "[metrics]",
        f"port = {config.metrics.port}  # on loopback; collector k at port + k, from 0; 0: none",
    ]
    return "\n".join(lines) + "\n"


def _text(value: str) -> str:
    """A TOML basic string: what JSON writes, but for characters beyond 16 bits and DEL."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _list(values: tuple[str, ...]) -> str:
    return f"[{', '.join(map(_text, values))}]"


def _flag(value: bool) -> str:
    return "true" if value else "false"
