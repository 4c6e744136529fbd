"""Queries about tasks."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date

from sqlalchemy import or_, select

from service.records.listing import narrow, page
from service.records.store import UnitOfWork
from service.records.tables import House, Task


async def open_tasks(
    uow: UnitOfWork,
    house_id: int,
    kinds: Collection[str],
    *,
    due_by: date,
    batch_id: int | None = None,
    succession_id: int | None = None,
) -> list[Task]:
    """Return open tasks of a batch or succession, due by a day or proposed for any, the first due first."""
    statement = (
        narrow(
            select(Task).where(Task.house_id == house_id, Task.kind.in_(kinds), Task.done_at.is_(None)),
            (Task.batch_id, batch_id),
            (Task.succession_id, succession_id),
        )
        .where(or_(Task.due_on <= due_by, Task.subject.is_not(None)))
        .order_by(Task.due_on, Task.id)
    )
    return list(await uow.session.scalars(statement.with_for_update()))


async def tasks_ticked_by(uow: UnitOfWork, entry_id: int) -> list[Task]:
    """Return the tasks that an entry ticked off."""
    statement = select(Task).where(Task.done_entry_id == entry_id).order_by(Task.id)
    return list(await uow.session.scalars(statement.with_for_update()))


async def page_tasks(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    house_id: int | None,
    kind: str | None,
    batch_id: int | None,
    due_from: date | None,
    due_to: date | None,
    open_: bool | None,
    after: int | None,
    limit: int,
) -> tuple[list[Task], int | None]:
    """Return a page of tasks, ``due_from <= due_on <= due_to``."""
    statement = narrow(
        select(Task).join(House, House.id == Task.house_id),
        (House.farm_id, within_farm),
        (Task.house_id, house_id),
        (Task.kind, kind),
        (Task.batch_id, batch_id),
    )
    if due_from is not None:
        statement = statement.where(Task.due_on >= due_from)
    if due_to is not None:
        statement = statement.where(Task.due_on <= due_to)
    if open_ is not None:
        statement = statement.where(Task.done_at.is_(None) if open_ else Task.done_at.is_not(None))
    return await page(uow, statement, Task.id, after, limit)
