"""What a plan reads of a farm, and the tasks that it becomes."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from sqlalchemy import delete, select

from service.records.listing import among
from service.records.store import UnitOfWork
from service.records.tables import Crop, Cultivar, Farm, House, Succession, Task


async def house_ids_of(uow: UnitOfWork, farm_id: int) -> list[int]:
    """Return the ids of a farm's houses."""
    return list(
        await uow.session.scalars(select(House.id).where(House.farm_id == farm_id).order_by(House.id))
    )


async def crops_of(uow: UnitOfWork, farm_id: int) -> list[Crop]:
    """Return the crops of a farm."""
    return list(await uow.session.scalars(select(Crop).where(Crop.farm_id == farm_id).order_by(Crop.id)))


async def cultivar_names(uow: UnitOfWork, farm_id: int) -> dict[int, str]:
    """Return the names of a farm's cultivars by id."""
    rows = await uow.session.execute(
        select(Cultivar.id, Cultivar.name)
        .join(Crop, Crop.id == Cultivar.crop_id)
        .where(Crop.farm_id == farm_id)
    )
    return {row.id: row.name for row in rows}


async def successions_of_houses(
    uow: UnitOfWork, house_ids: Sequence[int]
) -> dict[int, tuple[Succession, str]]:
    """Return successions by id, each with the time zone of its house."""
    rows = await uow.session.execute(
        select(Succession, House.time_zone)
        .join(House, House.id == Succession.house_id)
        .where(among(uow, Succession.house_id, house_ids))
    )
    return {succession.id: (succession, time_zone) for succession, time_zone in rows}


async def lock_farm(uow: UnitOfWork, farm_id: int) -> None:
    """Let nobody else accept a plan of the farm until this transaction ends.

    PostgreSQL locks the row; on SQLite the transaction already holds the only write lock.
    """
    await uow.session.execute(select(Farm.id).where(Farm.id == farm_id).with_for_update(key_share=True))


async def seed_tasks(uow: UnitOfWork, house_ids: Sequence[int], first: date, last: date) -> list[Task]:
    """Return the tasks to seed a succession, done ones included, due from one day to another, both included."""
    statement = (
        select(Task)
        .where(
            among(uow, Task.house_id, house_ids),
            Task.kind == "seed",
            Task.succession_id.is_not(None),
            Task.due_on >= first,
            Task.due_on <= last,
        )
        .order_by(Task.due_on, Task.id)
    )
    return list(await uow.session.scalars(statement))


async def drop_tasks(uow: UnitOfWork, task_ids: Sequence[int]) -> None:
    """Take tasks off the list."""
    await uow.session.execute(delete(Task).where(among(uow, Task.id, task_ids)))
