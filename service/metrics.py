"""What the service tells those who watch it, in the OpenMetrics text format, from a registry of its own."""

from __future__ import annotations

import ipaddress
import logging
import re
import secrets
import time
from collections.abc import Sequence
from datetime import datetime
from typing import cast

from litestar import Request, Response, get
from litestar.datastructures import Headers, MutableScopeHeaders, State
from litestar.enums import ScopeType
from litestar.exceptions import NotAuthorizedException
from litestar.middleware import ASGIMiddleware
from litestar.types import ASGIApp, HTTPScope, Message, Receive, Scope, Send
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest

from service.clock import Clock
from service.logs import request_id
from service.records.health import Standing, standing
from service.records.store import Store
from service.settings import Settings
from service.work.reforecast import Run

log = logging.getLogger(__name__)

HEADER = "X-Request-ID"
_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")


class Metrics:
    """Counters of this process, and gauges of the store that are set when they are asked for."""

    def __init__(self) -> None:
        self.registry = registry = CollectorRegistry()
        self.requests = Counter(
            "evenleaf_http_requests", "Requests answered.", ["method", "route", "status"], registry=registry
        )
        self.request_seconds = Histogram(
            "evenleaf_http_request_seconds",
            "Time to the end of the answer.",
            ["route"],
            buckets=(0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 10),
            registry=registry,
        )
        self.houses = Counter(
            "evenleaf_reforecast_houses",
            "Houses looked at by this process's re-forecasts.",
            ["changed"],
            registry=registry,
        )
        self.forecasts = Counter("evenleaf_forecasts", "Forecasts kept by this process.", registry=registry)
        self.advice = Counter("evenleaf_advice", "Advice kept by this process.", registry=registry)
        self.run_seconds = Histogram(
            "evenleaf_reforecast_run_seconds",
            "Time of a run over the houses.",
            buckets=(0.1, 1, 5, 15, 60, 300, 900, 3600),
            registry=registry,
        )
        self.run_at = Gauge(
            "evenleaf_reforecast_last_run_timestamp_seconds",
            "When this process last ended a run over the houses, by the service's clock.",
            registry=registry,
        )
        names = {
            "houses": "Houses there are.",
            "touched_hours": "Hours that wait to be computed from their readings.",
            "dead_letters": "Payloads kept because they are no readings.",
            "unfinished_houses": "Houses whose re-forecast is claimed and not done.",
            "open_alerts": "Alerts that are open.",
        }
        self._store = {
            name: Gauge(f"evenleaf_store_{name}", text, registry=registry) for name, text in names.items()
        }
        self._hour_age = Gauge(
            "evenleaf_store_newest_hour_age_seconds",
            "Age of the newest hour of any zone; NaN: there is none.",
            registry=registry,
        )
        self._forecast_age = Gauge(
            "evenleaf_store_newest_forecast_age_seconds",
            "Age of the newest forecast; NaN: there is none.",
            registry=registry,
        )

    def ran(self, runs: Sequence[Run], seconds: float, now: datetime) -> None:
        """Count a run over the houses."""
        for run in runs:
            self.houses.labels("yes" if run.changed else "no").inc()
        self.forecasts.inc(sum(r.forecasts for r in runs))
        self.advice.inc(sum(r.advice for r in runs))
        self.run_seconds.observe(seconds)
        self.run_at.set(now.timestamp())

    def show(self, found: Standing, now: datetime) -> bytes:
        """Return all in the OpenMetrics text format."""
        for name, gauge in self._store.items():
            gauge.set(getattr(found, name))
        for gauge, moment in (
            (self._hour_age, found.newest_hour),
            (self._forecast_age, found.newest_forecast),
        ):
            gauge.set(float("nan") if moment is None else (now - moment).total_seconds())
        shown: bytes = generate_latest(self.registry)  # type: ignore[no-untyped-call]
        return shown


@get("/metrics", include_in_schema=False)
async def get_metrics(request: Request[object, object, State], state: State) -> Response[bytes]:
    """Tell the metrics to those on this machine, or to those with the token that is set for it."""
    settings: Settings = state.settings
    _let_in(request, settings.metrics_secret())
    store: Store = state.store
    clock: Clock = state.clock
    async with store.read() as uow:
        found = await standing(uow)
    return Response(state.metrics.show(found, clock.now()), media_type=CONTENT_TYPE_LATEST)


def _let_in(request: Request[object, object, State], secret: str) -> None:
    if secret:
        given = request.headers.get("authorization", "").removeprefix("Bearer ").strip()
        if not secrets.compare_digest(given.encode(), secret.encode()):
            raise NotAuthorizedException(
                "Send the token of EVENLEAF_METRICS_TOKEN: Authorization: Bearer <token>.",
                headers={"WWW-Authenticate": "Bearer"},
            )
    elif request.client is None or not _is_here(request.client.host):
        raise NotAuthorizedException(
            "Without EVENLEAF_METRICS_TOKEN the metrics are told on the service's own machine only.",
            headers={"WWW-Authenticate": "Bearer"},
        )


def _is_here(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


class Watched(ASGIMiddleware):
    """Gives every request an id, or keeps the one it brings, and counts and logs its answer."""

    scopes = (ScopeType.HTTP,)

    async def handle(self, scope: Scope, receive: Receive, send: Send, next_app: ASGIApp) -> None:
        """Answer the request."""
        scope = cast("HTTPScope", scope)
        brought = Headers.from_scope(scope).get(HEADER.lower(), "")
        own = brought if _ID.fullmatch(brought) else secrets.token_hex(8)
        token = request_id.set(own)
        status = 500
        begun = time.perf_counter()

        async def watched(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                MutableScopeHeaders(message)[HEADER.lower()] = own
            await send(message)

        try:
            await next_app(scope, receive, watched)
        finally:
            seconds = time.perf_counter() - begun
            route = str(scope.get("path_template") or "unknown")
            metrics: Metrics = scope["litestar_app"].state.metrics
            metrics.requests.labels(scope["method"], route, str(status)).inc()
            metrics.request_seconds.labels(route).observe(seconds)
            log.debug(
                "%s %s %d in %.0f ms",
                scope["method"],
                scope["path"],
                status,
                1e3 * seconds,
                extra={"action": "request", "status": status, "milliseconds": round(1e3 * seconds, 1)},
            )
            request_id.reset(token)
