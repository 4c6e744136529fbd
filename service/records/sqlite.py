"""A statement to SQLite as one call into the connection's thread.

SQLAlchemy's own cursor crosses into aiosqlite's thread four times a statement: to make a cursor, execute, fetch and
close. Under load each crossing waits for a turn of both threads, which is most of what a small statement takes. Here
all four are one crossing. As SQLAlchemy's own cursor does, this one fetches every row at once; what is streamed uses
theirs still.

It rests on names that SQLAlchemy and aiosqlite keep to themselves: look here first when either is renewed.
"""

from __future__ import annotations

import sqlite3
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

from sqlalchemy import Dialect
from sqlalchemy.dialects.sqlite.aiosqlite import (
    AsyncAdapt_aiosqlite_connection,
    AsyncAdapt_aiosqlite_cursor,
)
from sqlalchemy.pool import ConnectionPoolEntry
from sqlalchemy.util import EMPTY_DICT


def connect(
    dialect: Dialect, _record: ConnectionPoolEntry, args: Sequence[Any], options: dict[str, Any]
) -> AsyncAdapt_aiosqlite_connection:
    """Connect as the dialect does, with cursors of one crossing; a listener of ``do_connect``."""
    made: Any = dialect.connect(*args, **options)
    return Connection(made.dbapi, made.driver_connection)


class Cursor(AsyncAdapt_aiosqlite_cursor):
    """Makes a cursor, executes, fetches and closes in one crossing."""

    __slots__ = ("_found",)

    _awaitable_cursor_close = False

    def __init__(self, adapt_connection: Any) -> None:
        self._adapt_connection = adapt_connection
        self._connection = adapt_connection._connection
        self._rows: deque[Any] = deque()
        self._soft_closed_memoized = EMPTY_DICT
        self._found: tuple[Any, int, int | None] = (None, -1, None)

    @property
    def description(self) -> Any:
        """Return the columns of the rows; none: the statement gives no rows."""
        return self._found[0]

    @property
    def rowcount(self) -> int:
        """Return how many rows were changed."""
        return self._found[1]

    @property
    def lastrowid(self) -> Any:
        """Return the id of the row that was inserted last."""
        return self._found[2]

    arraysize = 1

    async def _execute_async(self, operation: Any, parameters: Any) -> Any:
        await self._cross(sqlite3.Connection.execute, operation, parameters or ())

    async def _executemany_async(self, operation: Any, seq_of_parameters: Any) -> Any:
        await self._cross(sqlite3.Connection.executemany, operation, seq_of_parameters)

    async def _cross(self, execute: Callable[..., sqlite3.Cursor], operation: Any, parameters: Any) -> None:
        connection: Any = self._connection

        def run() -> tuple[tuple[Any, int, int | None], list[Any]]:
            cursor = execute(connection._conn, operation, parameters)
            try:
                rows = cursor.fetchall() if cursor.description else []
                return (cursor.description, cursor.rowcount, cursor.lastrowid), rows
            finally:
                cursor.close()

        async with self._adapt_connection._execute_mutex:
            self._found, rows = await connection._execute(run)
            self._rows = deque(rows)

    def close(self) -> None:
        """Forget the rows that were not read."""
        self._rows.clear()


class Connection(AsyncAdapt_aiosqlite_connection):
    """A connection with cursors of one crossing."""

    __slots__ = ()

    _cursor_cls = Cursor
