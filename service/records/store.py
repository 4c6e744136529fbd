"""The database: engine, transactions and the one upsert that both databases understand."""

from __future__ import annotations

import asyncio
import math
import os
import time
from collections import OrderedDict
from collections.abc import AsyncIterator, Callable, Collection, Hashable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

import msgspec
from sqlalchemy import Connection, Table, event, make_url
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import InvalidatePoolError
from sqlalchemy.exc import TimeoutError as Busy
from sqlalchemy.ext.asyncio import (
    AsyncConnection,
    AsyncEngine,
    AsyncSession,
    async_sessionmaker,
    create_async_engine,
)
from sqlalchemy.pool import ConnectionPoolEntry

from service.records import marks
from service.records import sqlite as sqlite_driver
from service.records.changes import NotingSession

__all__ = ["Busy", "Store", "UnitOfWork", "upsert"]
# Busy: every connection was in use for as long as one waits for one. More is asked than can be answered.

BUSY_S = 30
"""How long a writer to SQLite waits for the one before it."""

RESTED_S = 5.0
"""A connection to PostgreSQL that was not used for so long is asked whether it is there, before it is used."""

# Both inserts have the same ON CONFLICT methods, but no common type that names them.
_INSERT: dict[str, Callable[[Table], Any]] = {"postgresql": postgresql.insert, "sqlite": sqlite.insert}


class Remembered:
    """What was worked out from rows that are only ever added to, kept in memory by what tells those rows apart.

    Entries of ledgers and forecasts are never changed, and erased are only forecasts that others have replaced, so what
    was made of some holds for good.
    """

    MOST = 20_000

    def __init__(self) -> None:
        self._found: OrderedDict[Hashable, tuple[Hashable, Any]] = OrderedDict()

    def get(self, thing: Hashable, rows: Hashable) -> Any:
        """Return what was made of these rows of a thing; None: nothing, or of others."""
        found = self._found.get(thing)
        if found is None or found[0] != rows:
            return None
        self._found.move_to_end(thing)
        return found[1]

    def keep(self, thing: Hashable, rows: Hashable, made: Any) -> None:
        """Keep what was made; what was asked for least lately makes room."""
        self._found[thing] = (rows, made)
        self._found.move_to_end(thing)
        if len(self._found) > self.MOST:
            self._found.popitem(last=False)


@dataclass(frozen=True)
class UnitOfWork:
    """One transaction, handed to a use case. Leaving it with an exception leaves nothing behind."""

    session: AsyncSession
    # A transaction that writes begins with nothing and leaves nothing: what it reads may be taken back, and another
    # may then be given the same ids.
    remembered: Remembered = field(default_factory=Remembered)
    _connections: list[AsyncConnection] = field(default_factory=list)

    async def connection(self) -> AsyncConnection:
        """Return the transaction's connection, for statements that are given as text or stream."""
        if not self._connections:  # asked for but once: a session takes its time to tell
            self._connections.append(await self.session.connection())
        return self._connections[0]

    @property
    def dialect(self) -> str:
        """``postgresql`` or ``sqlite``."""
        return self.session.get_bind().dialect.name

    async def flush(self) -> None:
        """Send pending changes, so that ids are known and constraints speak now."""
        await self.session.flush()

    async def refresh(self, row: object) -> None:
        """Read a row again, as others may have changed it."""
        await self.session.refresh(row)


