"""What the station must have: a good configuration, a data folder that takes data, a safe key, whole journals."""

from __future__ import annotations

import os
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from lineset.cli.diagnosis import GOOD, MIND, STOPS, Diagnosis
from lineset.equipment.language import counted

if TYPE_CHECKING:
    from lineset.station.config import Config
    from lineset.stream.address import BrokerAddress

HEAR_S = 3.0


def configured(file: Path | None) -> tuple[Config | None, Diagnosis]:
    """The configuration where it can be used, and what is to be said of it."""
    from lineset.station.config import ConfigError, load

    if file is None:
        return None, Diagnosis("configuration", MIND, "none was named, so only the machine is examined",
                               "Name it: lineset doctor --config FILE")  # fmt: skip
    try:
        config = load(file)
    except ConfigError as error:
        problems = error.problems
        more = "" if len(problems) == 1 else f" ({len(problems)} problems: lineset run --check tells all)"
        found = str(problems[0]).removesuffix(problems[0].remedy).rstrip(". ")
        return None, Diagnosis("configuration", STOPS, found + more, problems[0].remedy)
    things = (config.instruments, "instrument"), (config.placements, "placement"), (config.systems, "system")
    counts = ", ".join(counted(len(rows), thing) for rows, thing in things)
    if not config.instruments:
        remedy = "lineset find gives snippets for it; or enter values by eye"
        return config, Diagnosis("configuration", MIND, f"{file}: good, but it names no instrument", remedy)
    return config, Diagnosis("configuration", GOOD, f"{file}: {counts}")


def station(config: Config | None, at: Path | None, journals: int) -> Iterator[Diagnosis]:
    """All checks of the station, one by one as they are done."""
    from lineset.cli.doctor_shop import way_to_the_shop
    from lineset.station.config import default_folder

    data = config.data if config is not None else default_folder()
    yield data_folder(data)
    yield key(data / "station.key")
    if config is not None and config.broker.url:
        yield other_broker(config)
    if config is not None and config.instruments:
        yield plugged_in(config)
    yield running_station(at)
    if config is not None and config.metrics.enabled:
        yield metrics(config)
    yield from way_to_the_shop(config, data)
    yield from visits(data / "visits", journals)


def data_folder(folder: Path) -> Diagnosis:
    """Whether the data folder is there, or can be made, and takes a file durably."""
    name = "data folder"
    if not folder.exists():
        there = next((each for each in folder.parents if each.exists()), Path("/"))
        if os.access(there, os.W_OK | os.X_OK):
            return Diagnosis(name, GOOD, f"{folder} is made at the first start")
        return Diagnosis(name, STOPS, f"{folder} cannot be made: {there} is not writable", "Name another as data")
    try:
        with tempfile.NamedTemporaryFile(dir=folder, prefix=".doctor-") as file:
            file.write(b"lineset doctor")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        found = f"{folder} takes no file: {(error.strerror or str(error)).lower()}"
        return Diagnosis(name, STOPS, found, "Give this user the right to write there, or name another as data")
    mode = stat.S_IMODE(folder.stat().st_mode)
    if mode & 0o077:
        found = f"{folder} can be looked into by others (mode {mode:04o})"
        return Diagnosis(name, MIND, found, f"Run: chmod 700 {folder}")
    return Diagnosis(name, GOOD, f"{folder} takes data")


def key(path: Path) -> Diagnosis:
    """The station's signing key: whole, its owner's alone."""
    from lineset.journal.errors import JournalError
    from lineset.journal.seal import StationKey

    if not path.parent.exists() or not path.exists():
        return Diagnosis("station key", GOOD, "made at the first start")
    try:
        public = StationKey.load(path).public
    except JournalError as error:
        return Diagnosis("station key", STOPS, str(error))
    return Diagnosis("station key", GOOD, f"{path}: its owner's alone; public key {public.hex()[:16]}...")


def plugged_in(config: Config) -> Diagnosis:
    """Whether the wired instruments of the configuration are plugged in now."""
    from lineset_drivers.errors import LinkError
    from lineset_drivers.link import parse_link
    from lineset_drivers.transports.serial import PortWatch

    watch, missing = PortWatch(), []
    for item in config.instruments:
        try:
            address = parse_link(item.spec.link)
            there = True
            if address.scheme == "serial":
                there = os.path.exists(address.place)
            elif address.scheme == "usb":
                there = watch.find(address.place) is not None
        except LinkError as error:
            missing.append(f"{item.spec.id}: {error.problem}")
            continue
        if not there:
            missing.append(f"{item.spec.id} ({item.spec.link})")
    if missing:
        remedy = "Plug them in; they are taken up by themselves. If the adapter was changed: lineset find"
        return Diagnosis("instruments", MIND, f"not plugged in now: {', '.join(missing)}", remedy)
    return Diagnosis("instruments", GOOD, f"{counted(len(config.instruments), 'instrument')}, none of them unplugged")


