"""What a collector tells a scraper, against what is in the database; and which stations it is about."""

from __future__ import annotations

import asyncio
import json
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import aiomqtt
import msgspec
from claimed_port import free_port
from prometheus_client.parser import text_string_to_metric_families
from shop_blocks import sent, write_journal
from shop_broker import plain_broker, send_until_sealed

from lineset.contract.transfer import ReceiptMessage
from lineset.shop.collector import LAG_BOUNDS_S, Collector
from lineset.shop.database import connected
from lineset.shop.metrics import ROWS, metrics_beside, port_of
from lineset.shop.shop_config import MetricsSettings, ShopConfig
from lineset.shop.stations_heard import StationsHeard

WAIT_S = 60.0


async def samples(url: str) -> dict[tuple[str, ...], float]:
    """Name and label values of each sample, the latter in the order of the labels' names."""
    text = await asyncio.to_thread(lambda: urllib.request.urlopen(url, timeout=WAIT_S).read().decode())
    return {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


async def test_what_is_told_is_what_the_database_holds(shop_config: ShopConfig, tmp_path: Path) -> None:
    async with plain_broker(tmp_path / "broker") as broker:
        config = msgspec.structs.replace(broker.used_by(shop_config), metrics=MetricsSettings(port=free_port()))
        visits = [sent(write_journal(tmp_path / "j", station=f"van-{n}", visit=f"v{n}")) for n in range(2)]
        collector, stop = Collector(config, "c1"), asyncio.Event()
        running = asyncio.create_task(collector.run(stop))
        async with metrics_beside(collector) as server, aiomqtt.Client("127.0.0.1", broker.port) as van:
            assert server is not None
            await collector.link.connected.wait()
            await send_until_sealed(broker.port, visits)
            topic = "lineset/v1/north/van-0/station"
            await van.publish(topic, json.dumps({"t": 1.0, "online": True, "public_key": ""}), qos=1, retain=True)
            await van.publish("lineset/v1/north/van-0/visit/v9/block/1", b"no block", qos=1)
            async with asyncio.timeout(WAIT_S):
                while not collector.counts.set_aside or dict(collector.stations)["van-0"].online is None:
                    await asyncio.sleep(0.02)
            found = await samples(server.url)
        stop.set()
        await running
        async with connected(config.database("auditor")) as connection:
            blocks, readings, aside = [
                await connection.fetchval(f"SELECT count(*) FROM lineset.{table}")
                for table in ("block", "reading", "set_aside")
            ]
    assert found["lineset_shop_blocks_total",] == blocks == sum(len(visit.payloads) for visit in visits)
    assert found["lineset_shop_readings_total",] == readings > 0
    assert found["lineset_shop_set_aside_total", "unreadable"] == aside == 1
    assert found["lineset_shop_set_aside_total", "forged"] == 0
    assert found["lineset_shop_sealed_visits_total",] == 2
    assert found["lineset_shop_database_up",] == found["lineset_shop_link_state", "connected"] == 1
    assert found["lineset_shop_station_online", "van-0"] == 1
    assert ("lineset_shop_station_online", "van-1") not in found  # it never said
    assert found["lineset_shop_station_open_visits", "van-1"] == 0
    assert 0 <= time.time() - found["lineset_shop_station_block_timestamp_seconds", "van-1"] < WAIT_S
    assert found["lineset_shop_lag_seconds_count",] == found["lineset_shop_lag_seconds_bucket", "+Inf"] == blocks
    counted = [found["lineset_shop_lag_seconds_bucket", str(bound)] for bound in LAG_BOUNDS_S]
    assert counted == sorted(counted)  # cumulative, as the format wants it
    assert {row.exposed[-1] for row in ROWS} <= {name for name, *_ in found}


async def test_a_port_that_is_taken_costs_the_metrics_and_not_the_record(shop_config: ShopConfig) -> None:
    taken = free_port()
    config = msgspec.structs.replace(shop_config, metrics=MetricsSettings(port=taken))
    first, second = Collector(config, "a"), Collector(config, "b")
    async with metrics_beside(first) as one, metrics_beside(second) as two:
        assert one is not None
        assert two is None
    none = msgspec.structs.replace(shop_config, metrics=MetricsSettings(port=0))
    async with metrics_beside(Collector(none, "c1")) as server:
        assert server is None


def test_each_collector_has_its_own_port() -> None:
    assert [port_of(9464, name) for name in ("c1", "c2", "north", "east-12")] == [9464, 9465, 9464, 9475]
    assert port_of(0, "c3") == 0


def test_a_station_that_another_collector_has_taken_over_is_forgotten() -> None:
    here = {"van-1", "van-2"}
    stations = StationsHeard(lambda station: station in here)

    def receipt(**more: Any) -> ReceiptMessage:
        return ReceiptMessage(t=0.0, journal="0" * 32, **{"blocks": 3, "through": 9, "head": "", **more})

    for station in sorted(here):
        stations.block(station, 5.0)
    stations.receipted({("van-1", "a"): receipt(), ("van-1", "b"): receipt(), ("van-2", "x"): receipt(blocks=0)})
    stations.receipted({("van-1", "a"): receipt(sealed=True)})
    assert {name: sorted(heard.open_visits) for name, heard in stations} == {"van-1": ["b"], "van-2": []}
    here.discard("van-1")
    assert [name for name, _ in stations] == ["van-2"]
    here.add("van-1")  # it comes back: nothing is told of it that was true long ago
    assert len(stations) == 1
