"""The application on a fresh store, and a small farm made through it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import httpx
import pytest
from litestar import Litestar

from service.app import create_app, state_of
from service.clock import Clock, FixedClock
from service.records.store import Store
from service.settings import Settings
from service.work.access import first_token
from tests.api.farm import Place, make_place


@pytest.fixture
def app(store: Store, clock: FixedClock) -> Litestar:
    """Return the application on each of the two databases."""
    return app_on(store, clock)


def app_on(store: Store, clock: Clock) -> Litestar:
    """Return the application on a store and a clock.

    Its operations are put together once, which takes half a second, and get a state of their own each time: only one
    may be at work.
    """
    settings = Settings(smtp_host="mail.example.org", smtp_from="evenleaf@example.org")
    if not _made:
        _made.append(create_app(store, clock, settings))
    (app,) = _made
    app.state = state_of(store, clock, settings)
    return app


_made: list[Litestar] = []


@asynccontextmanager
async def running(app: Litestar) -> AsyncIterator[None]:
    """Have the application started: in a task of its own, since a fixture is set up and torn down in two."""
    started, ended = asyncio.Event(), asyncio.Event()

    async def run() -> None:
        async with app.lifespan():
            started.set()
            await ended.wait()

    task = asyncio.create_task(run())
    waiting = asyncio.create_task(started.wait())
    await asyncio.wait({task, waiting}, return_when=asyncio.FIRST_COMPLETED)
    try:
        yield
    finally:
        ended.set()
        waiting.cancel()
        await task


@pytest.fixture
async def open_client(app: Litestar) -> AsyncIterator[httpx.AsyncClient]:
    """Have a client without a token."""
    transport = httpx.ASGITransport(app=app)
    async with running(app), httpx.AsyncClient(transport=transport, base_url="http://test") as client:
        yield client


@pytest.fixture
async def client(open_client: httpx.AsyncClient, store: Store, clock: FixedClock) -> httpx.AsyncClient:
    """Have a client that may do everything."""
    async with store.write() as uow:
        secret = await first_token(uow, clock)
    open_client.headers["authorization"] = f"Bearer {secret}"
    return open_client


@pytest.fixture
async def place(client: httpx.AsyncClient) -> Place:
    """Have a farm."""
    return await make_place(client, "Alder Farm")


@pytest.fixture
async def other_place(client: httpx.AsyncClient, place: Place) -> Place:
    """Have a second farm, with a house of the same code."""
    return await make_place(client, "Birch Farm")
