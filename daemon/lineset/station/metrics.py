"""What a station tells of itself to a scraper: counts, lags, what waits to be sent, how instruments and links stand.

Rows read the plain attributes of the running station. Instruments go by the ids of the configuration; no visit is
named, and nothing that a person wrote.
"""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator, Iterator
from datetime import UTC, date, datetime, time

import lineset
from lineset.engine.fingerprint import fingerprint
from lineset.station.daemon import Station
from lineset.station.events import BROKER
from lineset.station.metrics_server import LINK_STATES, Labelled, Measure, MetricsServer, disk_rows, served
from lineset.stream.link import Link
from lineset.stream.uplink import SHOP
from lineset_drivers.frame import State

Row = Measure[Station]


def _links(station: Station) -> Iterator[tuple[str, Link]]:
    """The connections that there are: to the broker beside the instruments, and to the shop's."""
    yield BROKER, station.publisher.link
    if (uplink := station.uplinking.uplink) is not None:
        yield SHOP, uplink.publisher.link


def _link_states(station: Station) -> Labelled:
    for name, link in _links(station):
        for state in LINK_STATES:
            yield (name, state), link.status.state == state


def _connections(station: Station) -> Labelled:
    for name, link in _links(station):
        yield (name,), link.connections


def _instrument_states(station: Station) -> Labelled:
    for id_, told in list(station.states.items()):
        for state in State:
            yield (id_, str(state)), told.state == state


def _batteries(station: Station) -> Labelled:
    for id_, told in list(station.states.items()):
        if told.battery is not None:
            yield (id_,), told.battery / 100.0


def _calibration_due(station: Station) -> Labelled:
    """The end of the day on which a calibration runs out, UTC."""
    for id_, item in station.instruments.items():
        for channel, calibration in item.calibration.items():
            if calibration.due:
                day = datetime.combine(date.fromisoformat(calibration.due), time.max, tzinfo=UTC)
                yield (id_, channel), round(day.timestamp())


def _outbox_entries(station: Station) -> Labelled:
    record, pump = station.record, station.publisher.events
    behind = 0
    if record.visit and pump.unfinished:
        behind = max(0, record.last_event - station.outbox.through(BROKER, record.journal_id))
    yield (BROKER,), behind
    if (uplink := station.uplinking.uplink) is not None:
        yield (SHOP,), uplink.blocks_waiting


def _outbox_visits(station: Station) -> Labelled:
    yield (BROKER,), station.publisher.events.unfinished
    if (uplink := station.uplinking.uplink) is not None:
        yield (SHOP,), uplink.visits_waiting


def _live(station: Station) -> Labelled:
    publisher = station.publisher
    yield ("sent",), publisher.sent_live
    yield ("dropped",), publisher.dropped_live
    yield ("conflated",), publisher.conflated


def _losses(station: Station) -> Labelled:
    kinds = dict.fromkeys(("poll_skipped", "stream_dropped"), 0) | station.inbox.losses
    for kind, count in kinds.items():
        yield (kind,), count


