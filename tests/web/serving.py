"""The service on a port of its own, in a thread, for a browser to look at."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Awaitable, Callable, Coroutine, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, TypeVar

import uvicorn

from service.app import create_app
from service.clock import FixedClock
from service.records.store import Store
from service.settings import Settings
from service.work.reforecast import Reforecaster
from tests.web.farm import HORIZON_DAYS, MEMBERS, NOW

Result = TypeVar("Result")


@dataclass
class Site:
    """A running service and its store, used from another thread."""

    url: str
    store: Store
    loop: asyncio.AbstractEventLoop
    clock: FixedClock = field(default_factory=lambda: FixedClock(NOW))

    def run(self, work: Coroutine[Any, Any, Result]) -> Result:
        """Run a coroutine in the service's loop and wait for it."""
        return asyncio.run_coroutine_threadsafe(work, self.loop).result(60)

    def do(self, job: Callable[[Any], Awaitable[Result]]) -> Result:
        """Run a job in a transaction of the store."""

        async def work() -> Result:
            async with self.store.write() as uow:
                return await job(uow)

        return self.run(work())


@contextmanager
def serving(store_url: str) -> Iterator[Site]:
    """Serve the pages on a store that is migrated already."""
    ready, ended = threading.Event(), threading.Event()
    found: dict[str, Any] = {}

    async def main() -> None:
        store = Store.open(store_url)
        clock = FixedClock(NOW)
        app = create_app(store, clock, Settings())
        app.state.reforecast = Reforecaster(store, clock, MEMBERS, HORIZON_DAYS).house
        bound = socket.create_server(("127.0.0.1", 0), backlog=128)
        server = uvicorn.Server(
            uvicorn.Config(app, log_config=None, access_log=False, timeout_graceful_shutdown=1)
        )
        found.update(port=bound.getsockname()[1], store=store, loop=asyncio.get_running_loop(), server=server)
        task = asyncio.create_task(server.serve(sockets=[bound]))
        while not server.started and not task.done():  # noqa: ASYNC110 - uvicorn offers no event
            await asyncio.sleep(0.02)
        ready.set()
        try:
            await task
        finally:
            await store.close()

    def run() -> None:
        try:
            asyncio.run(main())
        finally:
            ended.set()
            ready.set()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    ready.wait(30)
    assert not ended.is_set(), "the service did not start"
    try:
        yield Site(f"http://127.0.0.1:{found['port']}", found["store"], found["loop"])
    finally:
        found["server"].should_exit = True
        thread.join(20)
