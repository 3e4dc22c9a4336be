"""Typed errors of the equipment's descriptions."""

from __future__ import annotations


class SystemDescriptionError(ValueError):
    """A description of a system that cannot be used: says which key, and what to write."""
