"""Whether anything was committed since one last looked, by whatever process, and whether it changed what is shown.

Looking costs far less than reading: on SQLite the data version of the file, on PostgreSQL the snapshot of
transactions; only where that has moved, the marks of what is shown (:mod:`service.records.marks`) are read too. Those
who ask at the same time share one look, which begins after they asked, so nobody is told of an older state than the
one at which they asked. What was read after a look still holds while a later look finds the same marks.
"""

from __future__ import annotations

import asyncio
import itertools
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from service.records.marks import ACCESS_SCOPE, SHOWN_SCOPES
from service.records.store import Store

_HOUSE, _FARM, _ALL = (SHOWN_SCOPES[scope] for scope in ("house", "farm", "all"))
_MARKS = (
    "SELECT scope, row_id, changes FROM change_mark"  # noqa: S608 - constants
    f" WHERE scope IN ('{_HOUSE}', '{_FARM}', '{_ALL}', '{ACCESS_SCOPE}')"
)


@dataclass(frozen=True)
class Seen:
    """What a look found."""

    stamp: str
    """As long as it is the same, nothing at all was committed."""
    houses: Mapping[int, int] = field(default_factory=dict)
    """Changes of what is shown, by house."""
    rest: int = 0
    """Changes of what is shown of a whole farm, or of who knows what."""
    access: int = 0
    """Changes of who may."""

    def of(self, house_id: int | None) -> tuple[int, int]:
        """Return what stays the same as long as nothing shown of a house, or of any, has changed."""
        many = sum(self.houses.values()) if house_id is None else self.houses.get(house_id, 0)
        return many, self.rest


class Freshness:
    """Tells whether anything was committed since."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._looking = asyncio.Lock()
        self._next: asyncio.Task[Seen] | None = None
        self._file: sqlite3.Connection | None = None
        self._pooled: Any = None
        self._unknown = itertools.count(1)
        self._seen: Seen | None = None

    async def look(self) -> Seen:
        """Return what there is at a moment after the call."""
        if self._store.dialect == "sqlite":
            return self._of_file()
        if self._next is None:
            self._next = asyncio.create_task(self._look())
        return await asyncio.shield(self._next)

    def _of_file(self) -> Seen:
        if self._file is None:
            path = self._store.engine.url.database
            assert path is not None  # noqa: S101 - a store on SQLite is a file
            self._file = sqlite3.connect(path, check_same_thread=False)
        try:
            stamp = str(self._file.execute("PRAGMA data_version").fetchone()[0])
            if self._seen is None or self._seen.stamp != stamp:
                self._seen = _seen(stamp, self._file.execute(_MARKS).fetchall())
        except sqlite3.Error:
            return self._not_known()
        return self._seen

    async def _look(self) -> Seen:
        async with self._looking:
            self._next = None  # whoever asks from now on needs a later look
            try:
                if self._pooled is None:
                    self._pooled = await self._store.engine.raw_connection()
                driver = self._pooled.driver_connection
                stamp = str(await driver.fetchval("SELECT pg_current_snapshot()::text"))
                if self._seen is None or self._seen.stamp != stamp:
                    self._seen = _seen(stamp, await driver.fetch(_MARKS))
            except Exception:  # noqa: BLE001 - whatever is wrong with the server, the read itself will say
                await self._leave()
                return self._not_known()
            return self._seen

    def _not_known(self) -> Seen:
        number = next(self._unknown)
        return Seen(f"unknown {number}", rest=-number, access=-number)

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


def _seen(stamp: str, marks: Iterable[Any]) -> Seen:
    houses: dict[int, int] = {}
    rest = access = 0
    for scope, row_id, changes in marks:
        if scope == _HOUSE:
            houses[row_id] = changes
        elif scope == ACCESS_SCOPE:
            access = changes
        else:
            rest += changes
    return Seen(stamp, houses, rest, access)
