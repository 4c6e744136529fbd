"""Where forecasts are computed: in a thread of the service, or in processes beside it, on all cores.

A computation holds the interpreter's lock for much of its time; beside one in a thread of the service every answer
waits for it again and again.
"""

from __future__ import annotations

import asyncio
import logging
import multiprocessing
import os
import signal
import threading
from collections.abc import AsyncIterator, Callable
from concurrent.futures import BrokenExecutor, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import asynccontextmanager, suppress
from typing import ParamSpec, TypeVar

log = logging.getLogger(__name__)

P = ParamSpec("P")
R = TypeVar("R")

_NICER = 5  # than who serves


class Thread:
    """One thread, always the same: memory that arrays gave back is kept for each thread that ever computed."""

    count = 1

    def __init__(self, pool: ThreadPoolExecutor) -> None:
        self._pool = pool

    async def run(self, work: Callable[P, R], /, *args: P.args, **kwargs: P.kwargs) -> R:
        """Compute in the thread."""
        return await asyncio.wrap_future(self._pool.submit(work, *args, **kwargs))


class Workers:
    """So many processes; they start when there is something to compute."""

    def __init__(self, count: int) -> None:
        self.count = count
        self._pool = self._make()

    def _make(self) -> ProcessPoolExecutor:
        # Spawned: a fork would copy the threads' locks and the database's connections.
        context = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self.count, mp_context=context, initializer=_begin)

    async def run(self, work: Callable[P, R], /, *args: P.args, **kwargs: P.kwargs) -> R:
        """Compute in one of the processes; what goes in and comes out is pickled.

        Where a process was killed meanwhile (the system does so when memory runs out), its work and that of its
        fellows is done once more in new ones.

        Raises
        ------
        BrokenExecutor
            If a process was killed again.
        """
        try:
            return await self._run(work, *args, **kwargs)
        except BrokenExecutor:
            return await self._run(work, *args, **kwargs)

    async def _run(self, work: Callable[P, R], /, *args: P.args, **kwargs: P.kwargs) -> R:
        pool = self._pool
        try:
            return await asyncio.wrap_future(pool.submit(work, *args, **kwargs))
        except BrokenExecutor:
            if self._pool is pool:  # nobody has made a new one yet
                log.warning("A process that computes forecasts was killed; new ones are started")
                self._pool = self._make()
                pool.shutdown(wait=False)
            raise

    async def end(self) -> None:
        """Leave out what was not begun, and wait for the rest."""
        await asyncio.to_thread(self._pool.shutdown, cancel_futures=True)


@asynccontextmanager
async def running_computing(processes: int) -> AsyncIterator[Thread | Workers]:
    """Have so many processes to compute in until left; of none, a thread."""
    if processes:
        async with running_workers(processes) as workers:
            yield workers
    else:
        with ThreadPoolExecutor(1, "computing") as pool:
            yield Thread(pool)


@asynccontextmanager
async def running_workers(count: int) -> AsyncIterator[Workers]:
    """Have so many processes to compute in until left."""
    workers = Workers(count)
    try:
        yield workers
    finally:
        await workers.end()


def _begin() -> None:
    """Begin as a worker: give way to who serves, and end with it."""
    for told in (signal.SIGINT, signal.SIGTERM):  # meant for the service, which ends its workers
        signal.signal(told, signal.SIG_IGN)
    with suppress(OSError):
        os.nice(_NICER)
    threading.Thread(target=_end_with_parent, name="parent", daemon=True).start()


def _end_with_parent() -> None:
    # A worker waits at a pipe that it keeps open itself: nothing else would tell it that the service was killed.
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
