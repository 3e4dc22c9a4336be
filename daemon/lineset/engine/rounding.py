"""Rounding of what is put on record."""

from __future__ import annotations


def sig9(value: float) -> float:
    """Rounded to nine significant digits: what is put on record does not hang on the last bit of a float."""
    return float(f"{value:.9g}")
