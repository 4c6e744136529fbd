"""What every command begins with: its log, its signals, its store. Light: an ingest loads no more than it needs."""

from __future__ import annotations

import asyncio
import logging
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from service.records.revision import current, head
from service.records.store import Store
from service.settings import Settings, SettingsError


def set_up_logging(level: str) -> None:
    """Write logs to standard error, so that standard output holds only results."""
    logging.basicConfig(
        level=level, stream=sys.stderr, format="%(asctime)s %(levelname)s %(name)s: %(message)s", force=True
    )
    for chatty in ("apscheduler", "httpx", "alembic", "uvicorn.access"):
        logging.getLogger(chatty).setLevel(max(logging.WARNING, logging.getLevelNamesMapping()[level]))


@asynccontextmanager
async def open_store(settings: Settings, *, migrate: bool | None = None) -> AsyncIterator[Store]:
    """Open the store with the schema this version needs.

    An embedded store is brought up to date; a server's schema is changed by ``evenleaf migrate`` only, so that
    several processes can start at once.

    Raises
    ------
    SettingsError
        If a server's schema is not this version's.
    """
    url = settings.store_url()
    embedded = url.startswith("sqlite")
    if embedded:
        settings.data_dir.mkdir(parents=True, exist_ok=True)
    store = Store.open(url)
    try:
        if embedded if migrate is None else migrate:
            from service.records.migrate import upgrade

            await upgrade(store)
        elif (found := await current(store)) != (wanted := head()):
            raise SettingsError(
                f"the database holds schema {found or 'none'}, this version needs {wanted}: run `evenleaf migrate`"
            )
        yield store
    finally:
        await store.close()


def listen_to_signals(stop: asyncio.Event) -> None:
    """Have SIGINT and SIGTERM set ``stop`` from now on."""
    loop = asyncio.get_running_loop()
    for name in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(name, stop.set)
