"""Runs `lineset` again and again without starting an interpreter anew: a process that has imported it forks for each.

What is run is a process of its own, with its own arguments, environment, folder, output and exit code. Only the imports
are done: what a verb imports of what is not here, it imports itself. `cli_process.said` is the way to it.

As a program: takes orders from the datagram socket that is its standard input, each with three descriptors (standard
output, standard error, and where the child's number and then its exit code go), until the other end is closed.
"""

from __future__ import annotations

import asyncio
import atexit
import contextlib
import gc
import io
import json
import os
import signal
import socket
import subprocess
import sys
from typing import NamedTuple

_MOST = 1 << 20


class Order(NamedTuple):
    arguments: list[str]
    environment: dict[str, str]
    folder: str


# ------------------------------------------------------------------------------------------------------ the other end


class Nursery:
    """A nursery's process, started at the first order and ended with ours."""

    def __init__(self) -> None:
        self._socket, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._process = subprocess.Popen([sys.executable, __file__], stdin=theirs)
        theirs.close()
        atexit.register(self._end)

    def _end(self) -> None:
        self._socket.close()
        self._process.wait()

    async def run(self, *arguments: str) -> tuple[int, str, str]:
        """Exit code, output and errors of `lineset ARGUMENTS`; killed when this is cancelled."""
        order = Order(list(arguments), dict(os.environ), os.getcwd())
        readers, theirs = [], []
        loop = asyncio.get_running_loop()
        transports = []
        for _ in range(3):
            ours, other = os.pipe()
            theirs.append(other)
            reader = asyncio.StreamReader()
            transport, _ = await loop.connect_read_pipe(
                lambda reader=reader: asyncio.StreamReaderProtocol(reader), os.fdopen(ours, "rb", 0)
            )
            readers.append(reader)
            transports.append(transport)
        socket.send_fds(self._socket, [json.dumps(order).encode()], theirs)
        for each in theirs:
            os.close(each)
        out, err, told = readers
        pid = int(await told.readline())
        try:
            said, complained = await asyncio.gather(out.read(), err.read())
            code = int(await told.readline())
        except BaseException:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
            raise
        finally:
            for transport in transports:
                transport.close()
        return code, said.decode(), complained.decode()


# ------------------------------------------------------------------------------------------------------- the program


def _child(order: Order, descriptors: list[int]) -> None:
    """Become what an interpreter is that was started with these words; returns in that process alone."""
    out, err, told = descriptors
    pid = os.fork()
    if pid:
        # who waits for it: a process for each, so that many can run side by side
        os.write(told, f"{pid}\n".encode())
        for each in (out, err):
            os.close(each)
        status = os.waitpid(pid, 0)[1]
        with contextlib.suppress(BrokenPipeError):
            os.write(told, f"{os.waitstatus_to_exitcode(status)}\n".encode())
        os._exit(0)
    os.close(told)
    nothing = os.open(os.devnull, os.O_RDONLY)
    for number, each in enumerate((nothing, out, err)):
        os.dup2(each, number)
        os.close(each)
    os.environ.clear()
    os.environ.update(order.environment)
    os.chdir(order.folder)
    sys.argv = ["-c", *order.arguments]


def _serve() -> None:
    """Take orders; returns in each child, and ends the process when nobody is there any more."""
    with socket.socket(fileno=os.dup(0)) as orders:
        signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody waits for who waits
        while True:
            said, descriptors, _, _ = socket.recv_fds(orders, _MOST, 3)
            if not said:
                os._exit(0)
            if os.fork() == 0:
                signal.signal(signal.SIGCHLD, signal.SIG_DFL)
                break
            for each in descriptors:
                os.close(each)
    _child(Order(*json.loads(said)), descriptors)


def _main() -> None:
    # what the verbs that are asked often import when they run
    import aiomqtt  # noqa: F401

    import lineset.audit.signed_audit
    import lineset.cli.watch_view
    import lineset.shop.stations
    import lineset.station.config
    import lineset.stream.ask  # noqa: F401
    from lineset.cli.main import app, main

    # one that finds no station, for what the library of the command line imports late
    with contextlib.redirect_stderr(io.StringIO()), contextlib.suppress(SystemExit):
        app(["visit", "show", "--at", os.devnull])
    # what is never looked at by the collector is never copied for a child, neither at work nor at its end
    gc.collect()
    gc.freeze()
    _serve()
    main()


if __name__ == "__main__":
    _main()
