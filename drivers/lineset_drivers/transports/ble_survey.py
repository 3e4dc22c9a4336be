"""Who is on the air: listens for some seconds and lists what was heard."""

from __future__ import annotations

import asyncio
import contextlib

from ..errors import LinkError
from .ble import Heard, Radio


async def survey(seconds: float, *, adapter: str = "") -> list[Heard]:
    """The last advert of each device heard within so many real seconds, the strongest first.

    Raises LinkError when the radio cannot be used.
    """
    radio = Radio(adapter=adapter)
    heard: dict[str, Heard] = {}

    def listener(advert: Heard) -> None:
        before = heard.get(advert.address)
        # an advert may carry the name and the next one the data: keep both
        heard[advert.address] = advert._replace(
            name=advert.name or (before.name if before else ""),
            service_data={**(before.service_data if before else {}), **advert.service_data},
        )

    radio.listen("*", listener)
    running = asyncio.create_task(radio.run(), name="Bluetooth survey")
    try:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                while radio.problem is None:
                    await radio.changed()
        if radio.problem is not None:
            raise LinkError(radio.problem.where, radio.problem.problem, remedy=radio.problem.remedy)
    finally:
        running.cancel()
        await asyncio.wait({running})
    return sorted(heard.values(), key=lambda advert: advert.rssi if advert.rssi is not None else -999, reverse=True)
