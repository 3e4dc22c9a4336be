"""The broker that a station speaks to: a local one that it starts itself, or another that the configuration names."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import AsyncExitStack
from pathlib import Path

from lineset.contract.topic import Topics
from lineset.station.config import Config
from lineset.stream.address import BrokerAddress, BrokerFile, leave_broker_file, runtime_folder, take_broker_file_away
from lineset.stream.broker import LocalBroker
from lineset.stream.errors import SettingsError


async def open_broker(
    config: Config, topics: Topics, runtime: Path | None, stack: AsyncExitStack, on_ready: Callable[[], None]
) -> tuple[Callable[[], BrokerAddress], LocalBroker | None]:
    """Where the station's broker is, asked at each attempt to connect, and the local broker if it is that.

    What is to be undone at the end goes onto `stack`; `on_ready` is called whenever a local broker is up. Raises
    SettingsError and the errors of `LocalBroker.start`.
    """
    given = config.broker
    if given.url:
        given.address()  # what is wrong with it is said at the start
        found = BrokerFile(url=given.url, shop=config.shop, station=config.name, pid=os.getpid(), settings=given.files)
        folder = runtime or runtime_folder()
        try:
            leave_broker_file(folder, found)
        except OSError as error:
            raise SettingsError(f"{folder}: {error.strerror or error}; check the folder and its rights") from error
        stack.callback(take_broker_file_away, folder, given.url, topics)
        return given.address, None  # read at each attempt: credentials may be put right while the station runs
    broker = LocalBroker(
        config.data / "broker", topics, runtime=runtime, allowed_origins=given.origins, on_ready=on_ready
    )
    await stack.enter_async_context(broker)
    return lambda: broker.address("station"), broker
