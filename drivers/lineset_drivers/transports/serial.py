"""Serial ports: opening, reading by callback, listing, and telling one adapter from another.

pyserial opens and sets the port up; reading is the event loop's `add_reader` on its descriptor, because a read in a
thread that is cancelled eats the next bytes. An unplug shows as an empty read or as EIO.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import grp
import os
import re
import stat
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import msgspec
import serial
import structlog

from ..errors import LinkClosed, LinkError
from .wire import Receiver

log = structlog.get_logger(__name__)

READ_BYTES = 4096
UNPLUGGED = "the port is gone"
PLUG_IN = "Plug the adapter in again; it is taken up by itself"


class PortSettings(msgspec.Struct, frozen=True):
    """Speed in baud and the shape of a byte."""

    baud: int = 9600
    bytesize: int = 8
    parity: str = "N"
    stopbits: float = 1


class Port(msgspec.Struct, frozen=True):
    """A serial port of this machine. `identity` is "VID:PID:SERIAL:INTERFACE" of a USB adapter, "" for others.

    An adapter without a serial number of its own has "VID:PID::INTERFACE@LOCATION" and is `weak`: another one put
    into the same socket looks alike.
    """

    device: str
    description: str
    identity: str = ""
    weak: bool = False


def _interface_of(info: Any) -> str:
    # the kernel names USB interfaces "1-1.2:1.0": bus-port.port:configuration.interface
    for text in (getattr(info, "usb_interface_path", None), info.location):
        if text and (found := re.search(r":\d+\.(\d+)$", str(text))):
            return found[1]
    return "0"


def identify(infos: Iterable[Any]) -> list[Port]:
    """Ports with identities from what pyserial's listing gives; serial numbers that several share are weak."""
    usb: list[tuple[Any, str, str]] = []
    ports: list[Port] = []
    for info in infos:
        if info.vid is None:
            ports.append(Port(info.device, info.description or "serial port"))
        else:
            usb.append((info, f"{info.vid:04x}:{info.pid or 0:04x}:{info.serial_number or ''}", _interface_of(info)))
    keys = [(base, interface) for _, base, interface in usb]
    for info, base, interface in usb:
        weak = not info.serial_number or keys.count((base, interface)) > 1
        identity = f"{base}:{interface}"
        if weak and info.location:
            identity += f"@{str(info.location).split(':')[0]}"
        ports.append(Port(info.device, info.description or "USB serial port", identity, weak))
    return sorted(ports, key=lambda port: port.device)


def list_ports() -> list[Port]:
    """The serial ports of this machine, now. Pseudo-terminals are not listed: nobody plugs one in."""
    from serial.tools import list_ports as tools

    return identify(tools.comports())


class PortWatch:
    """The listing, read at most once in `interval_s` real seconds however many drivers ask: the hot-plug watch."""

    def __init__(self, lister: Callable[[], list[Port]] = list_ports, interval_s: float = 1.0) -> None:
        self._lister, self.interval_s = lister, interval_s
        self._ports: list[Port] = []
        self._read_at = -1e9

    def ports(self) -> list[Port]:
        if time.monotonic() - self._read_at >= 0.9 * self.interval_s:
            self._ports, self._read_at = self._lister(), time.monotonic()
        return self._ports

    def find(self, identity: str) -> Port | None:
        """The port with this USB identity ("VID:PID:SERIAL:INTERFACE"), or None while it is not plugged in.

        Raises LinkError when several fit, which only an identity without a serial number can bring about.
        """
        wanted = identity.lower()
        ports = self.ports()
        exact = [port for port in ports if port.identity.lower() == wanted]
        fits = exact or [port for port in ports if port.identity.lower().split("@")[0] == wanted]
        if len(fits) > 1:
            raise LinkError(
                f"usb://{identity}",
                f"{len(fits)} adapters fit ({', '.join(port.device for port in fits)})",
                remedy=f"Name the socket too, such as usb://{fits[0].identity}, or unplug the others",
            )
        return fits[0] if fits else None

    def at(self, path: str) -> Port | None:
        """What the listing says of the port at this path (symbolic links followed)."""
        real = os.path.realpath(path)
        return next((port for port in self.ports() if os.path.realpath(port.device) == real), None)


def holder_of(path: str) -> str:
    """ "the program NAME (process N)" that has the port open, as far as this user may see; else "another program"."""
    real = os.path.realpath(path)
    for process in Path("/proc").glob("[0-9]*"):
        if process.name == str(os.getpid()):
            continue
        with contextlib.suppress(OSError):
            if any(os.path.realpath(fd) == real for fd in (process / "fd").iterdir()):
                name = (process / "comm").read_text().strip()
                return f"the program {name} (process {process.name})"
    return "another program"


