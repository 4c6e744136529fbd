"""What an ingest process tells those who watch it: counts in the OpenMetrics text format, on a port of its own."""

from __future__ import annotations

import asyncio
import logging
import secrets
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from dataclasses import fields
from http import HTTPStatus
from typing import TYPE_CHECKING

from prometheus_client import CollectorRegistry
from prometheus_client.metrics_core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from ingest.writer import Counts

if TYPE_CHECKING:
    from ingest.listener import MqttSource
    from ingest.writer import Writer

_log = logging.getLogger(__name__)

_PATIENCE_S = 10.0
_COUNTED = {
    "messages": "Messages stored and acknowledged to the broker.",
    "readings": "Readings taken from them.",
    "dead_letters": "Payloads that are no readings, kept as dead letters.",
    "hours": "Hours computed from readings.",
}


class Tally(Collector):
    """Sums up what the listeners of this process did; with slots there may be several."""

    def __init__(self) -> None:
        self._ended = Counts()
        self._reconnects = 0
        self._live: list[tuple[MqttSource, Writer]] = []

    @contextmanager
    def of(self, source: MqttSource, writer: Writer) -> Iterator[None]:
        """Count a listener in while it runs; what it did stays counted."""
        self._live.append((source, writer))
        try:
            yield
        finally:
            self._live.remove((source, writer))
            self._reconnects += max(0, source.connections - 1)
            for field in fields(Counts):
                more = getattr(self._ended, field.name) + getattr(writer.counts, field.name)
                setattr(self._ended, field.name, more)

    def collect(self) -> Iterator[Metric]:
        """Yield the metrics as they are now."""
        for name, text in _COUNTED.items():
            total = getattr(self._ended, name) + sum(getattr(w.counts, name) for _, w in self._live)
            yield CounterMetricFamily(f"evenleaf_ingest_{name}", text, value=total)
        again = self._reconnects + sum(max(0, s.connections - 1) for s, _ in self._live)
        yield CounterMetricFamily(
            "evenleaf_ingest_reconnects", "Times the broker was found again after it was lost.", value=again
        )
        gauges = {
            "listeners": ("Listeners of this process: its slots, or one.", len(self._live)),
            "connected": ("Listeners that the broker has accepted.", sum(s.connected for s, _ in self._live)),
            "waiting_messages": (
                "Messages that came and are not yet taken.",
                sum(s.waiting for s, _ in self._live),
            ),
            "lag_seconds": (
                "From arrival to commit, of the oldest message in the last batch.",
                max((w.lag_s for _, w in self._live), default=0.0),
            ),
        }
        for name, (text, value) in gauges.items():
            yield GaugeMetricFamily(f"evenleaf_ingest_{name}", text, value=value)


@asynccontextmanager
async def telling(tally: Tally, bind: str, secret: str) -> AsyncIterator[None]:
    """Answer ``GET /metrics`` at an address, ``host:port``, until left; an empty one: do not.

    Parameters
    ----------
    secret
        The token to ask for; empty: none is asked for.

    Raises
    ------
    OSError
        If the address cannot be had.
    """
    if not bind:
        yield
        return
    registry = CollectorRegistry()
    registry.register(tally)

    def answer(request: str, headers: dict[str, str]) -> tuple[HTTPStatus, bytes]:
        method, _, rest = request.partition(" ")
        if rest.partition(" ")[0].partition("?")[0] != "/metrics":
            return HTTPStatus.NOT_FOUND, b"There is only /metrics here.\n"
        if method != "GET":
            return HTTPStatus.METHOD_NOT_ALLOWED, b"Only GET.\n"
        given = headers.get("authorization", "").removeprefix("Bearer ").strip()
        if secret and not secrets.compare_digest(given.encode(), secret.encode()):
            return HTTPStatus.UNAUTHORIZED, b"Send the token of EVENLEAF_METRICS_TOKEN.\n"
        return HTTPStatus.OK, generate_latest(registry)  # type: ignore[no-untyped-call]

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(OSError, asyncio.IncompleteReadError, asyncio.LimitOverrunError, TimeoutError):
            async with asyncio.timeout(_PATIENCE_S):
                head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").split("\r\n")
                named = (line.partition(":") for line in head[1:])
                status, body = answer(head[0], {name.lower(): value.strip() for name, _, value in named})
                kind = CONTENT_TYPE_LATEST if status is HTTPStatus.OK else "text/plain"
                more = "WWW-Authenticate: Bearer\r\n" if status is HTTPStatus.UNAUTHORIZED else ""
                writer.write(
                    f"HTTP/1.1 {status.value} {status.phrase}\r\nContent-Type: {kind}\r\n{more}"
                    f"Content-Length: {len(body)}\r\nConnection: close\r\n\r\n".encode()
                )
                writer.write(body)
                await writer.drain()
        writer.close()

    host, _, port = bind.rpartition(":")
    server = await asyncio.start_server(serve, host.strip("[]"), int(port))
    _log.info("Telling metrics at http://%s/metrics", bind)
    try:
        yield
    finally:
        server.close()
