"""A port for a test that no other test takes, in this process or in one beside it.

A port that the kernel calls free may be given away again before a broker listens on it. These lie below the range out
of which kernels choose by themselves, and each is held by a lock until its process ends.
"""

from __future__ import annotations

import fcntl
import os
import random
import socket
import tempfile
from pathlib import Path

_CHOICE = range(20_000, 32_000)
_LOCKS = Path(tempfile.gettempdir()) / f"lineset-test-ports-{os.getuid()}"
_ours: set[int] = set()
_held: list[int] = []  # the one descriptor: closing any other of the same file would give all of its locks back


def free_port() -> int:
    """A TCP port of loopback that nobody uses, and that is claimed for the rest of this process."""
    if not _held:
        _held.append(os.open(_LOCKS, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600))
    chance = random.SystemRandom()  # not the one that tests may seed
    while True:
        port = chance.choice(_CHOICE)
        if port in _ours:
            continue
        try:
            fcntl.lockf(_held[0], fcntl.LOCK_EX | fcntl.LOCK_NB, 1, port)
        except BlockingIOError:
            continue
        _ours.add(port)
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
        return port
