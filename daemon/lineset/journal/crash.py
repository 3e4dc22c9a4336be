"""Named points at which a test may end the process, to prove that nothing committed is lost there.

In service no hook is set and a point costs one comparison.
"""

from __future__ import annotations

from collections.abc import Callable

POINTS = (
    "before_insert",
    "after_insert",
    "before_block",
    "after_block",
    "before_commit",
    "after_commit",
    "before_seal",
    "after_seal",
    "file_made",
    "file_named",
    "rotation_sealed",
    "rotation_opened",
    "rotation_deleted",
    "atomic_begun",
    "atomic_written",
    "atomic_renamed",
)

_hook: Callable[[str], None] | None = None


def set_hook(hook: Callable[[str], None] | None) -> None:
    """Call `hook(name)` at each point from now on; None ends that."""
    global _hook
    _hook = hook


def point(name: str) -> None:
    """A place worth dying at."""
    if _hook is not None:
        _hook(name)
