"""Periodic work that several processes share: of each time it is done once, by one of them."""

from __future__ import annotations

import asyncio
import logging
import os
import secrets
import socket
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from datetime import UTC, datetime, timedelta

from service.records import leases
from service.records.store import Store

log = logging.getLogger(__name__)

LEASE_S = 30.0
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def due_at(now: datetime, minutes: float) -> datetime:
    """Return the last time that periodic work was due: the same for all processes that share a clock."""
    every = timedelta(minutes=minutes)
    return _EPOCH + (now - _EPOCH) // every * every


@asynccontextmanager
async def held(renew: Callable[[], Awaitable[object]], lease_s: float, what: str) -> AsyncIterator[None]:
    """Renew a lease three times in its length until left.

    A renewal that is under way then comes to its end: one that were cut off in the middle of the driver's work would
    cost its connection, and an error in the log.
    """
    left = asyncio.Event()

    async def hold() -> None:
        while True:
            with suppress(TimeoutError):
                await asyncio.wait_for(left.wait(), lease_s / 3)
                return
            try:
                await renew()
            except Exception as error:  # noqa: BLE001 - drivers raise many things when their server goes
                log.warning("the lease of %s could not be renewed: %s", what, error)

    holding = asyncio.create_task(hold(), name=f"holding {what}")
    try:
        yield
    finally:
        left.set()
        await holding


@asynccontextmanager
async def claimed(
    store: Store,
    job: str,
    due: datetime,
    *,
    stop: asyncio.Event | None = None,
    lease_s: float | None = None,
) -> AsyncIterator[bool]:
    """Claim a job for the time at which it was due; yields whether it is this process that is to do it.

    The claim is held by a lease that is renewed until the context is left, so that work whose process is killed is
    taken over, and done when it is left without an exception. Work that failed, and work that may have been cut short
    because this process was told to ``stop`` meanwhile, is free again at once.
    """
    lease_s = lease_s or LEASE_S
    holder = f"{socket.gethostname()[:50]}-{os.getpid()}-{secrets.token_hex(4)}"
    async with store.write() as uow:
        await leases.ensure(uow, job, [0])
        claims = await leases.claim(uow, job, due, holder, lease_s, 1)
    if not claims:
        yield False
        return

    async def renew() -> None:
        async with store.write() as uow:
            await leases.renew(uow, job, holder, claims, lease_s)

    done = False
    try:
        async with held(renew, lease_s, job):
            yield True
        done = stop is None or not stop.is_set()
    finally:
        async with store.write() as uow:
            if done:
                await leases.finish(uow, job, holder, claims)
            else:
                await leases.renew(uow, job, holder, claims, 0.0)
