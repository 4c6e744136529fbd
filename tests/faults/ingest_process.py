"""Ingest as a process of its own, for tests that kill it: database URL, broker URL, topic filter, client id."""

from __future__ import annotations

import asyncio
import signal
import sys

from ingest.command import run_ingest
from service.clock import SystemClock
from service.records.store import Store
from service.settings import Settings


async def main(database_url: str, broker_url: str, topic_filter: str, client_id: str) -> None:
    stop = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    store = Store.open(database_url)
    try:
        await run_ingest(
            store,
            SystemClock(),
            Settings(mqtt_topic=topic_filter),
            stop,
            url=broker_url,
            mqtt5=True,
            client_id=client_id,
        )
    finally:
        await store.close()


if __name__ == "__main__":
    asyncio.run(main(*sys.argv[1:]))
