"""Judgement: targets, limits, checks and their verdicts, from evidence alone. Pure: no I/O, no clock, no chance."""
