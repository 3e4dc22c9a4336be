"""A refrigerant whose curve is not shipped: CoolProp is asked in another process, while instruments are heard here."""

from __future__ import annotations

import asyncio
import json
import sys

from lineset.physics import rare_curve
from lineset.physics.errors import CurveError
from lineset.physics.refrigerant import learn, needs_coolprop

WAIT_S = 60.0


async def make_known(name: str) -> None:
    """Let `physics.refrigerant.curve(name)` answer at once from here on, be it by an error. Raises OSError alone."""
    if not needs_coolprop(name):
        return
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", rare_curve.__name__, name),
        stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    complaint = b""
    try:
        async with asyncio.timeout(WAIT_S):
            out, complaint = await process.communicate()
        learn(name, rare_curve.told(json.loads(out)))
    except TimeoutError:
        learn(name, CurveError(f"{name}: CoolProp made no curve within {WAIT_S:.0f} s"))
    except CurveError as error:
        learn(name, error)
    except ValueError:  # nothing that can be read came of it
        why = complaint.decode(errors="replace").strip().rpartition("\n")[2] or f"it ended with {process.returncode}"
        learn(name, CurveError(f"{name}: the process that asks CoolProp made no curve ({why})"))
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
