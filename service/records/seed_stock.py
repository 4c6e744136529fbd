"""Queries about seed in store: lots, what left them, trials, and the batches sown from them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import cast

from sqlalchemy import func, or_, select

from service.records.listing import MAX_ID, among, locked, narrow, page
from service.records.store import UnitOfWork
from service.records.tables import (
    Batch,
    BatchSeedLot,
    Crop,
    Cultivar,
    Farm,
    House,
    LotTrial,
    Reading,
    SeedLot,
    SeedUse,
    Sensor,
    Succession,
    SuccessionCultivar,
    Task,
)


@dataclass(frozen=True)
class Gone:
    """Seed that is no longer in a lot."""

    sown: int
    used: int
    """In tests, trials and losses; less what counts found more."""


# --------------------------------------------------------------------------- lots


async def page_lots(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    farm_id: int | None,
    cultivar_id: int | None,
    finished: bool | None,
    lot_number: str | None,
    after: int | None,
    limit: int,
) -> tuple[list[SeedLot], int | None]:
    """Return a page of seed lots."""
    statement = narrow(
        select(SeedLot),
        (SeedLot.farm_id, within_farm),
        (SeedLot.farm_id, farm_id),
        (SeedLot.cultivar_id, cultivar_id),
        (SeedLot.lot_number, lot_number),
    )
    if finished is not None:
        statement = statement.where(
            SeedLot.finished_on.is_not(None) if finished else SeedLot.finished_on.is_(None)
        )
    return await page(uow, statement, SeedLot.id, after, limit)


async def lots_by_number(
    uow: UnitOfWork, start: str, *, within_farm: int | None, limit: int
) -> list[SeedLot]:
    """Return seed lots whose number begins with a text, capital or small letters alike, the newest first."""
    statement = select(SeedLot).where(SeedLot.lot_number.istartswith(start, autoescape=True))
    if within_farm is not None:
        statement = statement.where(SeedLot.farm_id == within_farm)
    return list(await uow.session.scalars(statement.order_by(SeedLot.id.desc()).limit(limit)))


async def lock_lot(uow: UnitOfWork, lot_id: int) -> SeedLot | None:
    """Return a lot from which nobody else takes seed until this transaction ends.

    PostgreSQL locks the row; on SQLite the transaction already holds the only write lock.
    """
    if not 0 < lot_id <= MAX_ID:
        return None
    return await locked(uow, SeedLot, lot_id, key_share=True)


async def lots_of_farm(uow: UnitOfWork, farm_id: int, *, finished: bool = False) -> list[SeedLot]:
    """Return the lots of a farm, oldest first; those used up or thrown away only if wished."""
    statement = select(SeedLot).where(SeedLot.farm_id == farm_id)
    if not finished:
        statement = statement.where(SeedLot.finished_on.is_(None))
    return list(await uow.session.scalars(statement.order_by(SeedLot.received_on, SeedLot.id)))


async def lots_of_cultivar(uow: UnitOfWork, cultivar_id: int) -> list[SeedLot]:
    """Return every lot of a cultivar, oldest first."""
    return list(
        await uow.session.scalars(
            select(SeedLot)
            .where(SeedLot.cultivar_id == cultivar_id)
            .order_by(SeedLot.received_on, SeedLot.id)
        )
    )


async def gone_of(uow: UnitOfWork, lot_ids: Iterable[int]) -> dict[int, Gone]:
    """Return what left each lot."""
    ids = list(lot_ids)
    if not ids:
        return {}
    sown = await uow.session.execute(
        select(BatchSeedLot.seed_lot_id, func.sum(BatchSeedLot.seeds))
        .where(among(uow, BatchSeedLot.seed_lot_id, ids))
        .group_by(BatchSeedLot.seed_lot_id)
    )
    used = await uow.session.execute(
        select(SeedUse.seed_lot_id, func.sum(SeedUse.seeds))
        .where(among(uow, SeedUse.seed_lot_id, ids))
        .group_by(SeedUse.seed_lot_id)
    )
    sown_by = {lot_id: int(seeds) for lot_id, seeds in sown}
    used_by = {lot_id: int(seeds) for lot_id, seeds in used}
    return {i: Gone(sown_by.get(i, 0), used_by.get(i, 0)) for i in ids}


async def crops_of_lots(uow: UnitOfWork, lots: Iterable[SeedLot]) -> dict[int, tuple[Cultivar, Crop]]:
    """Return cultivar and crop of lots, by cultivar."""
    ids = {lot.cultivar_id for lot in lots}
    rows = await uow.session.execute(
        select(Cultivar, Crop).join(Crop, Crop.id == Cultivar.crop_id).where(among(uow, Cultivar.id, ids))
    )
    return {cultivar.id: (cultivar, crop) for cultivar, crop in rows}


async def page_uses(
    uow: UnitOfWork, lot_id: int, *, after: int | None, limit: int
) -> tuple[list[SeedUse], int | None]:
    """Return a page of what left a lot otherwise than into batches."""
    return await page(uow, select(SeedUse).where(SeedUse.seed_lot_id == lot_id), SeedUse.id, after, limit)


# --------------------------------------------------------------------------- the place it is kept


async def sensors_of(uow: UnitOfWork, sensor_ids: Iterable[int]) -> dict[int, Sensor]:
    """Return sensors by id."""
    rows = await uow.session.scalars(select(Sensor).where(among(uow, Sensor.id, set(sensor_ids))))
    return {sensor.id: sensor for sensor in rows}


async def readings_since(
    uow: UnitOfWork, sensor_id: int, since: datetime, before: datetime
) -> Sequence[tuple[datetime, float]]:
    """Return (moment, value) of a sensor, in order of time."""
    rows = await uow.session.execute(
        select(Reading.at, Reading.value)
        .where(Reading.sensor_id == sensor_id, Reading.at >= since, Reading.at < before)
        .order_by(Reading.at)
    )
    return cast("Sequence[tuple[datetime, float]]", rows.all())


# --------------------------------------------------------------------------- what was sown


@dataclass(frozen=True)
class Sown:
    """Seed of a lot that a batch was sown with."""

    lot_id: int
    seeds: int
    cells: int | None
    batch: Batch


async def sown_of(uow: UnitOfWork, lot_ids: Iterable[int]) -> list[Sown]:
    """Return what was sown of lots, in the order of seeding."""
    rows = await uow.session.execute(
        select(BatchSeedLot.seed_lot_id, BatchSeedLot.seeds, BatchSeedLot.cells, Batch)
        .join(Batch, Batch.id == BatchSeedLot.batch_id)
        .where(among(uow, BatchSeedLot.seed_lot_id, lot_ids))
        .order_by(Batch.seeded_on, Batch.id)
    )
    return [Sown(*row) for row in rows]


async def lots_in_batches(uow: UnitOfWork, batch_ids: Iterable[int]) -> dict[int, int]:
    """Return how many lots each batch was sown with."""
    rows = await uow.session.execute(
        select(BatchSeedLot.batch_id, func.count())
        .where(among(uow, BatchSeedLot.batch_id, batch_ids))
        .group_by(BatchSeedLot.batch_id)
    )
    return {batch_id: int(count) for batch_id, count in rows}


async def seeds_a_cell(uow: UnitOfWork, farm_id: int, since: date) -> dict[int, float]:
    """Return, by cultivar, the seeds that were sown a cell in batches seeded on a day or later."""
    rows = await uow.session.execute(
        select(
            SeedLot.cultivar_id,
            func.sum(BatchSeedLot.seeds),
            func.sum(func.coalesce(BatchSeedLot.cells, Batch.cells)),
        )
        .join(Batch, Batch.id == BatchSeedLot.batch_id)
        .join(SeedLot, SeedLot.id == BatchSeedLot.seed_lot_id)
        .where(SeedLot.farm_id == farm_id, Batch.seeded_on >= since)
        .group_by(SeedLot.cultivar_id)
    )
    return {cultivar_id: float(seeds) / float(cells) for cultivar_id, seeds, cells in rows if cells}


# --------------------------------------------------------------------------- what will be sown


async def all_farm_ids(uow: UnitOfWork) -> list[int]:
    """Return the ids of every farm."""
    return list(await uow.session.scalars(select(Farm.id).order_by(Farm.id)))


async def cultivars_of_farm(uow: UnitOfWork, farm_id: int) -> dict[int, Cultivar]:
    """Return the cultivars of a farm by id."""
    rows = await uow.session.scalars(
        select(Cultivar).join(Crop, Crop.id == Cultivar.crop_id).where(Crop.farm_id == farm_id)
    )
    return {cultivar.id: cultivar for cultivar in rows}


async def open_order_tasks(uow: UnitOfWork, house_ids: Sequence[int]) -> list[Task]:
    """Return the open tasks to order something."""
    return list(
        await uow.session.scalars(
            select(Task)
            .where(among(uow, Task.house_id, house_ids), Task.kind == "order", Task.done_at.is_(None))
            .order_by(Task.due_on, Task.id)
        )
    )


async def last_seedings(uow: UnitOfWork, succession_ids: Iterable[int]) -> dict[int, date]:
    """Return when each succession was seeded last."""
    rows = await uow.session.execute(
        select(Batch.succession_id, func.max(Batch.seeded_on))
        .where(among(uow, Batch.succession_id, succession_ids))
        .group_by(Batch.succession_id)
    )
    return {row[0]: row[1] for row in rows}


async def houses_growing(uow: UnitOfWork, farm_id: int) -> dict[int, int]:
    """Return, by cultivar, the first house of a farm with an active succession of it."""
    rows = await uow.session.execute(
        select(func.coalesce(Succession.cultivar_id, SuccessionCultivar.cultivar_id), func.min(House.id))
        .join(House, House.id == Succession.house_id)
        .outerjoin(SuccessionCultivar, SuccessionCultivar.succession_id == Succession.id)
        .where(House.farm_id == farm_id, Succession.active)
        .group_by(func.coalesce(Succession.cultivar_id, SuccessionCultivar.cultivar_id))
    )
    return {row[0]: row[1] for row in rows if row[0]}


# --------------------------------------------------------------------------- trials


async def page_trials(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    farm_id: int | None,
    lot_id: int | None,
    after: int | None,
    limit: int,
) -> tuple[list[LotTrial], int | None]:
    """Return a page of trials; ``lot_id`` may be either lot of one."""
    statement = narrow(select(LotTrial), (LotTrial.farm_id, within_farm), (LotTrial.farm_id, farm_id))
    if lot_id is not None:
        statement = statement.where(or_(LotTrial.new_lot_id == lot_id, LotTrial.old_lot_id == lot_id))
    return await page(uow, statement, LotTrial.id, after, limit)


async def counted_trials(uow: UnitOfWork, lot_ids: Iterable[int]) -> list[LotTrial]:
    """Return the counted trials that any of the lots was in, oldest first."""
    ids = list(lot_ids)
    return list(
        await uow.session.scalars(
            select(LotTrial)
            .where(
                or_(among(uow, LotTrial.new_lot_id, ids), among(uow, LotTrial.old_lot_id, ids)),
                LotTrial.counted_on.is_not(None),
            )
            .order_by(LotTrial.sown_on, LotTrial.id)
        )
    )
