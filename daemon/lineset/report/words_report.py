"""The report's own words, whole sentences with named fields."""

from __future__ import annotations

from lineset.assess.fault_words import FAULT_WORDS, OFF_WORDS
from lineset.report import written
from lineset.visit.observations import URGENCIES, WANTS, signs

# --- every page
TITLE = "Your air conditioning: what was done and what was found"
NOT_CLOSED = "Not closed, not sealed: this visit was still open when the report was made."
NOT_SEALED = "Not sealed: this visit was closed, but its record carries no seal."
SEAL_BAD = "The seal of this record does not verify: it may have been altered. Do not rely on this report."
FOOT = "Visit {visit}, journal {journal}, made by lineset {version}."
PAGE = "Page {page} of {pages}"

# --- page one
OPENING = "This letter tells what was done at the visit of {date} and what was found."
BY = "Done by: {technician}."
FOR_SYSTEM = "{title}: {kind}, refrigerant {refrigerant}."
DONE = "What was done"
FOUND = "What was found"
MEANS = "What it means"
NEXT = "What to do next, and how soon"
MEASURED = "Readings were taken with the technician's instruments: {count} values were read until they held still."
MEASURED_ONE = "{count} things were judged: {fine} in order, {bad} not in order, {open} not decided today."
TASKS = "Done: {tasks}."
LOOKED = "Looked over: {count} more of what a visit looks at; what was not in order is told below."
SKIPPED = "Left out: {task}, because {reason}."
SKIPPED_BARE = "Left out: {task}."
NOTHING_MARKED = "No task was marked as done in the record."
ALL_FINE = "Nothing of what was judged needs attention."
NOTHING_JUDGED = "Nothing was judged at this visit."
IN_ORDER = "In order:"
USUAL = "As is usual, by rules of thumb:"
TO_SEE_TO = "To be seen to:"
WATCH = "Worth watching:"
SEEN = "Seen:"
NOT_DECIDED = "Not decided today:"
UNDECIDED = "The day's readings do not decide about {subject}; the pages for the professional say what would."
NOT_AGAIN = "This was so before the work; it was not judged again after it."
LOSS = "It measures {percent} % less than its marking says."
EXCESS = "It measures {percent} % more than its marking says."
MAY_BE = "This is the likeliest of several explanations, not yet proved."
NOTHING_NEXT = (
    "Nothing is urgent. Keep the filter clean, keep the outdoor unit free, and have it looked at again next spring."
)
MORE = "{count} more are told on the pages that follow."
EFFECT = "What the work changed"
EFFECT_SHOWN = "{title} went from {before} to {after}: a change that is larger than the readings' uncertainty."
EFFECT_NONE = (
    "No reading is shown to have changed from before the work to after it: the differences are no larger than the"
    " readings' uncertainty."
)
EFFECT_OTHER = "Some readings are shown to have changed; the pages for the professional tell which, and by how much."
REMARKED = "The technician's remark:"
EFFECT_NOT_BOTH = "Readings before and after the work cannot be held side by side: they were not taken both times."
FADING = (
    "{title} has faded from visit to visit; if it goes on so, it reaches its limit about {when} (between {early} "
    "and {late})."
)
FADING_OPEN = (
    "{title} has faded from visit to visit; if it goes on so, it may reach its limit about {when}, but the "
    "readings do not say how late."
)
AIR_PICTURE = "The air on its way through the unit: as it goes in, and as it comes out"
HOME_LINES = {"return_air_temperature": "air from the rooms", "supply_air_temperature": "air to the rooms"}
AIR_ALT = "Lines over the minutes of the visit: {lines}."
LINE_ALT = "{name} from {low} to {high}"
PHOTO_ALT = "Photo of the visit: {about}"
PHOTO_PLAIN = "taken at this visit"
PHOTO_BROKEN = "This photo is incomplete or damaged in the record and is not shown."
PHOTOS_HEAD = "More photos"
CAUTION_HOME = (
    "Caution: this equipment holds line voltage, charged capacitors and refrigerant under pressure, and some "
    "refrigerants burn. Do not open it; cleaners for coils can be acid. Switch the unit off and call a licensed "
    "technician when something smells burnt, arcs, or leaks."
)
DEFER = (
    "This report tells what was read and seen at one visit. It does not replace the manufacturer's data, local "
    "code, or the judgement of a licensed technician."
)

