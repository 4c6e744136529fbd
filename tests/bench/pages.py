"""How fast the grower's pages are: 50 houses with years of data, looked at in Chromium.

``firstContentMs``: from asking to the first content painted, median and worst of a few visits of each page. ``drawMs``:
of the belt with 200 batches, from its last byte to its paint. ``browserCpuMs``: CPU of the page's thread for
reading, laying out and painting it all. ``serverCpuMs``: what making the page cost the server.
``layoutShift``: of everything that moved after it was painted, 0 for none.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import statistics
import tempfile
import threading
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import uvicorn
from playwright.sync_api import CDPSession, Page
from sqlalchemy import insert

from service.app import create_app
from service.clock import FixedClock
from service.records.migrate import upgrade
from service.records.store import Store, UnitOfWork
from service.records.tables import Batch, Entry, Forecast
from service.settings import Settings
from service.work.access import SYSTEM
from service.work.users import create_user, prepare_user
from tests.bench.api import NOW, SUCCESSIONS, _batch, _forecast, _ledger, fill
from tests.web.browser import chromium

BATCHES = 200
_LOGIN, _PASSWORD = "bench", "rows of green heads"
_PAINT = """() => {
  const [at] = performance.getEntriesByType("navigation");
  if (!performance.getEntriesByName("first-contentful-paint").length) return null;
  const paint = performance.getEntriesByName("first-contentful-paint")[0];
  return {first: paint.startTime, last: at.responseEnd, shift: window.shift};
}"""
_WATCH = (
    "window.shift = 0; new PerformanceObserver((list) => { for (const e of list.getEntries())"
    " if (!e.hadRecentInput) window.shift += e.value; }).observe({type: 'layout-shift', buffered: true});"
)


def pages() -> dict[str, str]:
    """Return the path of every page of a house, by name; the first house has the full belt."""
    house = "/houses/2"
    own = ("today", "advice", "seed", "packing", "orders", "plan", "conditions", "log", "report", "settings")
    return {
        "belt of 200 batches": "/houses/1",
        "belt": house,
        **{name: f"{house}/{name}" for name in (*own, "receivers")},
        "batch": "/batches/{batch}",
        "trace": "/trace?house=2",
        "scan": "/scan?house=2",
    }


async def _fill(url: str, houses: int, years: int) -> int:
    """Make the houses, and on the belt of the first 200 batches; return a batch that is live."""
    store = Store.open(url)
    try:
        await upgrade(store)
        await fill(store, houses, years)
        new = await prepare_user({"login": _LOGIN, "role": "owner"}, _PASSWORD)
        async with store.write() as uow:
            await create_user(uow, FixedClock(NOW), SYSTEM, new)
            await _crowd(uow, first=houses * SUCCESSIONS * 52 * years + 1)
    finally:
        await store.close()
    return 2 * SUCCESSIONS * 52 * years


async def _crowd(uow: UnitOfWork, first: int) -> None:
    batches, entries, forecasts = [], [], []
    for number in range(BATCHES):
        batch, seeded = first + number, (NOW - timedelta(days=number * 52 / BATCHES)).date()
        stage = "nursery" if number < BATCHES / 3 else "channels"
        batches.append(_batch(batch, 1, 1 + number % SUCCESSIONS, f"crowd-{number}", seeded, stage))
        entries += _ledger(batch, seeded, stage, 2)
        forecasts.append(_forecast(batch, seeded, number % SUCCESSIONS, 0))
    for table, rows in ((Batch, batches), (Entry, entries), (Forecast, forecasts)):
        await uow.session.execute(insert(table.__table__), rows)  # type: ignore[arg-type]


@contextlib.contextmanager
def _serving(url: str) -> Iterator[tuple[str, list[float]]]:
    """Serve in a thread; yields the address, and the CPU that each answer took. [ms]"""
    cpu: list[float] = []
    ready = threading.Event()
    found: dict[str, Any] = {}

    async def main() -> None:
        store = Store.open(url)
        app = create_app(store, FixedClock(NOW), Settings(requests_per_minute=0))

        async def counted(scope: Any, receive: Any, send: Any) -> None:
            began = time.process_time()
            await app(scope, receive, send)
            if scope["type"] == "http":
                cpu.append(1000.0 * (time.process_time() - began))

        bound = socket.create_server(("127.0.0.1", 0), backlog=128)
        server = uvicorn.Server(uvicorn.Config(counted, log_config=None, access_log=False, lifespan="off"))
        found.update(server=server, port=bound.getsockname()[1])
        ready.set()
        await server.serve(sockets=[bound])
        await store.close()

    thread = threading.Thread(target=lambda: asyncio.run(main()), daemon=True)
    thread.start()
    ready.wait(30)
    try:
        yield f"http://127.0.0.1:{found['port']}", cpu
    finally:
        found["server"].should_exit = True
        thread.join(20)


def _busy_ms(session: CDPSession) -> float:
    """Return the CPU that the page's own thread has used for its tasks since the page was asked for."""
    metrics = {one["name"]: one["value"] for one in session.send("Performance.getMetrics")["metrics"]}
    return 1000.0 * float(metrics["TaskDuration"])


def _visit(
    page: Page, session: CDPSession, path: str, cpu: list[float]
) -> tuple[dict[str, float], float, float]:
    cpu.clear()
    page.goto(path, wait_until="load")
    seen = None
    while seen is None:  # evaluated by the debugger: the pages' policy lets no text be run
        page.wait_for_timeout(50)
        seen = page.evaluate(_PAINT)
    return seen, cpu[0], _busy_ms(session)


def measure(houses: int, years: int, visits: int) -> dict[str, object]:
    """Fill a store, serve it, and look at its pages."""
    with tempfile.TemporaryDirectory(prefix="evenleaf-bench-") as folder:
        url = f"sqlite+aiosqlite:///{Path(folder) / 'bench.sqlite3'}"
        batch = asyncio.run(_fill(url, houses, years))
        shown: dict[str, dict[str, float]] = {}
        worst = 0.0
        with _serving(url) as (address, cpu), chromium() as browser:
            context = browser.new_context(
                base_url=address, viewport={"width": 1280, "height": 900}, service_workers="block"
            )
            page = context.new_page()
            page.add_init_script(_WATCH)
            session = context.new_cdp_session(page)
            session.send("Performance.enable", {"timeDomain": "threadTicks"})
            page.goto("/login")
            page.fill("[name=login]", _LOGIN)
            page.fill("[name=password]", _PASSWORD)
            page.click("main form .main")
            page.wait_for_load_state("load")
            for name, template in pages().items():
                path = template.format(batch=batch)
                page.goto(path)
                seen = [_visit(page, session, path, cpu) for _ in range(visits)]
                first = [one["first"] for one, _, _ in seen]
                worst = max(worst, statistics.median(first))
                shown[name] = {
                    "firstContentMs": round(statistics.median(first), 1),
                    "worstFirstContentMs": round(max(first), 1),
                    "drawMs": round(statistics.median(one["first"] - one["last"] for one, _, _ in seen), 1),
                    "browserCpuMs": round(statistics.median(busy for _, _, busy in seen), 1),
                    "serverCpuMs": round(statistics.median(cost for _, cost, _ in seen), 1),
                    "layoutShift": max(one["shift"] for one, _, _ in seen),
                }
            context.close()
    return {"houses": houses, "years": years, "slowestFirstContentMs": round(worst, 1), "pages": shown}
