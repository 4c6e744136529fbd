"""Moves a store from SQLite to PostgreSQL: all rows in one transaction, and what arrived compared with what was sent.

Rows are read and sent in blocks, so that memory does not grow with the store. Until it has all been checked nothing
is committed; what fails leaves the new store with empty tables, and the move can be repeated.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Boolean, Column, Date, Integer, LargeBinary, Numeric, String, Table, func, select, text
from sqlalchemy.ext.asyncio import AsyncConnection

from service.records.partitions import ensure_months
from service.records.store import Store, UnitOfWork
from service.records.tables import metadata
from service.records.types import UtcDateTime

BLOCK = 5000


class MoveError(Exception):
    """The store could not be moved; the message says where it stopped and why."""


@dataclass(frozen=True)
class Moved:
    """What was moved of a table."""

    table: str
    rows: int


async def move(source: Store, target: Store) -> list[Moved]:
    """Copy every row from one store to another that has the same schema and no rows; return how many, by table.

    Nobody can write to the source meanwhile, so that nothing is left behind.

    Raises
    ------
    MoveError
        If the target is not empty, or what arrived is not what was sent.
    """
    async with source.write() as uow:
        given = await uow.connection()
        first, last = (
            await given.execute(select(func.min(_reading().c.at), func.max(_reading().c.at)))
        ).one()
        await _make_months(target, first, last)
        async with target.engine.begin() as taken:
            await _refuse_rows(taken)
            moved = [Moved(table.name, await _copy(given, taken, table)) for table in metadata.sorted_tables]
            for table in metadata.sorted_tables:
                await _compare(given, taken, table)
                await _set_sequence(taken, table)
    async with target.engine.connect() as taken:
        await taken.execute(text("ANALYZE"))
        await taken.commit()
    return moved


def _reading() -> Table:
    return metadata.tables["reading"]


async def _make_months(target: Store, first: datetime | None, last: datetime | None) -> None:
    if first is not None and last is not None:
        async with target.write() as uow:
            await ensure_months(UnitOfWork(uow.session), first, last)


async def _refuse_rows(taken: AsyncConnection) -> None:
    for table in metadata.sorted_tables:
        if (await taken.execute(select(1).select_from(table).limit(1))).first() is not None:
            raise MoveError(
                f"the new database is not empty: there are rows in {table.name}; name an empty one"
            )


async def _copy(given: AsyncConnection, taken: AsyncConnection, table: Table) -> int:
    columns = list(table.columns)
    processors = [_processor(column, taken) for column in columns]
    driver = (await taken.get_raw_connection()).driver_connection
    assert driver is not None  # noqa: S101 - a connection that is open has one
    count = 0
    # In the order of the key: of two rows of which one refers to the other, the older comes first.
    statement = select(table).order_by(*table.primary_key.columns)
    result = await given.stream(statement, execution_options={"yield_per": BLOCK})
    async for rows in result.partitions():
        records = [
            tuple(
                value if process is None else process(value)
                for value, process in zip(row, processors, strict=True)
            )
            for row in rows
        ]
        try:
            await driver.copy_records_to_table(table.name, records=records, columns=[c.name for c in columns])
        except Exception as error:
            raise MoveError(f"{table.name}, after {count} rows: {type(error).__name__}: {error}") from error
        count += len(records)
    return count


def _processor(column: Column[Any], taken: AsyncConnection) -> Callable[[Any], Any] | None:
    """Return what makes the driver's value of ours."""
    dialect = taken.dialect
    made: Callable[[Any], Any] | None = column.type.dialect_impl(dialect).bind_processor(dialect)
    return made


def _sums(table: Table) -> list[Any]:
    """Return what is compared of a table: rows, values in each column, and what they add up to."""
    figures: list[Any] = [func.count()]
    for column in table.columns:
        figures.append(func.count(column))
        kind = column.type
        if isinstance(kind, UtcDateTime | Date):
            figures += [func.min(column), func.max(column)]
        elif isinstance(kind, Numeric | Integer) and not isinstance(kind, Boolean):
            figures += [func.sum(column), func.min(column), func.max(column)]
        elif isinstance(kind, String | LargeBinary):
            figures.append(func.sum(func.length(column)))
    return figures


async def _compare(given: AsyncConnection, taken: AsyncConnection, table: Table) -> None:
    statement = select(*_sums(table)).select_from(table)
    sent, arrived = (await given.execute(statement)).one(), (await taken.execute(statement)).one()
    for place, (one, other) in enumerate(zip(sent, arrived, strict=True)):
        if not _same(one, other):
            raise MoveError(f"{table.name}: figure {place + 1} is {other} and was {one}; nothing was moved")


def _same(one: Any, other: Any) -> bool:
    if one is None or other is None or isinstance(one, datetime) or not hasattr(one, "__float__"):
        return bool(one == other)
    return math.isclose(
        float(one), float(other), rel_tol=1e-9, abs_tol=1e-9
    )  # in whichever order they were added


async def _set_sequence(taken: AsyncConnection, table: Table) -> None:
    keys: Sequence[Column[Any]] = list(table.primary_key.columns)
    if len(keys) != 1 or not isinstance(keys[0].type, Integer):
        return
    sequence = await taken.scalar(
        text("SELECT pg_get_serial_sequence(:table, :column)"),
        {"table": f'public."{table.name}"', "column": keys[0].name},
    )
    if sequence is not None:
        highest = await taken.scalar(select(func.max(keys[0])))
        await taken.execute(
            text("SELECT setval(cast(:sequence AS regclass), :value, :called)"),
            {"sequence": sequence, "value": highest or 1, "called": highest is not None},
        )