# --- the professional's pages
PRO = "For the professional"
PRO_LEAD = "Everything below is from the journal of the visit. Figures carry their 95 % interval (±); times are {zone}."
CAUTION_PRO = (
    "Caution: line voltage and stored charge: lock out, prove dead and discharge before hands or leads go near. "
    "Refrigerant under pressure, in A2L and A3 refrigerants flammable too: eye protection, gloves, ventilation, "
    "no ignition sources; no circuit is opened without certification. Acid cleaners: goggles, gloves, plenty of "
    "water."
)
SYSTEM_TABLE = "The system, as it was described"
CHECKS_HEAD = "Checks"
CHECKS_TABLE = "Every check, its last verdict in each phase"
NO_CHECKS = "No check was made."
CHECK_COLUMNS = (
    "Check",
    "Phase",
    "Verdict",
    "Value",
    "Target and limits",
    "Probability to conform",
    "Decision rule and source",
)
REASONS = "What the record says of each verdict"
REASON_COLUMNS = (
    "Check",
    "Phase",
    "In the words of the record",
    "Preconditions, assumptions, what would decide",
    "Caution",
)
STATE = {
    "pass": "within its limits",
    "fail": "outside its limits",
    "undecided": "not decided",
    "not_applicable": "does not apply",
    "advisory": "advice only",
}
SIDE = {"low": "below", "within": "within", "high": "above"}
RULE = {
    "simple_acceptance": "simple acceptance (JCGM 106, 8.2.1)",
    "guard_band": "guard band of the 95 % interval (JCGM 106, 8.3)",
}
BASIS = "known from: {basis}"
TARGET = "target {value}"
LIMITS = "limits {interval}"
UNMET = "not met: {text}"
ASSUMED = "assumed: {text}"
DECIDES = "would decide: {text}"
PROVED = "proved: {text}"
CHANGED_TABLE = "Verdicts that were given and then given otherwise"
CHANGED_COLUMNS = ("Time", "Check", "Phase", "Verdict then", "In the words of the record")
FINDINGS_HEAD = "Findings"
FINDINGS_TABLE = "What may explain the readings"
NO_FINDINGS = "Nothing was found that explains the readings by a fault."
FINDING_COLUMNS = ("Finding", "State", "Evidence", "Against it", "Meaning", "Next step and caution", "Held against")
FINDING_STATE = {"open": "open", "withdrawn": "withdrawn"}
CONFIDENCE = {"clear": "clear", "likely": "likely", "probable": "probable", "possible": "possible"}
OBSERVED_TABLE = "What was seen"
OBSERVED_COLUMNS = ("Time", "About", "Seen", "How urgent")
PLACES_WRONG = "Placements that were put right"
PLACES_WRONG_COLUMNS = ("Entry", "Was", "Is", "By", "Verdicts that had been given meanwhile")
PLACES_TABLE = "Placements"
PLACES_COLUMNS = ("Time", "Instrument", "Point", "By", "Puts right")
TAKEN_AWAY = "taken away"
CHANGE_HEAD = "Before and after"
CHANGE_TABLE = "Values before and after the work"
CHANGE_COLUMNS = ("Value", "Before", "After", "Difference", "Said of it", "Weather and house")
CHANGE_LEAD = (
    "Said to have changed only when the difference exceeds its 95 % interval. What one instrument gets wrong "
    "alike both times cancels; of its limits of error a fifth, and of how a probe sits one half (all of it where "
    "it was placed anew), is taken as new each time (judgement). Of twenty values that did not change, one may be"
    " said to have."
)
CONDITIONS_TABLE = "Conditions before and after"
CONDITIONS_COLUMNS = ("Condition", "Before", "After")
SAID = {
    "changed": "changed",
    "changed_with_conditions": "another value, but conditions differ or are not known: not shown to come from the work",
    "not_shown": "not shown to have changed",
}
CHANGE_BASIS = {
    "target": "over its own target at the conditions of the moment ({source})",
    "own_reference": "over the air that it meets; the rest left as measured",
    "steadfast": "hardly moved by them (common practice, no source)",
    "left_alone": "left as measured: no published relation at hand",
}
OVER_TARGET = "{value} ({over} over its target)"
TREND_HEAD = "Across visits"
TREND_TABLE = "The same system from visit to visit"
TREND_COLUMNS = ("Value", "Visits", "A year", "What that says", "Limit")
TREND_LEAD = (
    "From the journals at hand of systems of this id. A straight line weighted by each visit's own uncertainty; a"
    " date is told from three visits on, with all dates at which the line's 95 % interval holds the limit. An id "
    "that was given to another unit would mislead: compare the nameplates."
)
NO_TREND = "No earlier visit of this system is at hand."
TREND_SAYS = {
    "few": "too few visits, or too near each other, for a line",
    "scattered": "scatters more than its uncertainties allow: no line is drawn",
    "level": "not shown to move",
    "falling": "falls",
    "rising": "rises",
}
TREND_RENEWED = "rose at visit {visit} by more than its uncertainty: taken as a new part, the line begins there"
TREND_MEETS = "reaches its limit about {when}, between {early} and {late}"
TREND_MEETS_OPEN = "may reach its limit about {when}; the readings do not say how late"
TREND_WEATHER = "left as measured at {outdoors} outdoors: no published relation brings it to the same conditions"
TREND_TARGET = "told over its own target at the conditions of each visit"
TREND_UNREAD = "Left out, cannot be read: {text}"
UNSTEADY_TABLE = "What could not settle, and why"
UNSTEADY_COLUMNS = ("Time", "Value", "Read by", "Why")
HUNTS = "swings by {swing} to either side, about every {period} s"
RECALLED_USED = "The diagnosis was held against visit {visit} of {date}: {reason}"
RECALLED_NOT = "Visit {visit} of {date} was not used for the diagnosis: {reason}"
SETTLED_HEAD = "Settled windows"
SETTLED_TABLE = "Every window in which a value held still"
SETTLED_COLUMNS = ("Time", "Value", "Phase", "Settled at", "Window", "Run", "Read by")
ORIGIN = {"instrument": "instrument", "entered": "entered by a person", "derived": "derived"}
RUN = {"stopped": "stopped", "starting": "starting", "running": "running", "defrost": "defrost", "unknown": "unknown"}
PICTURES_HEAD = "Pictures"
PICTURE_CAPTION = "{name}. Shaded, with a bar at the foot: windows in which it had settled."
MINUTES = "minutes since the visit began"
NO_PICTURES = "The readings could not be played back, so there are no pictures: {text}"
PANELS = {
    "air": "Air",
    "lines": "Refrigerant lines and saturation",
    "pressures": "Refrigerant pressures",
    "heat": "Superheat and subcooling",
    "split": "Temperature split",
    "currents": "Currents",
    "power": "Power",
    "statics": "Air pressures",
}
INSTRUMENTS_HEAD = "Instruments"
INSTRUMENTS_TABLE = "Instruments and their calibration"
INSTRUMENT_COLUMNS = ("Instrument", "Identity", "Channel", "Limits of error", "Calibration")
NO_IDENTITY = "gives none"
WEAK_IDENTITY = "{identity} (by its address only)"
BY_PERSON = "read by a person"
NO_CALIBRATION = "none given: the maker's limits of error are taken"
CALIBRATION = "{date}, due {due}, against {reference}, {source}"
COMPARISONS_TABLE = "Comparisons at rest"
NO_COMPARISONS = "No comparison at rest is on record."
COMPARISON_COLUMNS = ("Phase", "Channel", "How", "Reads too high by", "Taken off")
HOW = {"zero": "zero, against atmosphere", "side_by_side": "side by side, against {against}"}
YES = "yes"
NO = "no"
COURSE_HEAD = "Course of the visit"
COURSE_TABLE = "Phases, clock, gaps and losses"
COURSE_COLUMNS = ("Time", "What", "Details")
OPENED = "opened"
CLOSED = "closed"
PHASE = "phase"
CLOCK = "clock set"
CLOCK_STEP = "by {seconds} s"
GAP = "the station was away"
GAP_LENGTH = "{seconds} s unseen"
LOST = "lost"
LOST_COUNT = "{instrument}: {count} ({loss})"
REMARK = "remark"
FORCED = "although: {missing}; reason: {reason}"
RECORD_HEAD = "The record"
RECORD_TABLE = "The journal, its hash and its seal"
RECORD_COLUMNS = ("What", "As recorded")
JOURNAL = "journal"
ENTRIES = "entries"
HEAD = "hash of the last block (SHA-256)"
KEY = "station's public key (Ed25519)"
SIGNATURE = "signature"
SEALED = "seal"
SEAL_GOOD = "verifies: every block follows from the one before, and the signature belongs to this key"
SEAL_NONE = "none"
CHAIN_GOOD = "unsealed; what is there follows block from block"
PROBLEM = "wrong"
STATION = "station"
VISIT = "visit"
ENGINE = "version and fingerprint of the engine"
MADE_WITH = "report made with version"
HOW_TO_VERIFY = (
    "To verify: keep the journal file, compare the hash above with the one the station gave at closing, and check"
    " the Ed25519 signature (RFC 8032) over hash, counts and key as the journal's seal describes. A seal proves "
    "that the record is as it was closed by the holder of that key; whose key it is, the station's owner must "
    "say."
)
SYSTEM_FIELDS = {
    "id": "id",
    "kind": "kind",
    "refrigerant": "refrigerant",
    "metering_device": "metering device",
    "capacity_control": "capacity control",
    "altitude_m": "altitude",
    "line_frequency_hz": "line frequency",
}
KINDS_OF_SYSTEM = {
    "": "an air conditioning system",
    "split_ac": "a split air conditioner",
    "split_heat_pump": "a split heat pump",
    "package_ac": "a packaged air conditioner",
    "package_heat_pump": "a packaged heat pump",
}
DEVICES = {
    "txv": "expansion valve",
    "eev": "electronic expansion valve",
    "fixed_orifice": "fixed orifice",
    "capillary": "capillary tube",
}
CONTROLS = {"single": "single stage", "two_stage": "two stages", "inverter": "inverter"}
PHASES = {"at_rest": "at rest", "before": "before", "work": "work", "drying": "drying", "after": "after"}
NAMEPLATE = "nameplate: {name}"
SYSTEM_NAMED = "System {title}"
CHECK_TITLES = {
    "superheat": "superheat against target",
    "lowest_superheat": "superheat never below the least",
    "subcooling": "subcooling against the nameplate",
    "metering_device": "superheat that the expansion valve holds",
    "split": "temperature split against target",
    "herm_capacitor_under_load": "HERM capacitor under load",
    "herm_capacitor_bench": "HERM capacitor on the bench",
    "fan_capacitor_under_load": "FAN capacitor under load",
    "fan_capacitor_bench": "FAN capacitor on the bench",
    "blower_capacitor_bench": "blower capacitor on the bench",
    "compressor_amps": "compressor amps and its RLA",
    "outdoor_fan_amps": "outdoor fan amps and its FLA",
    "blower_amps": "blower amps and its FLA",
    "strips_off": "heat strips off while cooling",
    "line_voltage": "line voltage within its range",
    "voltage_unbalance": "unbalance of three-phase volts",
    "control_voltage": "control circuit volts",
    "contactor_drop": "drop across the contactor",
    "static": "total external static pressure",
    "charge": "refrigerant charge",
}
STRIP_AMPS = "heat strip {number} amps against kW and volts"

