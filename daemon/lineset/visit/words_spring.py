"""What is worth knowing of the first run after a winter: sentences without a full stop, whole, with named fields."""

from __future__ import annotations

HEATER_FIRST = (
    "if the disconnect was out over the winter, put it in now and let a crankcase heater work before the first start: "
    "12 to 24 hours by most labels; read the one on the unit"
)
HEATER_WAIT = (
    "the power was off for long and the heater has not worked long enough: wait about {hours} h more, or as the maker "
    "says; a start now may throw the oil out of the compressor. Where there is no heater the maker's word counts"
)
SHORT_CYCLE = (
    "it stood for less than {delay} min: the control may hold the compressor off for about {left} min more; that is no "
    "fault, and do not jump the contactor"
)
HOUSE_COOL = (
    "the house is cool already ({inside}): set the thermostat well below it for the test, note the setting, and set it "
    "back afterwards; a run that ends early proves nothing"
)
TOO_COLD = (
    "it is {outdoors} outdoors, below {limit}: charge cannot be judged by superheat or subcooling today. Prove "
    "airflow, split, amps and capacitors; leave the gauges off unless something speaks for a leak, and come back on a "
    "warmer day"
)
INVERTER = "an inverter's charge is judged in the maker's test mode only"
RETURN_COOL = "the return air is {inside}, below {limit}: let the house warm up, or charge is not judged"


def sentences() -> tuple[str, ...]:
    """Every template of this module, for a catalogue of translations."""
    return tuple(value for name, value in sorted(globals().items()) if name.isupper() and isinstance(value, str))
