"""What a running program tells of itself to a scraper, in the exposition format of Prometheus, on `/metrics`.

A measure is a row: its name, and how to read it from the program's plain attributes. It is read when somebody asks,
so it costs nothing where readings go through. No row may tell a secret, a person's name, or what a person wrote.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import ipaddress
import itertools
import shutil
from collections.abc import AsyncIterator, Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, Literal, Self, TypeVar

import structlog
from prometheus_client import CollectorRegistry, ProcessCollector
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, HistogramMetricFamily, Metric
from prometheus_client.exposition import choose_encoder
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from lineset.station.loop_server import LoopServer
from lineset.station.metrics_config import MetricsConfig, read_token
from lineset.stream.errors import SettingsError

PATH = "/metrics"
LINK_STATES = ("connecting", "connected", "unreachable", "refused", "tls", "lost", "stalled", "settings")
_LOOPBACK = frozenset({"127.0.0.1", "localhost", "[::1]"})
_HEADERS = {"cache-control": "no-store", "x-content-type-options": "nosniff"}

log = structlog.get_logger(__name__)

S = TypeVar("S")
Labelled = Iterable[tuple[tuple[str, ...], float]]


@dataclass(frozen=True, slots=True)
class Buckets:
    """A histogram: how many observations were at most each bound and above the one before, their sum and number."""

    bounds: Sequence[float]
    counts: Sequence[int]
    sum: float
    count: int

    def cumulative(self) -> Sequence[tuple[str, float]]:
        """As the format wants it: bound and how many were at most that, the last bound infinite."""
        through = itertools.accumulate(self.counts)
        return [(str(float(bound)), n) for bound, n in zip(self.bounds, through, strict=True)] + [("+Inf", self.count)]


@dataclass(frozen=True)
class Measure(Generic[S]):
    """One row. `read` gives a number, None where there is none now, or one number for each set of `labels`.

    A counter only grows while the program runs; it is exposed as `{name}_total`. A histogram has no labels.
    """

    name: str
    kind: Literal["counter", "gauge", "histogram"]
    about: str
    read: Callable[[S], float | Labelled | Buckets | None]
    labels: tuple[str, ...] = ()

    @property
    def exposed(self) -> tuple[str, ...]:
        """The names in an expression."""
        if self.kind == "histogram":
            return f"{self.name}_bucket", f"{self.name}_sum", f"{self.name}_count"
        return (f"{self.name}_total" if self.kind == "counter" else self.name,)


class Measured(Generic[S]):
    """A collector of prometheus_client over the rows of one program."""

    def __init__(self, rows: Sequence[Measure[S]], source: S) -> None:
        self._rows, self._source = rows, source

    def collect(self) -> Iterator[Metric]:
        """All families, read now; called by prometheus_client."""
        for row in self._rows:
            found = row.read(self._source)
            if isinstance(found, Buckets):
                histogram = HistogramMetricFamily(row.name, row.about)
                histogram.add_metric((), found.cumulative(), found.sum)
                yield histogram
                continue
            make = CounterMetricFamily if row.kind == "counter" else GaugeMetricFamily
            family = make(row.name, row.about, labels=row.labels)
            if isinstance(found, int | float):
                found = (((), found),)
            for labels, value in found or ():
                family.add_metric(labels, float(value))
            yield family


def disk_rows(folder: Callable[[S], Path]) -> tuple[Measure[S], ...]:
    """Room on the disk that holds `folder`: bytes."""

    def usage(source: S) -> tuple[float, float]:
        found = shutil.disk_usage(folder(source))
        return found.free, found.total

    return (
        Measure("lineset_disk_free_bytes", "gauge", "Room left on the data folder's disk.", lambda s: usage(s)[0]),
        Measure("lineset_disk_size_bytes", "gauge", "Size of the data folder's disk.", lambda s: usage(s)[1]),
    )


def application(registry: CollectorRegistry, config: MetricsConfig, token: str = "") -> Starlette:
    """Answers GET on `/metrics` and nothing else, and only to who asks for this machine by a name of its own: a page of
    the web can have its own name pointed here, and would read along."""

    def known(host: str) -> bool:
        name = host if host.endswith("]") else host.rpartition(":")[0] or host
        if name in _LOOPBACK or name in config.hosts:
            return True
        try:
            ipaddress.ip_address(name.strip("[]"))
        except ValueError:
            return False
        return config.network

    async def metrics(request: Request) -> Response:
        if not known(request.headers.get("host", "").lower()):
            return PlainTextResponse("this machine is not known by that name\n", status_code=421, headers=_HEADERS)
        given = request.headers.get("authorization", "").removeprefix("Bearer ")
        if token and not hmac.compare_digest(given.encode(), token.encode()):
            refusal = {**_HEADERS, "www-authenticate": "Bearer"}
            return PlainTextResponse("a bearer token is needed\n", status_code=401, headers=refusal)
        if request.url.query:
            return PlainTextResponse("no questions are taken here\n", status_code=400, headers=_HEADERS)
        encoder, content_type = choose_encoder(request.headers.get("accept", ""))
        try:
            # in the loop, so that nothing changes while it is read
            text = encoder(registry)
        except Exception:
            log.exception("what this program tells of itself cannot be read")
            return PlainTextResponse("the program's log says why\n", status_code=500, headers=_HEADERS)
        return Response(text, media_type=content_type, headers=_HEADERS)

    answers = Starlette(routes=[Route(PATH, metrics, methods=["GET"])])
    answers.router.redirect_slashes = False
    return answers


class MetricsServer(Generic[S]):
    """Serves the rows of `source` while it is entered. `url` is where. Raises SettingsError when it cannot."""

    def __init__(self, rows: Sequence[Measure[S]], source: S, config: MetricsConfig) -> None:
        registry = CollectorRegistry(auto_describe=False)
        registry.register(Measured(rows, source))
        ProcessCollector(registry=registry)  # CPU seconds, resident memory, start time, open files
        token = read_token(config.token) if config.token is not None else ""
        self._server = LoopServer(
            application(registry, config, token),
            "metrics",
            refused=SettingsError,
            port=config.port,
            network=config.network,
            certificate=config.certificate,
            key=config.key,
        )

    @property
    def port(self) -> int:
        """The port that is listened on."""
        return self._server.port

    @property
    def url(self) -> str:
        """Where it is, from this machine."""
        return f"{'https' if self._server.secure else 'http'}://127.0.0.1:{self.port}{PATH}"

    async def __aenter__(self) -> Self:
        await self._server.__aenter__()
        log.info("metrics ready", url=self.url, network=self._server.network)
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._server.__aexit__()


@contextlib.asynccontextmanager
async def served(
    rows: Sequence[Measure[S]], source: S, config: MetricsConfig
) -> AsyncIterator[MetricsServer[S] | None]:
    """Serve the rows for as long as the block lasts. Where the port cannot be had that is logged and nothing is served:
    the record matters more."""
    async with contextlib.AsyncExitStack() as stack:
        server = None
        try:
            server = await stack.enter_async_context(MetricsServer(rows, source, config))
        except SettingsError as error:
            log.error("no metrics are served; everything else goes on", error=str(error))
        yield server


async def listens(port: int, timeout_s: float = 2.0) -> bool:
    """Whether something listens on a port of loopback."""
    try:
        async with asyncio.timeout(timeout_s):
            _, writer = await asyncio.open_connection("127.0.0.1", port)
    except OSError:
        return False
    writer.close()
    return True
