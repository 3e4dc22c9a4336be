"""What is asked for before a visit goes on or is closed: sentences without a full stop, whole, with named fields."""

from __future__ import annotations

SAY_SO = "{what}, and say so: {command}"
POWER_OFF = (
    "verify that the power is off, lock it out, and say so: {command} (or put a voltmeter on the line side and let it "
    "settle at zero)"
)
RESTORED = {
    "panels_on": "put all panels and covers on",
    "filter_in": "put a clean filter in",
    "outdoor_coil_dry": "let the outdoor coil dry",
}
START_AND_SAY = "start the system anew, and say so, for no probe tells: {command}"
START_ANEW = "stop the system and start it anew: what it runs now began before the work"
START = "start the system: this phase is of a new run"

LEAVING = {
    "thermostat_restored": "set the thermostat back to what it was",
    "caps_on": "put all service port caps and valve caps on",
    "disconnect_in": "put the disconnect in",
}
NO_TECHNICIAN = 'no technician is named on this record: give one when opening, or [station] technician = "..."'
NOT_YET = "not yet: {phase}, please: {wants} It can be forced with a reason, which is recorded: {command}"
NOT_CLOSED = (
    "not closed yet, please: {wants} It can be forced by a technician with a reason, which is recorded: {command}"
)


def sentences() -> tuple[str, ...]:
    """Every template of this module, for a catalogue of translations."""
    found: list[str] = []
    for name, value in sorted(globals().items()):
        if name.isupper():
            found += value.values() if isinstance(value, dict) else [value]
    return tuple(found)
