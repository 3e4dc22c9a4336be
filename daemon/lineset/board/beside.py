"""The board beside a running station, and where its address is left for other programs of the same user."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import msgspec

from lineset.board.server import BoardError, BoardServer
from lineset.station.daemon import Station
from lineset.stream.address import BrokerAddress, read_private, runtime_folder, write_private
from lineset.stream.errors import SettingsError

BOARD_FILE = "board.json"
USUAL_PORT = 8930


class BoardFile(msgspec.Struct, frozen=True, kw_only=True):
    """`board.json`: the whole address of the page, with the token that opens it."""

    url: str


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
        return {"station": station.config.name, "units": station.config.units}

    def server(port: int) -> BoardServer:
        return BoardServer(
            address, station.topics, about=about, port=port, network=config.network,
            certificate=config.certificate, key=config.key,
        )  # fmt: skip

    async with contextlib.AsyncExitStack() as stack:
        try:
            board = await stack.enter_async_context(server(USUAL_PORT if config.port is None else config.port))
        except BoardError:
            if config.port is not None:
                raise
            board = await stack.enter_async_context(server(0))  # another station of this laptop has the usual one
        folder = station.runtime or runtime_folder()
        write_private(folder / BOARD_FILE, msgspec.json.encode(BoardFile(url=board.url)))
        stack.callback(_take_away, folder / BOARD_FILE, board.url)
        yield board


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
