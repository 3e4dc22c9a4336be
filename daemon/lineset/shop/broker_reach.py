"""The names and addresses under which stations reach a broker, looked at before anything is made for them."""

from __future__ import annotations

import re
from ipaddress import ip_address

from lineset.stream.address import BrokerAddress
from lineset.stream.errors import SettingsError

# RFC 1123, section 2.1: letters, digits and dashes between dots; underscores are common on private networks
_LABEL = re.compile(r"[A-Za-z0-9_]([A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?")
_MAX_HOST = 253  # characters of a name, RFC 1035, section 2.3.4, without the final dot


def host_problem(host: str) -> str:
    """What is wrong with the name or address of a broker node; empty when nothing is."""
    try:
        ip_address(host)
    except ValueError:
        if len(host) > _MAX_HOST or not all(_LABEL.fullmatch(label) for label in host.split(".")):
            return f"host {host!r} is neither a name nor an address"
    return ""


def url_problem(url: str) -> str:
    """What is wrong with the address of a broker of the shop's own; empty when nothing is."""
    try:
        found = BrokerAddress.from_url(url)
    except SettingsError as error:
        return str(error)
    if found.tls is None and not found.on_loopback:
        return f"broker URL {url!r} is not encrypted, and passwords would travel readable"
    return ""
