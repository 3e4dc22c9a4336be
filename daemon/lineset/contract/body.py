"""The base of every journal entry's body."""

from __future__ import annotations

import msgspec


class Body(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True, tag_field="kind", gc=False):
    """What every body shares: a kind, written as its tag."""
