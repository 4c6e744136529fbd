"""The migrations make what the tables say, on both databases, once, and together with others."""

from __future__ import annotations

import asyncio
import json
import logging
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import BigInteger, Connection, Float, Integer, inspect, text, types
from sqlalchemy.exc import IntegrityError

from service.records import migrate, migrations
from service.records.migrate import Locked, NewerStore, in_tables, upgrade
from service.records.revision import current, head
from service.records.store import Store
from service.records.tables import Farm, metadata
from service.records.types import UtcDateTime

READING_KEY = {"postgresql": ["sensor_id", "at"], "sqlite": ["at", "sensor_id"]}


async def test_migrated_schema_is_what_the_tables_say(store: Store) -> None:
    def differences(connection: Connection) -> list[Any]:
        options = {"include_object": in_tables, "compare_type": True, "compare_server_default": True}
        context = MigrationContext.configure(connection, opts=options)
        return list(compare_metadata(context, metadata))

    async with store.engine.connect() as connection:
        assert await connection.run_sync(differences) == []


async def test_migrated_schema_is_what_creating_the_tables_would_make(empty_store: Store) -> None:
    # More than the comparison above sees: keys, checks, nullability and the names of all constraints.
    async with empty_store.engine.begin() as connection:
        await connection.run_sync(metadata.create_all)
        expected = await connection.run_sync(_described)
        await connection.run_sync(metadata.drop_all)
    expected["reading"]["key"]["constrained_columns"] = READING_KEY[empty_store.dialect]
    await upgrade(empty_store)
    async with empty_store.engine.connect() as connection:
        assert await connection.run_sync(_described) == expected


@pytest.mark.parametrize("table", ["reading", "hour", "touched_hour"])
async def test_keys_of_the_conditions(store: Store, table: str) -> None:
    async with store.engine.connect() as connection:
        key = await connection.run_sync(lambda c: inspect(c).get_pk_constraint(table)["constrained_columns"])
        assert key == (READING_KEY[store.dialect] if table == "reading" else ["zone_id", "at"])
        if store.dialect == "sqlite":
            assert await connection.scalar(text(f"SELECT wr FROM pragma_table_list('{table}')")) == 1


async def test_readings_have_a_block_range_index_on_postgresql(postgresql_store: Store) -> None:
    async with postgresql_store.engine.connect() as connection:
        definition = await connection.scalar(
            text("SELECT indexdef FROM pg_indexes WHERE indexname = 'ix_reading_at'")
        )
    assert definition == "CREATE INDEX ix_reading_at ON ONLY public.reading USING brin (at)"


async def test_every_column_has_the_same_family_of_type_on_both_databases(
    sqlite_store: Store, postgresql_store: Store
) -> None:
    families = {}
    for store in (sqlite_store, postgresql_store):
        async with store.engine.connect() as connection:
            families[store.dialect] = await connection.run_sync(_families)
    assert families["sqlite"] == families["postgresql"]
    assert len(families["sqlite"]) == sum(len(table.columns) for table in metadata.tables.values())


async def test_upgrade_is_idempotent_and_keeps_the_rows(empty_store: Store) -> None:
    assert await current(empty_store) is None
    await upgrade(empty_store)
    assert await current(empty_store) == head()
    async with empty_store.write() as uow:
        uow.session.add(Farm(name="A", created_at=datetime(2026, 9, 14, 6, tzinfo=UTC)))
    await upgrade(empty_store)
    assert await current(empty_store) == head()
    async with empty_store.read() as uow:
        assert await uow.session.scalar(text("SELECT count(*) FROM farm")) == 1


async def test_processes_that_start_together_all_find_the_tables(empty_store: Store) -> None:
    others = [Store.open(str(empty_store.engine.url.render_as_string(hide_password=False))) for _ in range(3)]
    try:
        await asyncio.gather(*(upgrade(store) for store in (empty_store, *others)))
    finally:
        for store in others:
            await store.close()
    assert await current(empty_store) == head()


def test_the_head_is_what_alembic_takes_for_it() -> None:
    assert head() == ScriptDirectory(str(Path(migrations.__path__[0]))).get_current_head()


async def test_upgrade_that_fails_leaves_nothing(empty_store: Store) -> None:
    async with empty_store.engine.begin() as connection:
        await connection.execute(text("CREATE TABLE token (in_the_way INTEGER)"))  # the last table to be made
    with pytest.raises(Exception, match="token"):
        await upgrade(empty_store)
    assert await current(empty_store) is None
    async with empty_store.engine.connect() as connection:
        assert await connection.run_sync(lambda c: inspect(c).get_table_names()) == ["token"]


