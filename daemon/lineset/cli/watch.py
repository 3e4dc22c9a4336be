"""`lineset watch`: what the station says, as a sheet that keeps itself up to date, as lines, or as JSON."""

from __future__ import annotations

import asyncio
import json
import sys
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lineset.cli.printed import printed
from lineset.cli.station_access import UNREACHABLE, WRONG, AtOption, JsonOption, say_error

if TYPE_CHECKING:
    from lineset.cli.watch_view import Happening, View
    from lineset.contract.topic import Topics
    from lineset.stream.address import BrokerAddress
    from lineset.stream.link import Incoming, LinkStatus

QUEUE = 10_000
REDRAW_S = 0.25
QUIET_S = 0.4  # retained messages come in one burst; a pause this long means that all are here
ONCE_S = 3.0


def _complete_visit(incomplete: str) -> list[str]:
    from lineset.journal.errors import JournalError
    from lineset.journal.visit_files import SUFFIX
    from lineset.station.config import default_folder

    try:
        found = (default_folder() / "visits").glob(f"{incomplete}*{SUFFIX}")
        return sorted(path.stem for path in found)
    except (OSError, JournalError):
        return []


def watch(
    once: Annotated[bool, typer.Option("--once", help="Print how things stand now, and stop.")] = False,
    visit: Annotated[
        str, typer.Option(help="Only this visit; else the open one.", autocompletion=_complete_visit)
    ] = "",
    url: Annotated[str, typer.Option(help="Another broker, such as mqtts://broker.example:8883.")] = "",
    credentials: Annotated[
        Path | None, typer.Option(help="TOML file with username and password for --url; only you may read it.")
    ] = None,
    ca: Annotated[Path | None, typer.Option(help="PEM file of the authority to trust for mqtts.")] = None,
    shop: Annotated[str, typer.Option(help="With --url: the shop in the topics.")] = "shop",
    station: Annotated[str, typer.Option(help="With --url: the station in the topics.")] = "station",
    at: AtOption = None,
    as_json: JsonOption = False,
) -> None:
    """Watch the readings live: points in walking order, what has settled since when, what happened last.

    On a terminal the sheet keeps itself up to date; into a file or pipe each event is one line, with --json each
    message is one JSON line. End it with Ctrl-C. Line voltage, stored charge, refrigerant under pressure: a screen
    never proves that a circuit is dead.

    Example: lineset watch

    Example: lineset watch --url mqtts://broker.example:8883 --credentials watch.toml --shop north --station van-1

    Exit code: 0 ended, 2 wrong words, 3 no station or broker can be reached.
    """
    from lineset.cli.quiet import set_up_quiet_logs
    from lineset.cli.watch_view import View

    set_up_quiet_logs()
    if not url and (credentials or ca):
        raise say_error("watch", "--credentials and --ca go with --url", WRONG)
    address, topics = _where(url, credentials, ca, shop, station, at)
    view = View(topics, visit=visit)
    code = asyncio.run(_watch(address, view, once=once, as_json=as_json))
    if code:
        raise typer.Exit(code)


def _where(
    url: str, credentials: Path | None, ca: Path | None, shop: str, station: str, at: Path | None
) -> tuple[Callable[[], BrokerAddress], Topics]:
    """Where to listen, asked anew before each attempt: a station that starts again has new passwords."""
    from lineset.contract.topic import TopicError, Topics
    from lineset.stream.address import BrokerAddress, read_broker_file
    from lineset.stream.errors import StreamError

    if not url:
        from lineset.cli.station_access import reach

        _, topics = reach("watch", at, "watch")
        return lambda: read_broker_file(at).address("watch"), topics
    try:
        address = BrokerAddress.from_url(url, credentials_file=credentials, ca_file=ca or "")
        return lambda: address, Topics(shop, station)
    except (StreamError, TopicError) as error:
        raise say_error("watch", str(error), WRONG) from error


class _Feed:
    """Messages and changes of the connection, in order, from a link that runs while the block lasts."""

    def __init__(self, address: Callable[[], BrokerAddress], topics: Topics) -> None:
        from lineset.stream.link import Link

        self._queue: asyncio.Queue[Incoming | LinkStatus | None] = asyncio.Queue(QUEUE)
        self.missed = 0
        self.link = Link(address, on_status=self._put)
        self.link.subscribe(topics.everything, 1, self._put)
        self._task: asyncio.Task[None] | None = None

    def _put(self, item: Incoming | LinkStatus | None) -> None:
        try:
            self._queue.put_nowait(item)
        except asyncio.QueueFull:
            self.missed += 1

    async def __aenter__(self) -> _Feed:
        import signal

        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, self._put, None)
        self._task = asyncio.create_task(self.link.run(), name="watching")
        self._task.add_done_callback(lambda _: self._put(None))
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._task is not None
        if self._task.done():
            self._task.result()  # it goes on for ever, unless a fault of ours ended it: that must be seen
        self._task.cancel()
        await asyncio.wait({self._task})

    async def next(self, timeout_s: float) -> Incoming | LinkStatus | str:
        """The next message or status; "" when none came in time, "end" when the person ends it."""
        try:
            item = await asyncio.wait_for(self._queue.get(), timeout_s)
        except TimeoutError:
            return ""
        return "end" if item is None else item

    async def __aiter__(self) -> AsyncIterator[Incoming | LinkStatus]:
        while True:
            item = await self.next(3600.0)
            if item == "end":
                return
            if not isinstance(item, str):
                yield item


