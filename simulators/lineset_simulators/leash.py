"""Run a program that ends when its parent does, even by kill -9: `python leash.py [--watch] PARENT_PID PROGRAM ARGS...`

Run by its path with `python -I -S`; it imports the standard library only. On Linux the kernel is asked to kill us with
our parent, and the program takes our place. Elsewhere, or with `--watch`, we stay beside it and read our standard
input, whose other end the parent holds: it ends with the parent, however that ends.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading

_PR_SET_PDEATHSIG = 1  # prctl(2)
_PATIENCE_S = 1.0  # from asking the program to end until it is killed


def command(program: list[str], *, watch: bool = False) -> list[str]:
    """What to run in place of `program`, with a pipe for its standard input that is kept open as long as we live.

    On Linux the program lives no longer than the thread that starts it. `watch` takes the other way there too.
    """
    asked = ["--watch"] if watch else []
    return [sys.executable, "-I", "-S", __file__, *asked, str(os.getpid()), *program]


def _die_with(parent: int) -> bool:
    """Have the kernel kill us with our parent; False where it cannot."""
    if not sys.platform.startswith("linux"):
        return False
    import ctypes

    try:
        bound = bool(ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, int(signal.SIGKILL), 0, 0, 0) == 0)
    except (OSError, AttributeError):
        return False
    if bound and os.getppid() != parent:  # it was dead before we asked
        sys.exit(1)
    return bound


def _stay_beside(program: list[str]) -> int:
    child = subprocess.Popen(program, stdin=subprocess.DEVNULL)

    def end(_number: int, _frame: object) -> None:
        child.terminate()
        late = threading.Timer(_PATIENCE_S, child.kill)
        late.daemon = True
        late.start()

    def follow() -> None:
        while os.read(0, 4096):
            pass
        child.kill()

    signal.signal(signal.SIGTERM, end)
    threading.Thread(target=follow, daemon=True).start()
    status = child.wait()
    return status if status >= 0 else 128 - status  # as a shell tells the signal that ended a program


def main(arguments: list[str]) -> int:
    """The program's exit status, where it does not take our place."""
    watch = arguments[0] == "--watch"
    parent, *program = arguments[1:] if watch else arguments
    if not watch and _die_with(int(parent)):
        os.execv(program[0], program)
    return _stay_beside(program)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
