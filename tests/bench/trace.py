"""A trace of one seed lot with 200 batches over 5 years at the API, on both databases.

``traceMs``: median time from request to whole answer, called without a network between. ``traceCpuMs``: what this
process worked in it, which another process on the machine changes less. ``ratioToEmptyHandler``: the first against a
handler of the same framework that answers nothing, asked in turn in the same run.
"""

from __future__ import annotations

import asyncio
import gc
import json
import os
import time
from collections.abc import Mapping
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

import asyncpg
from litestar import Litestar, get

from service.app import create_app
from service.clock import SystemClock
from service.records.migrate import upgrade
from service.records.store import Store
from service.settings import Settings
from service.work.access import first_token
from tests import services
from tests.recall import make_recall


@get("/")
async def _empty() -> None:
    return None


def measure(batches: int, repeats: int) -> dict[str, Any]:
    """Return what was measured, by database."""
    found: dict[str, Any] = {"batches": batches}
    with TemporaryDirectory(prefix="evenleaf-bench-") as folder:
        url = f"sqlite+aiosqlite:///{Path(folder) / 'bench.sqlite3'}"
        found["sqlite"] = asyncio.run(_measure(url, batches, repeats))
    with services.postgresql(os.environ) as server:
        found["postgresql"] = asyncio.run(_on_postgresql(server, batches, repeats))
    return found


async def _on_postgresql(server: str, batches: int, repeats: int) -> dict[str, float]:
    name = f"evenleaf_bench_{time.time_ns()}"
    admin = await asyncpg.connect(server.replace("+asyncpg", ""))
    try:
        await admin.execute(f"CREATE DATABASE {name}")
        try:
            return await _measure(f"{server.rsplit('/', 1)[0]}/{name}", batches, repeats)
        finally:
            await admin.execute(f"DROP DATABASE {name} WITH (FORCE)")
    finally:
        await admin.close()


async def _measure(url: str, batches: int, repeats: int) -> dict[str, float]:
    store = Store.open(url)
    try:
        await upgrade(store)
        clock = SystemClock()
        recall = await make_recall(store, batches)
        async with store.write() as uow:
            secret = await first_token(uow, clock)
        headers = {"authorization": f"Bearer {secret}", "host": "bench"}
        app = create_app(store, clock, Settings(requests_per_minute=0))
        empty = Litestar([_empty], openapi_config=None, logging_config=None)
        taken, worked, nothing = [], [], []
        async with app.lifespan(), empty.lifespan():
            gc.collect()
            gc.freeze()  # as the service does when it has started
            for _ in range(repeats):
                begun, cpu = time.perf_counter(), time.process_time()
                body = await ask(app, "/v1/trace", f"from=seedLot:{recall.seed_lot_id}", headers)
                worked.append(time.process_time() - cpu)
                taken.append(time.perf_counter() - begun)
                assert len(json.loads(body)["batches"]) == batches
                begun = time.perf_counter()
                await ask(empty, "/", "", headers)
                nothing.append(time.perf_counter() - begun)
        return {
            "traceMs": round(1e3 * median(taken), 2),
            "traceCpuMs": round(1e3 * median(worked), 2),
            "emptyMs": round(1e3 * median(nothing), 3),
            "ratioToEmptyHandler": round(median(taken) / median(nothing), 1),
        }
    finally:
        gc.unfreeze()
        await store.close()


async def ask(app: Litestar, path: str, query: str, headers: Mapping[str, str]) -> bytes:
    """Call an application as a server does; return the body of its answer."""
    scope: dict[str, Any] = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "GET",
        "scheme": "http",
        "path": path,
        "raw_path": path.encode(),
        "root_path": "",
        "query_string": query.encode(),
        "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
        "client": ("127.0.0.1", 1),
        "server": ("bench", 80),
    }
    parts: list[bytes] = []
    status = 0

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Mapping[str, Any]) -> None:
        nonlocal status
        if message["type"] == "http.response.start":
            status = message["status"]
        else:
            parts.append(message.get("body", b""))

    await app(scope, receive, send)  # type: ignore[arg-type]
    assert status in (200, 204), (status, b"".join(parts))
    return b"".join(parts)
