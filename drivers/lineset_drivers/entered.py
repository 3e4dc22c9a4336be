"""Instruments that a person reads: nothing comes over a wire, the station is told what their displays show."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from .frame import State
from .instrument import Context, InstrumentSpec, Outlet


class Entered:
    """All instruments of one station that are read by eye: always at hand."""

    def __init__(self, specs: Sequence[InstrumentSpec], context: Context) -> None:
        self.name = "entered"
        self.instruments = specs
        self._outlets = [Outlet(spec, context, where="read by eye") for spec in specs]

    async def run(self) -> None:
        """Tell that they are ready; there is nothing else to do until the end."""
        for outlet in self._outlets:
            outlet.linked_reason = "read by a person; enter what its display shows"
            outlet.tell(State.LINKED, outlet.linked_reason)
        await asyncio.Event().wait()
