"""What a collector tells of itself to a scraper: what came and was stored, how late, what was not taken, who is silent.

Rows read the plain attributes of the running collector, on loopback, at the port of `[metrics]` and one more for each
collector after the first. Stations go by their names in the topics; no visit is named, and nothing that a person wrote.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import AsyncIterator

import lineset
from lineset.shop.block_message import FORGED, KEY, NEWER, OTHER_RECORD, OVERSIZED, UNKNOWN, UNREADABLE
from lineset.shop.collector import LAG_BOUNDS_S, Collector
from lineset.station.metrics_config import MetricsConfig
from lineset.station.metrics_server import LINK_STATES, Buckets, Labelled, Measure, MetricsServer, disk_rows, served

Row = Measure[Collector]
REASONS = (OTHER_RECORD, FORGED, UNREADABLE, OVERSIZED, NEWER, KEY, UNKNOWN)
_NUMBER = re.compile(r"([1-9][0-9]{0,3})$")


def _set_aside(collector: Collector) -> Labelled:
    for reason, count in (dict.fromkeys(REASONS, 0) | collector.counts.set_aside).items():
        yield (reason,), count


def _link_states(collector: Collector) -> Labelled:
    for state in LINK_STATES:
        yield (state,), collector.link.status.state == state


def _lags(collector: Collector) -> Buckets:
    counts = collector.counts
    return Buckets(LAG_BOUNDS_S, counts.lag_buckets, counts.lag_sum_s, counts.lag_count)


def _block_times(collector: Collector) -> Labelled:
    return [((station,), heard.block_at) for station, heard in collector.stations if heard.block_at]


def _online(collector: Collector) -> Labelled:
    return [((station,), heard.online) for station, heard in collector.stations if heard.online is not None]


def _open_visits(collector: Collector) -> Labelled:
    return [((station,), len(heard.open_visits)) for station, heard in collector.stations]


ROWS: tuple[Row, ...] = (
    Row(
        "lineset_shop_build_info", "gauge", "Always 1; the program's version and the collector's name.",
        lambda c: [((lineset.__version__, c.name), 1)], ("version", "collector"),
    ),
    Row("lineset_shop_messages", "counter", "Block messages of this collector's own.", lambda c: c.counts.messages),
    Row(
        "lineset_shop_foreign_messages", "counter", "Block messages of stations that belong to another collector.",
        lambda c: c.counts.foreign,
    ),
    Row(
        "lineset_shop_let_go_messages", "counter", "Block messages let go because memory was full; they come again.",
        lambda c: c.counts.let_go,
    ),
    Row("lineset_shop_blocks", "counter", "Blocks stored.", lambda c: c.counts.blocks),
    Row("lineset_shop_entries", "counter", "Journal entries stored.", lambda c: c.counts.entries),
    Row("lineset_shop_readings", "counter", "Readings stored.", lambda c: c.counts.readings),
    Row("lineset_shop_sealed_visits", "counter", "Visits whose seal was stored.", lambda c: c.counts.sealed),
    Row("lineset_shop_blocks_again", "counter", "Blocks that came though they were stored.", lambda c: c.counts.again),
    Row(
        "lineset_shop_waiting_blocks", "counter", "Blocks that came before one that they follow, and were kept.",
        lambda c: c.counts.waits,
    ),
    Row("lineset_shop_gaps", "counter", "How often missing blocks were asked for again.", lambda c: c.counts.gaps),
    Row("lineset_shop_refused_blocks", "counter", "Blocks too far ahead to be kept.", lambda c: c.counts.refused),
    Row("lineset_shop_set_aside", "counter", "Messages that were not taken, by reason.", _set_aside, ("reason",)),
    Row(
        "lineset_shop_strange_keys", "counter", "How often a station named another key than the one it is known by.",
        lambda c: c.counts.strange_keys,
    ),
    Row("lineset_shop_receipts", "counter", "Receipts that the broker has acknowledged.", lambda c: c.counts.receipts),
    Row("lineset_shop_unsaid_receipts", "gauge", "Receipts that wait for the broker.", lambda c: c.counts.unsaid),
    Row("lineset_shop_pending_messages", "gauge", "Messages that wait to be stored.", lambda c: c.counts.pending),
    Row("lineset_shop_pending_bytes", "gauge", "Memory that those messages take.", lambda c: c.counts.pending_bytes),
    Row("lineset_shop_batches", "counter", "Batches stored.", lambda c: c.counts.batches),
    Row("lineset_shop_batch_blocks", "gauge", "Blocks in the last batch.", lambda c: c.counts.batch_blocks),
    Row("lineset_shop_batch_seconds", "gauge", "How long storing the last batch took.", lambda c: c.counts.batch_s),
    Row(
        "lineset_shop_lag_seconds", "histogram", "From a block's last row, by the station's clock, to its commit.",
        _lags,
    ),
    Row("lineset_shop_database_up", "gauge", "1: the database takes what comes.", lambda c: c.counts.database_here),
    Row(
        "lineset_shop_database_failures", "counter", "Attempts that the database did not take.",
        lambda c: c.counts.database_away,
    ),
    Row(
        "lineset_shop_link_state", "gauge", "1 for the state in which the connection to the broker is.",
        _link_states, ("state",),
    ),
    Row("lineset_shop_link_connections", "counter", "Connections made to the broker.", lambda c: c.link.connections),
    Row("lineset_shop_collectors", "gauge", "Collectors that share the work.", lambda c: len(c.share.names)),
    Row("lineset_shop_stations", "gauge", "Stations heard of by this collector.", lambda c: len(c.stations)),
    Row(
        "lineset_shop_station_online", "gauge", "1: a station says that it is there; 0: it said, or the broker for it, "
        "that it is not.", _online, ("station",),
    ),
    Row(
        "lineset_shop_station_block_timestamp_seconds", "gauge", "When a station's last block came, since 1970.",
        _block_times, ("station",),
    ),
    Row(
        "lineset_shop_station_open_visits", "gauge", "Visits of a station that have a block here and no seal.",
        _open_visits, ("station",),
    ),
    *disk_rows(lambda c: c.config.folder),
)  # fmt: skip


def port_of(base: int, name: str) -> int:
    """The port of a collector: `base` for the first, or one without a number, then one more for each. 0: none."""
    found = _NUMBER.search(name)
    return base and base + (int(found[1]) - 1 if found else 0)


@contextlib.asynccontextmanager
async def metrics_beside(collector: Collector) -> AsyncIterator[MetricsServer[Collector] | None]:
    """Serve the metrics of a collector, unless its shop has none or the port cannot be had."""
    port = port_of(collector.config.metrics.port, collector.name)
    if not port:
        yield None
        return
    async with served(ROWS, collector, MetricsConfig(enabled=True, port=port)) as server:
        yield server
