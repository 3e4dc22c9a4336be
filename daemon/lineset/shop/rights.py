"""Who may say and hear what on a shop's broker, in MQTT's words; the brokers' own words follow from it. Pure.

A station says only what is its own and hears only its receipts. The collector hears everything of the shop, says
receipts, and clears what a station left behind. The board hears all but blocks; the dashboard neither blocks nor what
people wrote. Nobody says a command: there is no right to it in any row.
"""

from __future__ import annotations

from dataclasses import dataclass

from lineset.contract.topic import Topics
from lineset.shop.shop_config import BrokerRole

_BLOCKS = "visit/+/block/#"
_WRITTEN = ("visit/+/observation/#", "visit/+/event/note", "visit/+/event/observation", "visit/+/event/command")


@dataclass(frozen=True, slots=True)
class Rights:
    """Topic filters: what one may say, may hear, and may not hear although it would be among that."""

    say: tuple[str, ...] = ()
    hear: tuple[str, ...] = ()
    never_hear: tuple[str, ...] = ()


def station_rights(topics: Topics) -> Rights:
    """Of one station."""
    return Rights(
        say=(topics.station(), f"{topics.base}/instrument/+", f"{topics.base}/visit/#"),
        hear=(topics.receipts,),
    )


def part_rights(role: BrokerRole, base: str) -> Rights:
    """Of a part of the shop; `base` is what the topics of all its stations begin with."""
    every = f"{base}/+"
    if role == "collector":
        return Rights(
            # all but receipts only to clear retained messages of a station that is gone; blocks are never retained
            say=(f"{every}/receipt/+", f"{every}/station", f"{every}/instrument/+", f"{every}/visit/#"),
            hear=(f"{base}/#",),
        )
    if role == "board":
        return Rights(hear=(f"{base}/#",), never_hear=(f"{every}/{_BLOCKS}",))
    return Rights(hear=(f"{base}/#",), never_hear=tuple(f"{every}/{rest}" for rest in (_BLOCKS, *_WRITTEN)))
