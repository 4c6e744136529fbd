"""Noting when tokens and sessions were last used, beside the requests that use them.

Somebody else's long write makes no reader wait for it and fails no reader: what could not be noted is noted with a
later request.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Awaitable, Callable

from service.records.store import Store, UnitOfWork

PATIENCE_S = 0.2
"""How long the request that is the first to note a use waits for it; usually it takes a few milliseconds."""
_log = logging.getLogger(__name__)


class Uses:
    """Notes uses, one after another, so that those that wait take one connection together."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._alone = asyncio.Lock()
        self._noting: dict[str, asyncio.Task[None]] = {}

    async def note(self, whose: str, write: Callable[[UnitOfWork], Awaitable[None]]) -> None:
        """Note a use, unless one of the same is being noted; never fails."""
        if whose in self._noting:
            return
        task = asyncio.create_task(self._write(write), name="noting a use")
        self._noting[whose] = task
        task.add_done_callback(lambda _: self._noting.pop(whose, None))
        await asyncio.wait({task}, timeout=PATIENCE_S)

    async def _write(self, write: Callable[[UnitOfWork], Awaitable[None]]) -> None:
        try:
            async with self._alone, self._store.write() as uow:
                await write(uow)
        except Exception as error:  # noqa: BLE001 - whatever the database says, the request has its answer
            _log.warning("A use could not be noted: %s", error)

    async def close(self) -> None:
        """Leave what could not be noted yet."""
        noting = list(self._noting.values())
        for task in noting:
            task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.gather(*noting, return_exceptions=True)
