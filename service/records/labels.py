"""Queries for what stands on labels."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select

from service.records.listing import among, rows
from service.records.store import UnitOfWork
from service.records.tables import Batch, BatchSeedLot, Entry, House, PackedLotHarvest, SeedLot, Tray


@dataclass(slots=True)
class BatchFarm:
    """Whose a batch is."""

    id: int
    code: str
    seeded_on: date
    farm_id: int


async def farms_of_batches(uow: UnitOfWork, batch_ids: Collection[int]) -> dict[int, BatchFarm]:
    """Return the batches with these ids, and whose they are."""
    statement = (
        select(Batch.id, Batch.code, Batch.seeded_on, House.farm_id)
        .join(House, House.id == Batch.house_id)
        .where(among(uow, Batch.id, batch_ids))
    )
    return {row[0]: BatchFarm(*row) for row in await rows(uow, statement)}


async def lot_numbers(uow: UnitOfWork, batch_ids: Collection[int]) -> dict[int, list[str]]:
    """Return the suppliers' lot numbers of the seed of each batch; those without any are left out."""
    statement = (
        select(BatchSeedLot.batch_id, SeedLot.lot_number)
        .join(SeedLot, SeedLot.id == BatchSeedLot.seed_lot_id)
        .where(among(uow, BatchSeedLot.batch_id, batch_ids))
        .order_by(BatchSeedLot.batch_id, SeedLot.id)
    )
    found: dict[int, list[str]] = {}
    for batch_id, number in await rows(uow, statement):
        found.setdefault(batch_id, []).append(number)
    return found


async def tray_numbers(uow: UnitOfWork, batch_ids: Collection[int]) -> dict[int, list[int]]:
    """Return the numbers of the trays of each batch; those without any are left out."""
    statement = (
        select(Tray.batch_id, Tray.number)
        .where(among(uow, Tray.batch_id, batch_ids))
        .order_by(Tray.batch_id, Tray.number)
    )
    found: dict[int, list[int]] = {}
    for batch_id, number in await rows(uow, statement):
        found.setdefault(batch_id, []).append(number)
    return found


async def batches_of_lot(uow: UnitOfWork, lot_id: int) -> list[int]:
    """Return the batches that a packed lot was made from."""
    statement = (
        select(Entry.batch_id)
        .join(PackedLotHarvest, PackedLotHarvest.entry_id == Entry.id)
        .where(PackedLotHarvest.packed_lot_id == lot_id)
        .distinct()
    )
    return list(await uow.session.scalars(statement))
