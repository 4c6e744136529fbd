"""Reading rows by id and in pages."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, Executable, Select, select
from sqlalchemy import inspect as sql_inspect
from sqlalchemy.orm import InstrumentedAttribute

from service.records.among import is_among
from service.records.store import UnitOfWork
from service.records.tables import Base

Row = TypeVar("Row", bound=Base)

MAX_ID = 2**63 - 1


async def find(uow: UnitOfWork, table: type[Row], row_id: int) -> Row | None:
    """Return the row with an id, if there is one."""
    if not 0 < row_id <= MAX_ID:
        return None
    return await uow.session.get(table, row_id)


async def locked(uow: UnitOfWork, table: type[Row], row_id: int, *, key_share: bool = False) -> Row | None:
    """Return a row as it is now, locked on PostgreSQL until the transaction ends.

    A session that holds the row since before another changed it is told of the change: ``Session.get`` would fail.
    """
    statement: Any = select(table).where(sql_inspect(table).primary_key[0] == row_id)
    statement = statement.with_for_update(key_share=key_share).execution_options(populate_existing=True)
    found: Row | None = await uow.session.scalar(statement)
    return found


async def known(uow: UnitOfWork, table: type[Row], row_id: int) -> Row:
    """Return the row that another row refers to, so that it must be there."""
    return await uow.session.get_one(table, row_id)


def narrow(statement: Select[Row], *filters: tuple[Any, Any]) -> Select[Row]:
    """Keep the rows where each column has its value; a value of None leaves that column free."""
    for column, value in filters:
        if value is not None:
            statement = statement.where(column == value)
    return statement


async def page(
    uow: UnitOfWork,
    statement: Select[Row],
    key: InstrumentedAttribute[int],
    after: int | None,
    limit: int,
    *,
    newest_first: bool = False,
) -> tuple[list[Row], int | None]:
    """Return up to ``limit`` rows that come after the id ``after``, and the id to go on after if there are more.

    Ids rise from row to row, or fall with ``newest_first``.
    """
    if after is not None:
        statement = statement.where(key < after if newest_first else key > after)
    order = key.desc() if newest_first else key
    found = list(await uow.session.scalars(statement.order_by(order).limit(limit + 1)))
    if len(found) <= limit:
        return found, None
    kept = found[:limit]
    return kept, int(getattr(kept[-1], key.key))


def among(
    uow: UnitOfWork, column: InstrumentedAttribute[Any] | ColumnElement[Any], ids: Iterable[int]
) -> ColumnElement[bool]:
    """Return the condition that a column is one of ids, see :func:`service.records.among.is_among`."""
    return is_among(uow.dialect, column, ids)


async def rows(uow: UnitOfWork, statement: Executable) -> list[Any]:
    """Return columns: past the session, which would look at each row and keep track of it."""
    return list((await (await uow.connection()).execute(statement)).all())
