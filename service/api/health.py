"""Whether the service is there."""

from __future__ import annotations

import asyncio
import logging
from datetime import datetime
from typing import Literal

from litestar import Response, get, head
from litestar.datastructures import State

from service.api.bodies import View
from service.clock import Clock
from service.records import revision
from service.records.health import answers, schema
from service.records.store import Store

log = logging.getLogger(__name__)

_READY_S = 3.0


class HealthView(View):
    """The service answers, and so does its store."""

    status: Literal["ok"]
    at: datetime
    """The service's clock."""


@get("/health", operation_id="getHealth", tags=["Service"], security=[])
async def get_health(state: State) -> HealthView:
    """Say whether the service and its store answer. Takes no token."""
    store: Store = state.store
    clock: Clock = state.clock
    async with store.read() as uow:
        await answers(uow)
    return HealthView(status="ok", at=clock.now())


@get("/health/live", operation_id="getHealthLive", tags=["Service"], security=[])
async def get_live(state: State) -> HealthView:
    """Say whether the process answers; its store is not asked. Takes no token."""
    clock: Clock = state.clock
    return HealthView(status="ok", at=clock.now())


class ReadyView(View):
    """Whether the service can do its work."""

    status: Literal["ok", "unready"]
    at: datetime
    """The service's clock."""
    detail: str
    """What is missing; empty: nothing."""


@get("/health/ready", operation_id="getHealthReady", tags=["Service"], security=[])
async def get_ready(state: State) -> Response[ReadyView]:
    """Say whether the store answers and has this version's schema; 503 where it does not. Takes no token."""
    clock: Clock = state.clock
    missing = await _missing(state.store)
    view = ReadyView(status="unready" if missing else "ok", at=clock.now(), detail=missing)
    return Response(view, status_code=503 if missing else 200)


async def _missing(store: Store) -> str:
    """Return what the service lacks for its work; empty: nothing."""
    try:
        async with asyncio.timeout(_READY_S), store.read() as uow:
            found = await schema(uow)
    except Exception:
        log.warning("the store does not answer", exc_info=True)
        return "the store does not answer"
    return "" if found == revision.head() else "the store's schema is not this version's"


# Monitors of uptime often ask with HEAD.


@head("/health", include_in_schema=False)
async def head_health(state: State) -> None:
    """Answer as :func:`get_health`, without its body."""
    store: Store = state.store
    async with store.read() as uow:
        await answers(uow)


@head("/health/live", include_in_schema=False, sync_to_thread=False)
def head_live() -> None:
    """Answer as :func:`get_live`, without its body."""


@head("/health/ready", include_in_schema=False)
async def head_ready(state: State) -> Response[None]:
    """Answer as :func:`get_ready`, without its body."""
    return Response(None, status_code=503 if await _missing(state.store) else 200)
