"""Ingest as a process of its own, for tests that kill it.

Arguments: database URL, broker URL, topic filter, client id, slots, messages a batch at most. Leases are short.
"""

from __future__ import annotations

import asyncio
import signal
import sys

import ingest.slots
import ingest.writer
from ingest.command import run_ingest
from service.clock import SystemClock
from service.records.store import Store
from service.settings import Settings


async def main(
    database_url: str, broker_url: str, topic_filter: str, client_id: str, slots: str, batch: str
) -> None:
    ingest.writer._BATCH = int(batch)
    ingest.slots.LEASE_S = 3.0
    ingest.slots._ROUND_S = 0.3
    stop = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    store = Store.open(database_url)
    try:
        await run_ingest(
            store,
            SystemClock(),
            Settings(mqtt_topic=topic_filter, ingest_slots=int(slots)),
            stop,
            url=broker_url,
            mqtt5=True,
            client_id=client_id,
        )
    finally:
        await store.close()


if __name__ == "__main__":
    asyncio.run(main(*sys.argv[1:]))