ROWS: tuple[Row, ...] = (
    Row(
        "lineset_build_info", "gauge", "Always 1; the program's version and its engine's fingerprint.",
        lambda s: [((lineset.__version__, fingerprint()), 1)], ("version", "fingerprint"),
    ),
    Row("lineset_frames", "counter", "Frames that came from instruments.", lambda s: s.inbox.frames),
    Row("lineset_readings", "counter", "Values in those frames.", lambda s: s.inbox.samples),
    Row(
        "lineset_lost_readings", "counter", "Polls skipped and lines dropped because the inbox was full.",
        _losses, ("kind",),
    ),
    Row("lineset_inbox_depth", "gauge", "Frames that wait for their place on record.", lambda s: s.inbox.depth),
    Row("lineset_inbox_refused", "counter", "Frames that found the inbox full.", lambda s: s.inbox.refused),
    Row(
        "lineset_live_values", "counter", "Live values: sent; dropped for want of a connection; replaced by a newer "
        "one before they were due.", _live, ("outcome",),
    ),
    Row(
        "lineset_events_acknowledged", "counter", "Record events that the broker has acknowledged.",
        lambda s: s.publisher.events.acknowledged,
    ),
    Row(
        "lineset_events_sent_again", "counter", "Record events sent again after a connection was lost.",
        lambda s: s.publisher.events.sent_again,
    ),
    Row("lineset_recording", "gauge", "1: the journal takes what comes; 0: it cannot.", lambda s: s.recording),
    Row("lineset_visit_open", "gauge", "1: a visit is open.", lambda s: bool(s.record.visit)),
    Row("lineset_journal_rows", "counter", "Journal rows made durable.", lambda s: s.visits.counts.rows),
    Row("lineset_journal_commits", "counter", "Transactions of the journal.", lambda s: s.visits.counts.commits),
    Row(
        "lineset_journal_failures", "counter", "How often the journal began to fail.",
        lambda s: s.visits.counts.failures,
    ),
    Row(
        "lineset_journal_waiting_rows", "gauge", "Rows in memory that are not durable yet.",
        lambda s: s.record.writer.state.waiting,
    ),
    Row(
        "lineset_journal_waiting_seconds", "gauge", "For how long rows have waited without one being committed.",
        lambda s: s.record.writer.waited_s,
    ),
    Row(
        "lineset_journal_last_commit_timestamp_seconds", "gauge", "When the journal committed last, since 1970.",
        lambda s: s.visits.counts.committed_at or None,
    ),
    Row(
        "lineset_outbox_entries", "gauge", "What a destination has not acknowledged: broker, journal entries up to the "
        "newest record event; shop, blocks.", _outbox_entries, ("destination",),
    ),
    Row(
        "lineset_outbox_visits", "gauge", "Visits that a destination does not have whole.",
        _outbox_visits, ("destination",),
    ),
    Row(
        "lineset_link_state", "gauge", "1 for the state in which a connection is: connected, or why not.",
        _link_states, ("destination", "state"),
    ),
    Row("lineset_blocks_sent", "counter", "Blocks sent to the shop.", lambda s: s.uplinking.counts.blocks_sent),
    Row(
        "lineset_blocks_sent_again", "counter", "Blocks sent to the shop once more, for want of a receipt.",
        lambda s: s.uplinking.counts.blocks_sent_again,
    ),
    Row("lineset_receipts", "counter", "Receipts of the shop.", lambda s: s.uplinking.counts.receipts),
    Row(
        "lineset_receipts_refused", "counter", "Receipts that cannot be read or contradict the record.",
        lambda s: s.uplinking.counts.receipts_refused,
    ),
    Row(
        "lineset_last_receipt_timestamp_seconds", "gauge", "When the shop said last what it has stored, since 1970.",
        lambda s: s.uplinking.counts.last_receipt or None,
    ),
    Row(
        "lineset_shop_problems", "gauge", "Visits whose blocks the shop does not take.",
        lambda s: None if s.uplinking.uplink is None else len(s.uplinking.uplink.problems),
    ),
    Row("lineset_link_connections", "counter", "Connections made.", _connections, ("destination",)),
    Row(
        "lineset_local_broker_restarts", "counter", "How often the local broker had to be started again.",
        lambda s: None if s.broker is None else s.broker.restarts,
    ),
    Row(
        "lineset_instrument_state", "gauge", "1 for the state in which an instrument is.",
        _instrument_states, ("instrument", "state"),
    ),
    Row("lineset_instrument_battery_ratio", "gauge", "Charge of an instrument's battery.", _batteries, ("instrument",)),
    Row(
        "lineset_calibration_due_timestamp_seconds", "gauge", "When a channel's calibration runs out, since 1970.",
        _calibration_due, ("instrument", "channel"),
    ),
    *disk_rows(lambda s: s.config.data),
)  # fmt: skip


@contextlib.asynccontextmanager
async def metrics_beside(station: Station) -> AsyncIterator[MetricsServer[Station] | None]:
    """Serve the metrics of a station that runs, where its configuration says so and the port can be had."""
    if not station.config.metrics.enabled:
        yield None
        return
    async with served(ROWS, station, station.config.metrics) as server:
        yield server