class Store:
    """Where the records are kept."""

    def __init__(self, engine: AsyncEngine) -> None:
        self.engine = engine
        self.hearers: list[Callable[[Collection[marks.Place]], None]] = []
        """Are told of each commit by this store where something was recorded that forecasts are made from."""
        self._remembered = Remembered()
        self._turn = asyncio.Lock()
        self._read = async_sessionmaker(engine, expire_on_commit=False)
        # SQLite: a transaction that reads first and writes later cannot be retried by busy_timeout;
        # taking the write lock at BEGIN can.
        self._write = async_sessionmaker(
            engine,
            sync_session_class=NotingSession,
            expire_on_commit=False,
            execution_options={"sqlite_begin": "IMMEDIATE"},
        )

    @classmethod
    def open(cls, url: str) -> Store:
        """Return the store at a SQLAlchemy URL, ``sqlite+aiosqlite:///file`` or ``postgresql+asyncpg://...``."""
        parsed = make_url(url)
        if parsed.get_backend_name() == "sqlite":
            engine = create_async_engine(
                parsed,
                json_deserializer=msgspec.json.decode,
                pool_reset_on_return=None,  # see _leave_sqlite, which need not ask the connection's thread
            )
            event.listen(engine.sync_engine, "do_connect", sqlite_driver.connect)
            event.listen(engine.sync_engine, "connect", _prepare_sqlite)
            event.listen(engine.sync_engine, "begin", _begin_sqlite)
            event.listen(engine.sync_engine, "checkin", _leave_sqlite)
        else:
            engine = create_async_engine(
                parsed,
                json_deserializer=msgspec.json.decode,
                connect_args={
                    "server_settings": {
                        "application_name": f"evenleaf-{os.getpid()}",
                        "jit": "off",
                        "timezone": "UTC",
                    }
                },
            )
            event.listen(engine.sync_engine, "checkin", _note_rest)
            event.listen(engine.sync_engine, "checkout", _check_rested)
        return cls(engine)

    @property
    def dialect(self) -> str:
        """``postgresql`` or ``sqlite``."""
        return self.engine.dialect.name

    @asynccontextmanager
    async def read(self) -> AsyncIterator[UnitOfWork]:
        """Open a transaction to read in."""
        async with self._read() as session:
            yield UnitOfWork(session, self._remembered)

    @asynccontextmanager
    async def write(self) -> AsyncIterator[UnitOfWork]:
        """Open a transaction to write in; it commits on leaving without an exception."""
        async with self._in_turn(), self._write() as session:
            uow = UnitOfWork(session)
            yield uow
            await session.commit()
            if places := marks.recorded_at(uow):
                for hear in self.hearers:
                    hear(places)

    @asynccontextmanager
    async def _in_turn(self) -> AsyncIterator[None]:
        """Let this process's writers to SQLite in one after the other.

        SQLite has one writer, and those who wait for it look again now and then: whoever writes often gets in first,
        and a request may wait for as long as readings stream in.
        """
        if self.dialect != "sqlite":
            yield
            return
        try:
            async with asyncio.timeout(BUSY_S):
                await self._turn.acquire()
        except TimeoutError:  # the database says that it is locked
            yield
            return
        try:
            yield
        finally:
            self._turn.release()

    async def close(self) -> None:
        """Close every connection. Without it aiosqlite's threads keep the process alive."""
        await self.engine.dispose()


def _note_rest(_dbapi: Any, record: ConnectionPoolEntry) -> None:
    record.info["rested_from"] = time.monotonic()


def _check_rested(dbapi: Any, record: ConnectionPoolEntry, _proxy: Any) -> None:
    """Have the pool connect anew where a connection is closed, or has rested and does not answer.

    The pool can ask by itself, each time it lends one: three round trips more for every short transaction.
    """
    if dbapi.driver_connection.is_closed():
        raise InvalidatePoolError
    if time.monotonic() - record.info.get("rested_from", math.inf) > RESTED_S:
        try:
            dbapi.ping()
        except Exception as error:  # whatever a broken connection makes of it
            raise InvalidatePoolError from error


def _prepare_sqlite(dbapi: Any, _record: ConnectionPoolEntry) -> None:
    dbapi.isolation_level = None  # BEGIN is sent by _begin_sqlite
    cursor = dbapi.cursor()
    # FULL: what was acknowledged to the broker must survive a power cut, not only a crash.
    for pragma in (
        "journal_mode=WAL",
        "synchronous=FULL",
        f"busy_timeout={1000 * BUSY_S}",
        "foreign_keys=ON",
    ):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _leave_sqlite(dbapi: Any, _record: ConnectionPoolEntry) -> None:
    # A COMMIT that fails (disk full) leaves the transaction open, and SQLAlchemy takes it as over.
    if dbapi is not None and dbapi.driver_connection.in_transaction:
        dbapi.rollback()


def _begin_sqlite(connection: Connection) -> None:
    kind = connection.get_execution_options().get("sqlite_begin", "")
    connection.exec_driver_sql(f"BEGIN {kind}")


async def upsert(
    uow: UnitOfWork,
    table: Table,
    rows: Sequence[Mapping[str, Any]],
    key: Sequence[str],
    update: Mapping[str, Any] | Sequence[str],
) -> None:
    """Insert rows, or update those that are there already.

    Parameters
    ----------
    uow
        The transaction.
    table
        Where to.
    rows
        Column values, the same columns in each.
    key
        Columns of the unique key.
    update
        Columns to overwrite with the new values, or column to expression; empty: leave what is there.
    """
    if not rows:
        return
    statement = _INSERT[uow.dialect](table)
    if update:
        changes = dict(update) if isinstance(update, Mapping) else {c: statement.excluded[c] for c in update}
        statement = statement.on_conflict_do_update(index_elements=list(key), set_=changes)
    else:
        statement = statement.on_conflict_do_nothing(index_elements=list(key))
    # A list is sent as executemany: ten times faster than one statement with many VALUES.
    await uow.session.execute(statement, list(rows))
