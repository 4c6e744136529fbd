"""Brings a store's tables to the form this version of Evenleaf works with.

The revisions lie in ``migrations/versions`` and run in one transaction: a store is upgraded wholly or not at
all, and of several processes that start together one upgrades while the others wait.

``python -m service.records.migrate "what changes"`` drafts the next revision from the difference between the
last one and :mod:`service.records.tables`. A draft is read and corrected by hand, for both databases.
"""

from __future__ import annotations

import asyncio
import logging
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError
from sqlalchemy.schema import SchemaItem

from service.records.partitions import is_partition
from service.records.revision import head
from service.records.store import Store

log = logging.getLogger(__name__)

LOCK_TIMEOUT_S = 4.0
"""How long a migration waits for a lock: as long as it waits, everybody who comes after it waits too."""
TRIES = 6
FIRST_PAUSE_S = 2.0
"""The pause doubles from try to try."""
_LOCK_NOT_AVAILABLE = "55P03"
_HOLDERS = """
SELECT pid, coalesce(usename, '?') AS usename, state, extract(epoch FROM now() - xact_start)::int AS seconds,
       left(regexp_replace(query, '\\s+', ' ', 'g'), 120) AS query
FROM pg_stat_activity
WHERE pid <> pg_backend_pid() AND xact_start IS NOT NULL AND pid IN (
  SELECT l.pid FROM pg_locks l JOIN pg_class c ON c.oid = l.relation
  WHERE l.granted AND l.database = (SELECT oid FROM pg_database WHERE datname = current_database())
    AND c.relnamespace = current_schema()::regnamespace)
ORDER BY xact_start LIMIT 5
"""


class Locked(Exception):  # noqa: N818 - read as an answer
    """A migration did not get a lock it needs, however often it tried; nothing was changed."""


class NewerStore(Exception):  # noqa: N818 - read as an answer, not as a class of accident
    """The store was upgraded by a newer version of Evenleaf; the message names both revisions."""


async def upgrade(store: Store, revision: str = "head") -> None:
    """Upgrade the store to a revision; does nothing if it is there already.

    On PostgreSQL it waits a few seconds at most for each lock; if it does not get one, all is taken back and tried
    again after a pause in which the others may go on.

    Raises
    ------
    NewerStore
        If the store is at a revision that this version does not know.
    Locked
        If a lock was not to be had at any try; the message says which sessions hold locks.
    """
    for turn in range(1, TRIES + 1):
        try:
            await _run(store, lambda config: command.upgrade(config, revision))
        except DBAPIError as error:
            if getattr(error.orig, "sqlstate", None) != _LOCK_NOT_AVAILABLE:
                raise
            holders = await _lock_holders(store)
            if turn == TRIES:
                raise Locked(
                    f"the upgrade got no lock in {TRIES} tries of {LOCK_TIMEOUT_S:g} s, and changed nothing. {holders}"
                ) from error
            pause_s = FIRST_PAUSE_S * 2.0 ** (turn - 1)
            log.warning("The upgrade waits for a lock; trying again in %g s. %s", pause_s, holders)
            await asyncio.sleep(pause_s)
        else:
            return


async def _lock_holders(store: Store) -> str:
    """Say which sessions hold locks on the tables, the oldest transaction first."""
    async with store.engine.connect() as connection:
        rows = (await connection.exec_driver_sql(_HOLDERS)).all()
    if not rows:
        return "Nobody holds one any more."
    told = "; ".join(
        f"session {r.pid} of {r.usename}, {r.state}, in its transaction for {r.seconds} s: {r.query}"
        for r in rows
    )
    return f"Locks are held by {told}"


async def draft(store: Store, message: str) -> None:
    """Write the next revision's first draft: what brings the upgraded store to the tables as they are now."""
    following = f"{int(head()) + 1:04d}"
    await _run(store, lambda config: command.revision(config, message, autogenerate=True, rev_id=following))


def in_tables(
    _item: SchemaItem, name: str | None, kind: str, reflected: bool, _counterpart: SchemaItem | None
) -> bool:
    """Tell whether an item is to be compared with the tables: all but what only one database has."""
    only_on_postgresql = (kind == "index" and name == "ix_reading_at") or (
        kind == "table" and name is not None and is_partition(name)
    )
    only_on_sqlite = kind == "foreign_key_constraint" and name == "fk_reading_sensor_id_sensor"
    return not (reflected and only_on_postgresql) and not only_on_sqlite


async def _run(store: Store, action: Callable[[Config], object]) -> None:
    async with store.engine.connect() as connection:
        await connection.run_sync(_run_in_transaction, action)


def _run_in_transaction(connection: Connection, action: Callable[[Config], object]) -> None:
    config = _config()
    config.attributes["connection"] = connection
    if connection.dialect.name == "sqlite":
        _run_on_sqlite(connection, config, action)
    else:
        with connection.begin():
            # The lock before its timeout, so that a second process waits for the first one's upgrade.
            connection.exec_driver_sql("SET LOCAL statement_timeout = '60s'")
            connection.exec_driver_sql("SELECT pg_advisory_xact_lock(hashtext('evenleaf.migrate'))")
            # Fail rather than queue behind a long transaction while everybody else queues behind us.
            connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{round(1e3 * LOCK_TIMEOUT_S)}ms'")
            _refuse_newer(connection)
            action(config)


def _run_on_sqlite(connection: Connection, config: Config, action: Callable[[Config], object]) -> None:
    # A batch operation drops a table and puts its copy in place, which enforced references would refuse. The
    # pragma does nothing inside a transaction, so it goes through the driver, before SQLAlchemy begins one.
    cursor = connection.connection.cursor()
    cursor.execute("PRAGMA foreign_keys=OFF")
    try:
        connection.execution_options(sqlite_begin="IMMEDIATE")
        with connection.begin():
            _refuse_newer(connection)
            action(config)
            broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
            if broken:
                raise RuntimeError(
                    f"the upgrade would leave {len(broken)} references to nothing: {broken[:3]}"
                )
    finally:
        cursor.execute("PRAGMA foreign_keys=ON")
        cursor.close()


def _refuse_newer(connection: Connection) -> None:
    revision = MigrationContext.configure(connection).get_current_revision()
    known = {script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()}
    if revision is not None and revision not in known:
        raise NewerStore(
            f"the store is at revision {revision}; this version of Evenleaf knows revisions up to {head()}"
        )


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", "service.records:migrations")
    config.set_main_option("path_separator", "os")
    config.set_main_option("file_template", "%%(rev)s_%%(slug)s")
    return config


async def _draft_on_scratch(message: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        store = Store.open(f"sqlite+aiosqlite:///{Path(folder) / 'draft.sqlite3'}")
        try:
            await upgrade(store)
            await draft(store, message)
        finally:
            await store.close()


if __name__ == "__main__":
    asyncio.run(_draft_on_scratch(sys.argv[1]))
