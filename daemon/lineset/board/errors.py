"""Typed errors of the board. Every message says what happened, where, and what to do about it."""

from __future__ import annotations


class BoardError(Exception):
    """The board cannot be served; says why, and what to do."""
