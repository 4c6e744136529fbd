"""The application: the one place where the service's parts are put together."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from importlib.metadata import PackageNotFoundError, version

from litestar import Litestar
from litestar.datastructures import State

from service.api.answers import Answers
from service.api.calendars import read_calendar
from service.api.docs import openapi_config, static_router
from service.api.health import get_health, get_live, get_ready, head_health, head_live, head_ready
from service.api.limits import RateLimit
from service.api.methods import name_methods
from service.api.problems import exception_handlers
from service.api.router import api_router
from service.clock import Clock, SystemClock
from service.metrics import Metrics, Watched, get_metrics
from service.records.freshness import Freshness
from service.records.store import Store
from service.settings import Settings
from service.uses import Uses
from service.web.frame import page_or
from service.web.router import web_routers

Lifespan = Callable[[Litestar], AbstractAsyncContextManager[None]]


def create_app(
    store: Store,
    clock: Clock,
    settings: Settings,
    lifespan: Sequence[Lifespan] = (),
    wall: Clock | None = None,
) -> Litestar:
    """Return the application on a store and a clock.

    Parameters
    ----------
    store
        Where the records are; opened and closed by the caller.
    clock
        What time it is.
    settings
        What is set.
    lifespan
        What runs while the application does, in the order of starting.
    wall
        The machine's time, by which those who guess passwords wait.
    """
    return Litestar(
        route_handlers=[
            api_router(),
            get_health,
            get_live,
            get_ready,
            head_health,
            head_live,
            head_ready,
            get_metrics,
            read_calendar,
            static_router(),
            *web_routers(),
        ],
        middleware=[Watched()],
        before_send=[name_methods],
        exception_handlers=page_or(exception_handlers()),
        openapi_config=openapi_config(_version()),
        state=state_of(store, clock, settings, wall),
        lifespan=[_looking, *lifespan],
        logging_config=None,  # the commands set up logging
    )


def state_of(store: Store, clock: Clock, settings: Settings, wall: Clock | None = None) -> State:
    """Return what the application's operations share; ``wall``: the machine's time, unless a test moves it."""
    return State(
        {
            "store": store,
            "clock": clock,
            "wall": wall or SystemClock(),
            "settings": settings,
            "metrics": Metrics(),
            "freshness": Freshness(store),
            "answers": Answers(),
            "rate_limit": RateLimit(settings.requests_per_minute),
            "stopping": asyncio.Event(),
            "uses": Uses(store),
        }
    )


@asynccontextmanager
async def _looking(app: Litestar) -> AsyncIterator[None]:
    try:
        yield
    finally:
        await app.state.uses.close()
        await app.state.freshness.close()


def _version() -> str:
    try:
        return version("evenleaf")
    except PackageNotFoundError:  # run from its folder, not installed
        return "0"