def other_broker(config: Config) -> Diagnosis:
    """Whether the broker that the configuration names lets us in."""
    import asyncio

    from lineset.stream.address import BrokerAddress
    from lineset.stream.errors import StreamError
    from lineset.stream.link import connect, disconnect

    given = config.broker

    async def knock(address: BrokerAddress) -> None:
        await disconnect(await connect(address, f"lineset-doctor-{os.getpid()}"))

    try:
        address = BrokerAddress.from_url(
            given.url,
            credentials_file=given.credentials,
            ca_file=given.ca or "",
            certificate_file=given.certificate or "",
            key_file=given.key or "",
        )
        asyncio.run(knock(address))
    except StreamError as error:
        # live values wait for nobody, but events are kept: the visit itself can be done
        return Diagnosis("broker", MIND, str(error), "Until then events are kept and sent later")
    return Diagnosis("broker", GOOD, f"{address} lets us in")


def running_station(at: Path | None) -> Diagnosis:
    """Whether a station runs here and can be heard with the rights of a watcher."""
    import asyncio

    from lineset.stream.address import BROKER_FILE, read_broker_file, runtime_folder
    from lineset.stream.errors import StreamError

    path = (at or runtime_folder()) / BROKER_FILE
    if not path.exists():
        return Diagnosis("running station", GOOD, "none runs here now; start one with: lineset run --config FILE")
    try:
        file = read_broker_file(at)
        said = asyncio.run(_hear(file.address("watch"), file.topics.station()))
    except StreamError as error:
        found = f"{path} is there, but the station cannot be reached: {error}"
        return Diagnosis("running station", MIND, found, "If it is not running, start it again: lineset run")
    if said is None:
        found = f"the broker of station {file.station} answers, but the station says nothing"
        return Diagnosis("running station", STOPS, found, "Stop it and start it again: lineset run")
    if not said[0]:
        found = f"station {file.station} is offline: {said[2]}".rstrip(": ")
        return Diagnosis("running station", MIND, found, "Start it again: lineset run")
    if not said[1]:
        return Diagnosis("running station", STOPS, f"station {file.station} cannot record: {said[2]}", "Free the disk")
    return Diagnosis("running station", GOOD, f"{file.station} is online and recording")


def metrics(config: Config) -> Diagnosis:
    """Where a scraper finds what the station tells of itself, and who else may."""
    import asyncio

    from lineset.station.metrics_server import PATH, listens

    given, name = config.metrics, "metrics"
    if not given.port:
        return Diagnosis(name, MIND, "on another port at each start; the log says which", "Set port under [metrics]")
    where = f"{'http' if given.certificate is None else 'https'}://127.0.0.1:{given.port}{PATH}"
    there = asyncio.run(listens(given.port))
    found = f"{where}, {'something answers there' if there else 'nothing answers there: no station runs'}"
    return Diagnosis(name, GOOD, found)


async def _hear(address: BrokerAddress, topic: str) -> tuple[bool, bool, str] | None:
    """Online, recording, reason, as the station said last; None when it said nothing."""
    import asyncio

    import msgspec

    from lineset.contract.live import StationMessage
    from lineset.stream.link import connect, disconnect

    client = await connect(address, f"lineset-doctor-{os.getpid()}")
    try:
        async with asyncio.timeout(HEAR_S):
            await client.subscribe(topic, 1)
            async for message in client.messages:
                if isinstance(message.payload, bytes) and message.payload:
                    said = msgspec.json.decode(message.payload, type=StationMessage)
                    return said.online, said.recording, said.reason
    except TimeoutError:
        return None
    finally:
        await disconnect(client)
    return None


def visits(folder: Path, most: int) -> Iterator[Diagnosis]:
    """The journals of the last visits: readable, and as they were written."""
    from lineset.journal.errors import JournalError
    from lineset.journal.verify import verify
    from lineset.journal.visit_files import list_visits

    if not folder.exists():
        yield Diagnosis("journals", GOOD, "no visit has been recorded yet")
        return
    try:
        found = list_visits(folder)
    except JournalError as error:
        yield Diagnosis("journals", STOPS, str(error))
        return
    still_open = [each.visit for each in found if not each.closed and each.error is None]
    if len(still_open) > 1:
        yield Diagnosis("journals", STOPS, f"more than one visit is open: {', '.join(still_open)}",
                        "Move all but one to another folder; a station goes on with one")  # fmt: skip
    keep = "Keep the file as it is for the audit, and a copy; start the next visit under another name"
    for each in found:
        if each.error is not None:
            yield Diagnosis("journals", STOPS, str(each.error), keep)
    readable = sorted((each for each in found if each.error is None), key=_last_change, reverse=True)[:most]
    whole = 0
    for each in readable:
        try:
            outcome = verify(each.path)
        except JournalError as error:
            yield Diagnosis("journals", STOPS, str(error))
            continue
        if outcome.ok:
            whole += 1
            continue
        first, count = outcome.problems[0], len(outcome.problems)
        more = f" ({count} problems)" if count > 1 else ""
        yield Diagnosis("journals", STOPS, f"{each.path}: {first.text}{more}", keep)
    closed = sum(1 for each in found if each.closed)
    text = f"{counted(len(found), 'visit')}, {closed} closed; {whole} of the last {len(readable)} as written"
    text += f"; {still_open[0]} is open" if still_open else ""
    yield Diagnosis("journals", GOOD if whole == len(readable) else MIND, text)


def _last_change(each: object) -> float:
    path = getattr(each, "path", None)
    assert isinstance(path, Path)
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0
