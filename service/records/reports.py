"""Queries of the reports of a house."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import Integer, column, exists, func, or_, select, values

from service.records.listing import among
from service.records.store import UnitOfWork
from service.records.tables import (
    Batch,
    BatchSeedLot,
    Crop,
    Delivery,
    Entry,
    Forecast,
    Id,
    PackedLot,
    PackedLotHarvest,
    Succession,
)
from service.records.types import UtcDateTime

_AT_ONCE = 300  # three parameters each; old SQLite takes 999


async def batches_seeded(
    uow: UnitOfWork, house_id: int, first: date, last: date, live_at: datetime
) -> list[Batch]:
    """Return the batches of a house seeded from ``first`` to ``last``, in that order.

    Those to which nothing happened from ``live_at`` on, and nothing can any more, are left out.
    """
    happened = exists().where(Entry.batch_id == Batch.id, Entry.happened_at >= live_at)
    statement = (
        select(Batch)
        .where(
            Batch.house_id == house_id,
            Batch.seeded_on.between(first, last),
            or_(Batch.stage != "finished", happened),
        )
        .order_by(Batch.seeded_on, Batch.id)
    )
    return list(await uow.session.scalars(statement))


async def crops_by_succession(uow: UnitOfWork, house_id: int) -> dict[int, Crop]:
    """Return the crop of each succession of a house."""
    statement = (
        select(Succession.id, Crop)
        .join(Crop, Crop.id == Succession.crop_id)
        .where(Succession.house_id == house_id)
    )
    return {row[0]: row[1] for row in await uow.session.execute(statement)}


async def seeds_sown(uow: UnitOfWork, batch_ids: Collection[int]) -> dict[int, int]:
    """Return the seeds that each batch was sown with; those without a seed lot are left out."""
    statement = (
        select(BatchSeedLot.batch_id, func.sum(BatchSeedLot.seeds))
        .where(among(uow, BatchSeedLot.batch_id, batch_ids))
        .group_by(BatchSeedLot.batch_id)
    )
    return {batch_id: int(seeds) for batch_id, seeds in await uow.session.execute(statement)}


async def heads_sold(uow: UnitOfWork, batch_ids: Collection[int]) -> dict[int, float]:
    """Return the heads of each batch that left: of a lot of several batches, its share of what left of the lot."""
    delivered = (
        select(Delivery.packed_lot_id, func.sum(Delivery.heads).label("heads"))
        .group_by(Delivery.packed_lot_id)
        .subquery()
    )
    statement = (
        select(Entry.batch_id, func.sum(1.0 * delivered.c.heads * PackedLotHarvest.heads / PackedLot.heads))
        .join(PackedLotHarvest, PackedLotHarvest.entry_id == Entry.id)
        .join(PackedLot, PackedLot.id == PackedLotHarvest.packed_lot_id)
        .join(delivered, delivered.c.packed_lot_id == PackedLot.id)
        .where(among(uow, Entry.batch_id, batch_ids), PackedLot.heads > 0)
        .group_by(Entry.batch_id)
    )
    return {batch_id: float(heads) for batch_id, heads in await uow.session.execute(statement)}


async def forecasts_that_held(
    uow: UnitOfWork, moments: Sequence[tuple[int, datetime]]
) -> dict[tuple[int, datetime], dict[str, Any]]:
    """Return the points of the newest forecast that each batch had at each moment; none is left out."""
    found: dict[tuple[int, datetime], dict[str, Any]] = {}
    for begin in range(0, len(moments), _AT_ONCE):
        some = moments[begin : begin + _AT_ONCE]
        asked = (
            values(column("n", Integer), column("batch_id", Id), column("at", UtcDateTime()), name="asked")
            .data([(n, batch_id, at) for n, (batch_id, at) in enumerate(some)])
            .cte()
        )
        newest = (
            select(Forecast.id)
            .where(Forecast.batch_id == asked.c.batch_id, Forecast.made_at <= asked.c.at)
            .order_by(Forecast.made_at.desc(), Forecast.id.desc())
            .limit(1)
            .correlate(asked)
            .scalar_subquery()
        )
        every = select(asked.c.n, newest.label("id")).subquery()
        rows = await uow.session.execute(
            select(every.c.n, Forecast.points).join(Forecast, Forecast.id == every.c.id)
        )
        for n, points in rows:
            found[some[n]] = points
    return found
