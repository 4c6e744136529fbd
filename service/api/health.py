"""Whether the service is there."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from litestar import get
from litestar.datastructures import State

from service.api.bodies import View
from service.clock import Clock
from service.records.health import answers
from service.records.store import Store


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
