"""The board beside a running station, and where its address is left for other programs of the same user."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import msgspec

from lineset.board.errors import BoardError
from lineset.board.kept_token import kept_token
from lineset.board.own_certificate import own_certificate
from lineset.board.server import BoardServer, own_address
from lineset.equipment.facts import CATALOGUE as FACTS
from lineset.equipment.language import all_words, sayer
from lineset.physics.refrigerant import REFRIGERANTS
from lineset.station.daemon import Station
from lineset.station.remembered import Remembered
from lineset.stream.address import BrokerAddress, read_private, runtime_folder, write_private
from lineset.stream.errors import SettingsError
from lineset.visit.observations import signs

BOARD_FILE = "board.json"
TOKEN_FILE = "board.token"  # in the data folder
USUAL_PORT = 8930


class BoardFile(msgspec.Struct, frozen=True, kw_only=True):
    """`board.json`: the whole address of the page, with the token that opens it.

    `fingerprint` is the SHA-256 of a certificate of the station's own, as browsers show it.
    """

    url: str
    fingerprint: str = ""


@contextlib.asynccontextmanager
async def board_beside(station: Station) -> AsyncIterator[BoardServer | None]:
    """Serve the board of a station that runs, unless its configuration says not to. Raises BoardError."""
    config = station.config.board
    if not config.enabled:
        yield None
        return

    def address() -> BrokerAddress:
        broker = station.broker
        return station.config.broker.address() if broker is None else broker.address("technician")

    def about() -> dict[str, Any]:
        return told_of(station)

    token = kept_token(station.config.data / TOKEN_FILE, time.time())
    certificate, key, fingerprint = config.certificate, config.key, ""
    if config.network and certificate is None:
        names = (own_address(), "127.0.0.1", "localhost")
        certificate, key, fingerprint = await asyncio.to_thread(own_certificate, station.config.data, names)

    def server(port: int) -> BoardServer:
        return BoardServer(
            address, station.topics, about=about, port=port, network=config.network,
            certificate=certificate, key=key, token=token,
        )  # fmt: skip

    async with contextlib.AsyncExitStack() as stack:
        try:
            board = await stack.enter_async_context(server(USUAL_PORT if config.port is None else config.port))
        except BoardError:
            if config.port is not None:
                raise
            board = await stack.enter_async_context(server(0))  # another station of this laptop has the usual one
        folder = station.runtime or runtime_folder()
        write_private(folder / BOARD_FILE, msgspec.json.encode(BoardFile(url=board.url, fingerprint=fingerprint)))
        stack.callback(_take_away, folder / BOARD_FILE, board.url)
        yield board


def told_of(station: Station) -> dict[str, Any]:
    """What the page is told of a station besides how to log in: words, catalogues, systems met before. Reads files."""
    config = station.config
    say = sayer(config.language)
    known = [found for found in station.visits.systems.listed() if isinstance(found, Remembered)]
    systems = [
        {
            "id": found.record.id,
            "title": found.record.title,
            "refrigerant": found.record.refrigerant,
            "noted": found.noted,
        }
        for found in known
    ]
    met = {found.record.id for found in known}
    systems += [
        {"id": each.id, "title": each.title, "refrigerant": each.refrigerant, "noted": ""}
        for each in config.systems
        if each.id not in met
    ]
    return {
        "station": config.name,
        "units": config.units,
        "language": config.language,
        "words": all_words(config.language),
        "systems": systems,
        "refrigerants": list(REFRIGERANTS),
        "signs": [{"id": each.id, "title": say(each.words), "wants": each.wants} for each in signs().values()],
        "facts": {fact.name: {"sentence": say(fact.sentence), "holds": fact.holds} for fact in FACTS.values()},
    }


def _take_away(file: Path, url: str) -> None:
    with contextlib.suppress(SettingsError):
        if read_board_file(file.parent).url == url:
            file.unlink(missing_ok=True)


def read_board_file(folder: Path | None = None) -> BoardFile:
    """Where the board of the station is that runs here. Raises SettingsError when there is none."""
    file = (folder or runtime_folder()) / BOARD_FILE
    if not file.exists():
        raise SettingsError(f"no board is served here: {file} does not exist; start a station with: lineset run")
    try:
        return msgspec.json.decode(read_private(file, "board file"), type=BoardFile)
    except msgspec.DecodeError as error:
        raise SettingsError(f"board file {file}: {error}; restart the station, it writes a new one") from error
