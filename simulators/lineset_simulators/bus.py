"""A private D-Bus message bus, so that a simulated Bluetooth service can run without root, radio or kernel.

Bluetooth libraries on Linux ask for the system bus, whose address DBUS_SYSTEM_BUS_ADDRESS overrides: with
`private_bus()` entered, this process and its children find the private bus there. The bus does not outlive us, even
when we are killed.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path
from xml.sax.saxutils import escape

from lineset_simulators import leash

VARIABLE = "DBUS_SYSTEM_BUS_ADDRESS"

# The limits are far above the defaults, which a burst of notifications would meet.
_CONFIGURATION = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>session</type>
  <listen>unix:path={socket}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow own="*"/>
    <allow send_destination="*"/>
    <allow receive_sender="*"/>
    {denied}
  </policy>
  <limit name="max_incoming_bytes">256000000</limit>
  <limit name="max_outgoing_bytes">256000000</limit>
  <limit name="max_match_rules_per_connection">4096</limit>
</busconfig>
"""


class NoBusError(Exception):
    """There is no dbus-daemon on this machine, or it does not start; the message says which."""


def dbus_daemon() -> str | None:
    """The path of the dbus-daemon program, or None where it is not installed."""
    return shutil.which("dbus-daemon")


class Bus:
    """A running dbus-daemon of our own: `address` is what D-Bus libraries connect to."""

    def __init__(self, address: str, process: subprocess.Popen[str]) -> None:
        self.address = address
        self._process = process

    def stop(self) -> None:
        """End the daemon, as when the system's message bus breaks down. May be called twice."""
        if self._process.poll() is None:
            self._process.terminate()
        try:
            self._process.wait(5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()


@contextlib.contextmanager
def private_bus(*, deny: str = "", export: bool = True, watch_leash: bool = False) -> Iterator[Bus]:
    """A bus for the duration of the block. With `export` DBUS_SYSTEM_BUS_ADDRESS names it within.

    `deny` is a bus name to which nobody may send, as a system's policy denies it to a user. `watch_leash`: see
    `leash.command`. Raises NoBusError.
    """
    program = dbus_daemon()
    if program is None:
        raise NoBusError("dbus-daemon is not installed; on Debian it is in the package dbus-daemon")
    # a short folder name: a Unix socket's path holds 107 bytes
    with tempfile.TemporaryDirectory(prefix="bus") as folder:
        file = Path(folder, "bus.conf")
        denied = f'<deny send_destination="{escape(deny)}"/>' if deny else ""
        file.write_text(_CONFIGURATION.format(socket=escape(str(Path(folder, "s"))), denied=denied), "utf-8")
        daemon = [program, "--nofork", "--nopidfile", f"--config-file={file}", "--print-address=1"]
        process = subprocess.Popen(
            leash.command(daemon, watch=watch_leash),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            # it warns that it may not raise its limit of open files, which it does not need here
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert process.stdout is not None  # it was asked for
        address = process.stdout.readline().strip().split(",guid=", maxsplit=1)[0]
        bus = Bus(address, process)
        try:
            if not address:
                raise NoBusError(f"{program} ended at once with code {process.wait(5)}")
            with _exported(address) if export else contextlib.nullcontext():
                yield bus
        finally:
            bus.stop()


@contextlib.contextmanager
def _exported(address: str) -> Iterator[None]:
    before = os.environ.get(VARIABLE)
    os.environ[VARIABLE] = address
    try:
        yield
    finally:
        if before is None:
            os.environ.pop(VARIABLE, None)
        else:
            os.environ[VARIABLE] = before