TRENDS_OVER_TARGET = ("temperature_split",)
PHOTO_HASH = "photo {sha256}"
SEE_TO = "Have it seen to: {what}"
# what a householder understands of a change
HOMELY = {
    "condensing_over_outdoor": "How much hotter than the outdoor air the outdoor coil has to run",
    "temperature_split": "The cooling of the air on its way through",
    "filter_drop": "The resistance of the filter",
    "total_external_static": "The resistance that the blower works against",
    "power": "The power that the outdoor unit draws",
}
FADES = {
    "herm_capacitance": "The compressor's capacitor",
    "herm_capacitance_under_load": "The compressor's capacitor",
    "fan_capacitance": "The outdoor fan's capacitor",
    "fan_capacitance_under_load": "The outdoor fan's capacitor",
    "blower_capacitance": "The blower's capacitor",
}


def sentences() -> tuple[str, ...]:
    """Every sentence of this module, and of the tables whose words the report says, for a catalogue of translations."""
    found: list[str] = [written.MONTHS, written.DATE, written.MONTH]
    for name, value in sorted(globals().items()):
        if not name.isupper() or name in ("URGENCIES", "WANTS", "OFF_WORDS", "FAULT_WORDS", "TRENDS_OVER_TARGET"):
            continue
        if isinstance(value, str):
            found.append(value)
        elif isinstance(value, tuple):
            found += value
        elif isinstance(value, dict):
            found += value.values()
    found += URGENCIES.values()
    found += WANTS.values()
    found += [sign.words for sign in signs().values()]
    for words in FAULT_WORDS.values():
        found += [words.title, words.meaning, words.next_step]
    for _, title, todo in OFF_WORDS.values():
        found += [title, todo]
    return tuple(dict.fromkeys(found))
