"""Whether anything was committed since one last looked, by whatever process: what was read before then still holds.

Looking costs far less than reading: on SQLite the data version of the file, on PostgreSQL the snapshot of
transactions. Those who ask at the same time share one look, which begins after they asked, so nobody is told of an
older state than the one at which they asked.
"""

from __future__ import annotations

import asyncio
import itertools
import sqlite3
from typing import Any

from service.records.store import Store


class Freshness:
    """Tells whether anything was committed since."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._looking = asyncio.Lock()
        self._next: asyncio.Task[str] | None = None
        self._file: sqlite3.Connection | None = None
        self._pooled: Any = None
        self._unknown = itertools.count()

    async def stamp(self) -> str:
        """Return a text; as long as it is the same, nothing was committed between the two calls."""
        if self._store.dialect == "sqlite":
            return self._of_file()
        if self._next is None:
            self._next = asyncio.create_task(self._look())
        return await asyncio.shield(self._next)

    def _of_file(self) -> str:
        if self._file is None:
            path = self._store.engine.url.database
            assert path is not None  # noqa: S101 - a store on SQLite is a file
            self._file = sqlite3.connect(path, check_same_thread=False)
        try:
            return str(self._file.execute("PRAGMA data_version").fetchone()[0])
        except sqlite3.Error:
            return self._not_known()

    async def _look(self) -> str:
        async with self._looking:
            self._next = None  # whoever asks from now on needs a later look
            try:
                if self._pooled is None:
                    self._pooled = await self._store.engine.raw_connection()
                found = await self._pooled.driver_connection.fetchval("SELECT pg_current_snapshot()::text")
            except Exception:  # noqa: BLE001 - whatever is wrong with the server, the read itself will say
                await self._leave()
                return self._not_known()
            return str(found)

    def _not_known(self) -> str:
        return f"unknown {next(self._unknown)}"

    async def _leave(self) -> None:
        pooled, self._pooled = self._pooled, None
        if pooled is not None:
            pooled.invalidate()

    async def close(self) -> None:
        """Give the connections back."""
        async with self._looking:
            if self._file is not None:
                self._file.close()
                self._file = None
            await self._leave()
