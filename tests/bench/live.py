"""All of Evenleaf under load: killed at random (:mod:`tests.live.chaos`), or for long (:mod:`tests.live.soak`)."""

from __future__ import annotations

import asyncio
import os
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from ingest.broker import running_broker
from service.records.migrate import upgrade
from service.records.store import Store
from service.settings import Settings
from tests import services
from tests.live.chaos import chaos
from tests.live.soak import soak


def measure(kind: str, seconds: float, **more: int) -> dict[str, Any]:
    """Run one of both on servers of its own, and return its figures; what is wrong is raised."""
    with TemporaryDirectory(prefix="evenleaf-live-") as folder, services.postgresql(os.environ) as url:
        return asyncio.run(_measure(kind, seconds, url, Path(folder), more))


async def _measure(kind: str, seconds: float, url: str, folder: Path, more: dict[str, int]) -> dict[str, Any]:
    store = Store.open(url)
    try:
        await upgrade(store)
        async with running_broker(Settings(data_dir=folder, mqtt_bind="127.0.0.1:0")) as broker:
            if kind == "chaos":
                return await chaos(store, url, broker, folder, seconds, more["seed"])
            return await soak(store, url, broker, folder, seconds, more["batches"])
    finally:
        await store.close()
