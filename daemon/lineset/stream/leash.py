"""Start a program that must never outlive us: `python leash.py [--watch] [--user UID:GID] PARENT_PID PROGRAM ARGS...`

Run by path with `python -I -S`, so it imports the standard library only. On Linux the kernel is asked to kill this
process when its parent dies, and then the program takes its place: nothing stays in memory. Elsewhere (or with
`--watch`) it stays and watches its standard input, which ends when the parent does, whatever killed it. With `--user`
the program runs as another system user, which only root can ask for.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading

PR_SET_PDEATHSIG = 1  # prctl(2)


def tie_to_parent(parent: int, user: str = "") -> bool:
    """Ask the kernel to kill us with our parent; False where it cannot. Becomes `user` (UID:GID) before."""
    if not sys.platform.startswith("linux"):
        become(user)
        return False
    import ctypes  # before we become somebody who may not be able to read it

    become(user)  # the kernel forgets what it was asked when the user changes, so this comes first
    try:
        tied = bool(ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, int(signal.SIGKILL), 0, 0, 0) == 0)
    except (OSError, AttributeError):
        return False
    if tied and os.getppid() != parent:  # it died before we asked
        os._exit(1)
    return tied


def become(user: str) -> None:
    """Go on as the system user "UID:GID", for good; nothing for an empty one."""
    if user and sys.platform != "win32":
        uid, gid = (int(part) for part in user.split(":"))
        os.setgroups([gid])
        os.setgid(gid)
        os.setuid(uid)


def watch(command: list[str]) -> int:
    """Run `command` until it ends, until our standard input does, or until we are told to stop."""
    child = subprocess.Popen(command, stdin=subprocess.DEVNULL)
    signal.signal(signal.SIGTERM, lambda _signal, _frame: child.terminate())
    if sys.platform != "win32":  # what is meant for the program: read the files anew, end in order
        for number in (signal.SIGHUP, signal.SIGINT):
            signal.signal(number, lambda given, _frame: child.send_signal(given))

    def kill_at_end_of_input() -> None:
        while os.read(0, 4096):
            pass
        child.kill()

    threading.Thread(target=kill_at_end_of_input, daemon=True).start()
    return child.wait()


def main(arguments: list[str]) -> int:
    """Exit status of the program (it takes our place where the kernel offers a leash)."""
    watching = arguments[:1] == ["--watch"]
    arguments = arguments[watching:]
    user = ""
    if arguments[:1] == ["--user"]:
        user, arguments = arguments[1], arguments[2:]
    if watching:
        become(user)
        return watch(arguments[1:])
    if tie_to_parent(int(arguments[0]), user):
        os.execv(arguments[1], arguments[1:])
    return watch(arguments[1:])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
