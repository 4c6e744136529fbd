"""A small farm, and the other side of each way out: an HTTP server, a mail server, an MQTT client."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Iterator

import pytest
from aiosmtpd.controller import Controller

from service.clock import FixedClock
from service.records.store import Store
from tests.deliver.rig import HttpServer, Inbox, MovingClock, Subscriber
from tests.services import free_port
from tests.work.conftest import Place, make_place

logging.getLogger("mail.log").setLevel(logging.WARNING)  # else the mail server tells each of its steps


@pytest.fixture
def moving() -> MovingClock:
    """Return a clock that the test moves."""
    return MovingClock()


@pytest.fixture
async def place(store: Store, clock: FixedClock) -> Place:
    """Have a farm, once on each database."""
    return await make_place(store, clock, "Alder Farm")


@pytest.fixture
async def hook() -> AsyncIterator[HttpServer]:
    """Have a webhook receiver."""
    async with HttpServer("127.0.0.1") as server:
        yield server


@pytest.fixture
async def forbidden_host() -> AsyncIterator[HttpServer]:
    """Have a server at an address of the loopback network that is not allowed; nobody may call it."""
    async with HttpServer("127.0.0.2") as server:
        yield server


@pytest.fixture
def inbox() -> Iterator[Inbox]:
    """Have a mail server."""
    inbox = Inbox()
    inbox.port = free_port()
    controller = Controller(inbox, hostname="127.0.0.1", port=inbox.port)
    controller.start()
    try:
        yield inbox
    finally:
        controller.stop()


@pytest.fixture
async def subscriber(mosquitto_url: str) -> AsyncIterator[Subscriber]:
    """Have an MQTT client of a real broker."""
    subscriber = Subscriber(mosquitto_url)
    yield subscriber
    await asyncio.to_thread(subscriber.close)