def _why_not(path: str, error: OSError) -> LinkError:
    """The sentence for a port that would not open."""
    where = f"serial://{path}"
    code = error.errno or 0
    if code in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        return LinkError(where, "there is no such port now", remedy="Plug the adapter in, or correct the path")
    if code in (errno.EACCES, errno.EPERM):
        group = "dialout"
        with contextlib.suppress(OSError, KeyError):
            group = grp.getgrgid(os.stat(path).st_gid).gr_name
        remedy = f"Add the user to the group {group} (sudo usermod -aG {group} NAME) and sign in again"
        if group == "root":  # whoever joins that may do more than read a port
            remedy = "Give the port a group of its own (a udev rule), join that, and sign in again"
        return LinkError(where, "no permission to open the port", remedy=remedy)
    if code in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK):
        return LinkError(where, f"the port is in use by {holder_of(path)}", remedy="Close that program")
    with contextlib.suppress(OSError):
        if not stat.S_ISCHR(os.stat(path).st_mode):
            return LinkError(where, "this is not a serial port", remedy="Correct the path in the configuration")
    return LinkError(where, f"the port cannot be opened: {error}", remedy="Unplug the adapter and plug it in again")


class SerialWire:
    """An open serial port. Made by `open_serial`."""

    def __init__(self, path: str, port: serial.Serial, receiver: Receiver) -> None:
        self.where = f"serial://{path}"
        self._port, self._receiver = port, receiver
        self._fd: int = port.fileno()
        self._loop = asyncio.get_running_loop()
        self._unsent = b""
        self._open = True
        self._loop.add_reader(self._fd, self._readable)

    def _readable(self) -> None:
        try:
            data = os.read(self._fd, READ_BYTES)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            self._end(error)
            return
        if data:
            self._receiver.data(data)
        else:
            self._end(None)

    def take(self) -> bytes:
        if not self._open:
            return b""
        try:
            return os.read(self._fd, READ_BYTES)
        except OSError:  # nothing there; or unplugged, which the reader will be told
            return b""

    def write(self, data: bytes) -> None:
        if not self._open:
            return
        if self._unsent:
            self._unsent += data
            return
        self._send(data)

    def _send(self, data: bytes) -> None:
        try:
            sent = os.write(self._fd, data)
        except (BlockingIOError, InterruptedError):
            sent = 0
        except OSError as error:
            # not from inside write: the caller is in the middle of a step of its own
            self._loop.call_soon(self._end, error)
            return
        waited, self._unsent = bool(self._unsent), data[sent:]
        if self._unsent and not waited:
            self._loop.add_writer(self._fd, self._writable)
        elif waited and not self._unsent:
            self._loop.remove_writer(self._fd)

    def _writable(self) -> None:
        self._send(self._unsent)

    def _end(self, error: OSError | None) -> None:
        if not self._open:
            return
        self.close()
        problem = UNPLUGGED if error is None or error.errno in (errno.EIO, errno.ENXIO, errno.ENODEV) else str(error)
        self._receiver.ended(LinkClosed(self.where, problem, remedy=PLUG_IN))

    def close(self) -> None:
        if not self._open:
            return
        self._open = False
        self._loop.remove_reader(self._fd)
        self._loop.remove_writer(self._fd)
        # the kernel waits up to 30 s for unsent bytes when a port closes, and an unplugged one takes none
        with contextlib.suppress(Exception):
            self._port.reset_output_buffer()
        try:
            self._port.close()
        except Exception as error:  # an unplugged port may refuse even that
            log.debug("closing failed", where=self.where, error=str(error))


def open_serial(path: str, settings: PortSettings, receiver: Receiver) -> SerialWire:
    """Open and lock a serial port and give its bytes to `receiver`; must be called inside a running loop.

    Raises LinkError: not there, no permission (and which group), in use (and by what), not a serial port.
    """
    if os.name != "posix":
        raise LinkError(
            f"serial://{path}",
            "serial ports are read on Linux and macOS only",
            remedy="Use a serial-to-network adapter and tcp://",
            permanent=True,
        )
    try:
        port = serial.Serial(
            path,
            baudrate=settings.baud,
            bytesize=settings.bytesize,
            parity=settings.parity,
            stopbits=settings.stopbits,
            timeout=0,
            write_timeout=0,
            exclusive=True,  # without the lock two programs would share the bytes of one port
        )
    except serial.SerialException as error:
        raise _why_not(path, error) from error
    except (ValueError, OSError) as error:
        if isinstance(error, OSError):
            raise _why_not(path, error) from error
        raise LinkError(f"serial://{path}", str(error), remedy="Correct baud, bytesize, parity or stopbits") from error
    # an adapter otherwise gathers bytes for up to 16 ms; pseudo-terminals and some adapters do not know the call
    with contextlib.suppress(Exception):
        port.set_low_latency_mode(True)
    return SerialWire(path, port, receiver)
