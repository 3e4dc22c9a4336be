"""The usual caution where a verb's subject touches line voltage, stored charge or refrigerant under pressure."""

from __future__ import annotations

from collections.abc import Collection

# Common practice, no source; never in place of the maker's instructions, local code or the law.
_BY_QUANTITY = (
    (
        ("voltage", "current", "power", "apparent_power", "energy"),
        "Line voltage: lock out and prove dead before leads go on; a reading never proves that a circuit is dead.",
    ),
    (
        ("capacitance", "resistance"),
        "Stored charge: disconnect, discharge and prove it before measuring capacitance or resistance.",
    ),
    (
        ("pressure_gauge",),
        "Refrigerant under pressure, in A2L and A3 refrigerants flammable too: eye protection, gloves, ventilation, "
        "no ignition sources, equipment rated for the refrigerant.",
    ),
)


def cautions(quantities: Collection[str]) -> list[str]:
    """The sentences that belong to these quantities."""
    return [text for group, text in _BY_QUANTITY if any(quantity in group for quantity in quantities)]
