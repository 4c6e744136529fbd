"""Queries about tasks."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date, datetime

from sqlalchemy import or_, select

from service.records.listing import among, narrow, page
from service.records.store import UnitOfWork
from service.records.tables import House, HouseEvent, Task


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


async def zones_of_cleanings(uow: UnitOfWork, subjects: Collection[str]) -> dict[str, int]:
    """Return the zone of each cleaning that a task is about, by the task's subject."""
    ids = {int(s.removeprefix("clean:")): s for s in subjects if s.startswith("clean:")}
    rows = await uow.session.execute(
        select(HouseEvent.id, HouseEvent.zone_id).where(
            among(uow, HouseEvent.id, ids), HouseEvent.zone_id.is_not(None)
        )
    )
    return {ids[event_id]: zone_id for event_id, zone_id in rows if zone_id is not None}


async def tasks_of_subjects(uow: UnitOfWork, house_id: int) -> list[Task]:
    """Return the tasks of a house that follow from forecasts, advice or events, done ones too."""
    statement = select(Task).where(Task.house_id == house_id, Task.subject.is_not(None)).order_by(Task.id)
    return list(await uow.session.scalars(statement))


async def settle_tasks(uow: UnitOfWork, added: Sequence[Task], dropped: Sequence[Task]) -> None:
    """Put tasks on the list and take others off it."""
    for task in dropped:
        await uow.session.delete(task)
    uow.session.add_all(added)
    await uow.flush()


async def tasks_on(
    uow: UnitOfWork, house_id: int, day: date, done_from: datetime, done_to: datetime
) -> list[Task]:
    """Return the tasks due on a day, open ones overdue by then, and those done on it; the first due first."""
    statement = (
        select(Task)
        .where(
            Task.house_id == house_id,
            or_(
                Task.due_on == day,
                (Task.due_on < day) & Task.done_at.is_(None),
                (Task.done_at >= done_from) & (Task.done_at < done_to),
            ),
        )
        .order_by(Task.due_on, Task.id)
    )
    return list(await uow.session.scalars(statement))


async def minutes_taken(
    uow: UnitOfWork, house_id: int, latest: int
) -> list[tuple[str, int | None, int | None, float]]:
    """Return (kind, cells, plants, minutes) of the latest tasks of a house of which the minutes are known."""
    rows = await uow.session.execute(
        select(Task.kind, Task.cells, Task.plants, Task.minutes_taken)
        .where(Task.house_id == house_id, Task.done_at.is_not(None), Task.minutes_taken > 0)
        .order_by(Task.done_at.desc(), Task.id.desc())
        .limit(latest)
    )
    return [(kind, cells, plants, minutes) for kind, cells, plants, minutes in rows if minutes is not None]


async def plan_seedings(uow: UnitOfWork, house_id: int, since: date, note: str) -> list[Task]:
    """Return open tasks to seed of an accepted plan, due on a day or later."""
    statement = select(Task).where(
        Task.house_id == house_id,
        Task.kind == "seed",
        Task.note == note,
        Task.succession_id.is_not(None),
        Task.due_on >= since,
        Task.done_at.is_(None),
    )
    return list(await uow.session.scalars(statement.order_by(Task.due_on, Task.id)))


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
