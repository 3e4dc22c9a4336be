"""The engine's fingerprint: the same one reproduces the same outputs, entry for entry."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path

import lineset
from lineset import assess, derive, engine, equipment, measure, physics, visit
from lineset.contract import entry
from lineset_drivers import frame, quantity

_ROOMS = (equipment, physics, measure, derive, assess, visit, engine)


@lru_cache(maxsize=1)
def fingerprint() -> str:
    """SHA-256, shortened, over the version and everything that the fold is made of: code, bands, shipped curves."""
    digest = hashlib.sha256(lineset.__version__.encode())
    for room in _ROOMS:
        folder = Path(next(iter(room.__path__)))
        for file in sorted(folder.rglob("*")):
            if file.suffix in (".py", ".json", ".toml", ".csv", ".mo") and "__pycache__" not in file.parts:
                digest.update(file.relative_to(folder).as_posix().encode() + b"\0" + file.read_bytes() + b"\0")
    for module in (entry, frame, quantity):
        digest.update(Path(str(module.__file__)).read_bytes())
    return f"{lineset.__version__}+{digest.hexdigest()[:16]}"