async def test_store_of_a_newer_version_is_refused(store: Store) -> None:
    async with store.engine.begin() as connection:
        await connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(NewerStore, match=f"revision 9999.*up to {head()}"):
        await upgrade(store)


async def test_references_are_enforced_after_an_upgrade(store: Store) -> None:
    await upgrade(store)
    statement = text("INSERT INTO cultivar (crop_id, name, version) VALUES (99, 'A', 1)")
    with pytest.raises(IntegrityError):
        async with store.write() as uow:
            await uow.session.execute(statement)


# --------------------------------------------------------------------------- helpers


def _described(connection: Connection) -> dict[str, dict[str, Any]]:
    inspector = inspect(connection)
    return {
        table: {
            "columns": [(c["name"], repr(c["type"]), c["nullable"], c["default"]) for c in columns],
            "key": inspector.get_pk_constraint(table),
            "references": _by_name(inspector.get_foreign_keys(table)),
            "unique": _by_name(inspector.get_unique_constraints(table)),
            "checks": _by_name(inspector.get_check_constraints(table)),
            "indexes": _by_name(i for i in inspector.get_indexes(table) if i["name"] != "ix_reading_at"),
        }
        for table in metadata.tables
        for columns in [inspector.get_columns(table)]
    }


def _by_name(items: Any) -> list[Any]:
    return sorted(json.dumps(item, default=str, sort_keys=True) for item in items)


def _families(connection: Connection) -> dict[str, str]:
    inspector = inspect(connection)
    return {
        f"{table.name}.{column['name']}": _family(column["type"], table.columns[column["name"]].type)
        for table in metadata.tables.values()
        for column in inspector.get_columns(table.name)
    }


def _family(kept: types.TypeEngine[Any], meant: types.TypeEngine[Any]) -> str:
    """Return the family of a column's type as the database keeps it."""
    if isinstance(meant, UtcDateTime):  # microseconds since 1970 on SQLite
        whole = isinstance(kept, BigInteger)
        return "moment" if whole or (isinstance(kept, types.TIMESTAMP) and kept.timezone) else repr(kept)
    families: dict[type[types.TypeEngine[Any]], str] = {
        types.Boolean: "truth",
        Integer: "whole number",
        Float: "number",
        types.Date: "date",
        types.JSON: "json",
        types.LargeBinary: "bytes",
        types.String: "text",
    }
    return next((name for kind, name in families.items() if isinstance(kept, kind)), repr(kept))


# PostgreSQL's own rule (manual, "Explicit Locking"): LOCK TABLE takes ACCESS EXCLUSIVE, which lets nobody else in until
# the transaction ends; 55P03 is its lock_not_available (manual, appendix A).
HELD = "LOCK TABLE sensor"


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wait shortly for locks and between tries."""
    monkeypatch.setattr(migrate, "LOCK_TIMEOUT_S", 0.2)
    monkeypatch.setattr(migrate, "FIRST_PAUSE_S", 0.2)
    monkeypatch.setattr(migrate, "TRIES", 3)


@pytest.mark.usefixtures("impatient")
async def test_a_migration_that_meets_a_lock_gives_up_cleanly_and_says_who_holds_it(
    postgresql_server: Any, caplog: pytest.LogCaptureFixture
) -> None:
    with postgresql_server.database(migrated=False) as url:
        store = Store.open(url)
        try:
            await upgrade(store, "0011")
            async with store.engine.connect() as holder:
                pid = await holder.scalar(text("SELECT pg_backend_pid()"))
                await holder.execute(text(HELD))
                with caplog.at_level(logging.WARNING), pytest.raises(Locked) as refused:
                    await upgrade(store)
                # Others went on meanwhile, and all is as before.
                assert await holder.scalar(text("SELECT count(*) FROM sensor")) == 0
            assert f"session {pid} of " in str(refused.value)
            assert HELD in str(refused.value)
            assert "changed nothing" in str(refused.value)
            assert caplog.text.count("trying again") == 2
            assert await current(store) == "0011"
            async with store.engine.connect() as connection:
                assert not await connection.run_sync(lambda c: inspect(c).has_table("change_mark"))
            await upgrade(store)
            assert await current(store) == head()
        finally:
            await store.close()


@pytest.mark.usefixtures("impatient")
async def test_a_migration_gets_through_once_the_lock_is_let_go(
    postgresql_server: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(migrate, "TRIES", 20)
    with postgresql_server.database(migrated=False) as url:
        store = Store.open(url)
        try:
            await upgrade(store, "0011")
            async with store.engine.connect() as holder:
                await holder.execute(text(HELD))
                upgrading = asyncio.create_task(upgrade(store))
                await asyncio.sleep(0.5)
                assert not upgrading.done()
                await holder.rollback()
                await upgrading
            assert await current(store) == head()
        finally:
            await store.close()
