"""The connection to SQLite: one crossing a statement, and nothing else is different."""

from __future__ import annotations

import asyncio
from typing import Any

import aiosqlite
import pytest
from sqlalchemy import delete, insert, select, text, update
from sqlalchemy.exc import IntegrityError, OperationalError

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Farm

LONG = (
    "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 3000000) SELECT max(i) FROM n"
)


async def test_a_statement_is_one_crossing(sqlite_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    crossed = 0
    cross = aiosqlite.Connection._execute

    async def counted(*given: Any) -> Any:
        nonlocal crossed
        crossed += 1
        return await cross(*given)

    async with sqlite_store.read() as uow:
        await uow.session.execute(text("SELECT 1"))  # connected and begun
        monkeypatch.setattr(aiosqlite.Connection, "_execute", counted)
        for _ in range(5):
            assert (await uow.session.execute(text("SELECT 7 AS n"))).one().n == 7
        assert crossed == 5


async def test_what_a_cursor_says_is_said_still(sqlite_store: Store, clock: FixedClock) -> None:
    async with sqlite_store.write() as uow:
        session = uow.session
        rows = [{"name": f"Farm {n}", "created_at": clock.now(), "version": 1} for n in range(3)]
        await session.execute(insert(Farm.__table__), rows)  # type: ignore[arg-type]
        made: Any = await session.execute(insert(Farm.__table__).values(**{**rows[0], "name": "Last"}))  # type: ignore[arg-type]
        assert made.inserted_primary_key == (4,)
        changed: Any = await session.execute(update(Farm.__table__).values(address="1 Lane"))  # type: ignore[arg-type]
        assert changed.rowcount == 4
        gone: Any = await session.execute(delete(Farm.__table__).where(Farm.id == 4))  # type: ignore[arg-type]
        assert gone.rowcount == 1
    async with sqlite_store.read() as uow:
        found = await uow.session.execute(select(Farm.id, Farm.name).order_by(Farm.id))
        assert list(found.keys()) == ["id", "name"]
        assert (found.fetchone(), found.fetchmany(1), found.fetchall()) == (
            (1, "Farm 0"),
            [(2, "Farm 1")],
            [(3, "Farm 2")],
        )
        streamed = [row.id async for row in await uow.session.stream(select(Farm.id).order_by(Farm.id))]
        assert streamed == [1, 2, 3]
        with pytest.raises(OperationalError, match="no such table: nowhere"):
            await uow.session.execute(text("SELECT * FROM nowhere"))
    async with sqlite_store.write() as uow:
        again = insert(Farm.__table__).values(id=1, name="Again", created_at=clock.now(), version=1)  # type: ignore[arg-type]
        with pytest.raises(IntegrityError, match="UNIQUE"):
            await uow.session.execute(again)
        await uow.session.rollback()


async def test_a_statement_that_is_given_up_leaves_nothing(sqlite_store: Store, clock: FixedClock) -> None:
    async def write() -> None:
        async with sqlite_store.write() as uow:
            uow.session.add(Farm(name="Never", created_at=clock.now()))
            await uow.flush()
            await uow.session.execute(text(LONG))

    task = asyncio.create_task(write())
    await asyncio.sleep(0.05)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    async with sqlite_store.write() as uow:
        uow.session.add(Farm(name="Next", created_at=clock.now()))
    async with sqlite_store.read() as uow:
        assert list(await uow.session.scalars(select(Farm.name))) == ["Next"]
