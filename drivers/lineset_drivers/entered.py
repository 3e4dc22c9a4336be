"""Instruments that a person reads: what is typed or spoken becomes frames like any other."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence

from .errors import LinkError
from .frame import Frame, Sample, State
from .instrument import Context, InstrumentSpec, Outlet


class Entered:
    """All instruments of one station that are read by eye."""

    def __init__(self, specs: Sequence[InstrumentSpec], context: Context) -> None:
        self.name = "entered"
        self.instruments = specs
        # nobody types faster than an inbox empties, and a value that a person gave is not to be dropped
        self.outlets = {spec.id: Outlet(spec, context, where="read by eye", backlog=1000) for spec in specs}

    def enter(self, instrument: str, values: Mapping[str, tuple[float, str]], text: str) -> Frame:
        """Values by channel as (number, unit), and the text as it was typed, which is kept as the frame's raw bytes.

        Raises LinkError for an unknown instrument or channel, UnitError for a unit that does not fit.
        """
        outlet = self.outlets.get(instrument)
        if outlet is None:
            known = ", ".join(self.outlets) or "none is configured"
            raise LinkError(instrument, "no such instrument is read by eye", remedy=f"Known: {known}")
        samples: list[Sample] = []
        for name, (value, unit) in values.items():
            try:
                channel = outlet.spec.profile.channel(name)
            except KeyError as error:
                raise LinkError(instrument, f"no channel {name!r}", remedy=str(error.args[0])) from error
            samples.append(channel.sample(value, unit))
        return outlet.frame(text.encode(), tuple(samples))

    async def run(self) -> None:
        """Tell that they are ready, and offer again what the inbox could not take."""
        for outlet in self.outlets.values():
            outlet.linked_reason = "read by a person; enter what its display shows"
            outlet.tell(State.LINKED, outlet.linked_reason)
        try:
            while True:
                await asyncio.sleep(0.5)
                for outlet in self.outlets.values():
                    outlet.flush()
        finally:
            for outlet in self.outlets.values():
                outlet.close()
