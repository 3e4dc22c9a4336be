"""The fold from entries to readings, derived values and events. Pure: no I/O, no clock, no chance."""
