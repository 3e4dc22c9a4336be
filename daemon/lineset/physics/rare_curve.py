"""Prints the curve of a refrigerant that has none shipped, as JSON, or why there is none: a program of its own.

The import of CoolProp and its first fluid hold an interpreter for seconds, in which a station would hear no instrument.

    python -m lineset.physics.rare_curve R-513A
"""

from __future__ import annotations

import json
import sys
from typing import Any

from lineset.physics.errors import CurveError, PhysicsError, UnknownRefrigerant
from lineset.physics.refrigerant import made_by_coolprop


def main() -> None:
    """A curve file's content, or `unknown` or `problem` with the words of the error."""
    try:
        found: dict[str, Any] = made_by_coolprop(sys.argv[1])
    except UnknownRefrigerant as error:
        found = {"unknown": str(error)}
    except PhysicsError as error:
        found = {"problem": str(error)}
    print(json.dumps(found))


def told(found: dict[str, Any]) -> dict[str, Any] | PhysicsError:
    """What was printed, as `refrigerant.learn` takes it."""
    if "unknown" in found:
        return UnknownRefrigerant(str(found["unknown"]))
    if "problem" in found:
        return CurveError(str(found["problem"]))
    return found


if __name__ == "__main__":
    main()