async def _watch(address: Callable[[], BrokerAddress], view: View, *, once: bool, as_json: bool) -> int:
    async with _Feed(address, view.topics) as feed:
        if once:
            return await _once(feed, view, as_json)
        if as_json:
            return await _json_lines(feed)
        if sys.stdout.isatty():
            return await _sheet(feed, view)
        return await _plain_lines(feed, view)


async def _once(feed: _Feed, view: View, as_json: bool) -> int:
    from lineset.stream.link import Incoming, LinkStatus

    loop = asyncio.get_running_loop()
    end = loop.time() + ONCE_S
    problem = ""
    while (left := end - loop.time()) > 0:
        item = await feed.next(QUIET_S if view.station is not None else left)
        if isinstance(item, Incoming):
            view.feed(item.topic, item.payload, retained=item.retained)
        elif isinstance(item, LinkStatus):
            problem = "" if item.state == "connected" else item.sentence
            if problem:
                break  # the first attempt tells; who wants to wait leaves --once away
        elif item == "end" or _whole(view):
            break
    if view.station is None:
        silent = f"the broker is there, but station {view.topics.station_id} of {view.topics.shop} says nothing on it"
        typer.echo(f"lineset watch: {problem or silent}", err=True)
        return UNREACHABLE
    if as_json:
        typer.echo(json.dumps(view.data(), indent=2))
    else:
        for line in view.lines(_width(), time.time(), events=0):
            typer.echo(line.text)
    return 0


def _whole(view: View) -> bool:
    """Whether all is here that is retained: an open visit's systems say how they stand once a second."""
    visit = view.visit
    if visit is None or visit.state != "open":
        return True
    systems = (view.systems.get((visit.visit, id_)) for id_ in visit.systems)
    return all(system is not None and system.now is not None for system in systems)


async def _json_lines(feed: _Feed) -> int:
    """One line a message, as it came; what happens to the connection goes to standard error."""
    from lineset.stream.link import Incoming

    told = 0
    async for item in feed:
        if isinstance(item, Incoming):
            if not item.payload:
                message = None  # a retained message was taken back
            else:
                try:
                    message = json.loads(item.payload)
                except ValueError:
                    message = {"unreadable": item.payload.hex()}
            print(json.dumps({"topic": item.topic, "retained": item.retained, "message": message}), flush=True)
        else:
            print(f"lineset watch: {item.sentence}", file=sys.stderr, flush=True)
        if feed.missed > told:
            print(f"lineset watch: {feed.missed - told} messages were missed", file=sys.stderr, flush=True)
            told = feed.missed
    return 0


async def _plain_lines(feed: _Feed, view: View) -> int:
    """One line an event, made to be kept in a file. What the broker had kept comes first, in order of time."""
    from lineset.stream.link import Incoming

    told = 0
    kept: list[Happening] = []
    while (item := await feed.next(QUIET_S if kept else 3600.0)) != "end":
        happening = None
        if isinstance(item, Incoming):
            happening = view.feed(item.topic, item.payload, retained=item.retained)
        elif not isinstance(item, str):
            happening = view.say(item.sentence, time.time())
        if happening is not None and happening.retained:
            kept.append(happening)
            continue
        if feed.missed > told:
            _print_event(time.time(), f"{feed.missed - told} messages were missed")
            told = feed.missed
        if kept and (happening is not None or not item):
            for earlier in sorted(kept, key=lambda each: each.t):
                _print_event(earlier.t, earlier.text)
            kept.clear()
        if happening is not None:
            _print_event(happening.t, happening.text)
    return 0


def _print_event(t: float, text: str) -> None:
    print(f"{time.strftime('%Y-%m-%d %H:%M:%S', time.localtime(t or time.time()))} {printed(text)}", flush=True)


async def _sheet(feed: _Feed, view: View) -> int:
    """The sheet on the whole terminal; when it ends the last one stays readable behind it."""
    from rich.console import Console
    from rich.live import Live
    from rich.text import Text

    from lineset.cli.watch_sheet import fitted
    from lineset.stream.link import Incoming

    console = Console(highlight=False)
    loop = asyncio.get_running_loop()

    def drawn() -> Text:
        lines = fitted(view, console.width, console.height, time.time())
        return Text("\n").join(Text(line.text, style=line.style, no_wrap=True, overflow="crop") for line in lines)

    with Live(console=console, screen=True, auto_refresh=False) as live:
        due, changed = 0.0, True
        while True:
            item = await feed.next(max(due - loop.time(), 0.02) if changed else 1.0)
            if item == "end":
                break
            if isinstance(item, Incoming):
                view.feed(item.topic, item.payload, retained=item.retained)
            elif not isinstance(item, str):
                view.link = "" if item.state == "connected" else item.sentence
                view.say(item.sentence, time.time())
            changed = True
            if loop.time() >= due:
                live.update(drawn(), refresh=True)
                due, changed = loop.time() + REDRAW_S, False
    for line in view.lines(console.width, time.time()):
        console.print(Text(line.text, style=line.style, no_wrap=True, overflow="crop"))
    return 0


def _width() -> int:
    import shutil

    return min(shutil.get_terminal_size((100, 40)).columns, 120)
