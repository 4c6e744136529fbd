"""Queries for calibration: batches of the past, and the evidence kept of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Table, select

from service.records.store import UnitOfWork, upsert
from service.records.tables import Batch, BatchEvidence, Crop, Cultivar, House, Succession


@dataclass(frozen=True)
class KeptEvidence:
    """The evidence kept of a batch, and where the batch belongs."""

    batch_id: int
    batch_code: str
    house_id: int
    crop_id: int
    cultivar_id: int | None
    seeded_on: date
    input_key: str
    pieces: list[dict[str, Any]]


async def batches_since(uow: UnitOfWork, house_id: int, day: date) -> list[Batch]:
    """Return the batches of a house seeded on a day or later, finished ones too, in the order of seeding."""
    return list(
        await uow.session.scalars(
            select(Batch)
            .where(Batch.house_id == house_id, Batch.seeded_on >= day)
            .order_by(Batch.seeded_on, Batch.id)
        )
    )


async def evidence_since(uow: UnitOfWork, farm_id: int, day: date) -> list[KeptEvidence]:
    """Return the evidence kept of all batches of a farm seeded on a day or later, by batch."""
    rows = await uow.session.execute(
        select(
            Batch.id,
            Batch.code,
            Batch.house_id,
            Succession.crop_id,
            Batch.cultivar_id,
            Batch.seeded_on,
            BatchEvidence.input_key,
            BatchEvidence.pieces,
        )
        .join(Batch, Batch.id == BatchEvidence.batch_id)
        .join(Succession, Succession.id == Batch.succession_id)
        .join(House, House.id == Batch.house_id)
        .where(House.farm_id == farm_id, Batch.seeded_on >= day)
        .order_by(Batch.id)
    )
    return [KeptEvidence(*row) for row in rows]


async def keep_evidence(uow: UnitOfWork, rows: Sequence[dict[str, Any]]) -> None:
    """Keep the evidence of batches in place of what was kept of them before."""
    table = BatchEvidence.__table__
    assert isinstance(table, Table)  # noqa: S101 - what a mapped class has
    await upsert(uow, table, rows, ["batch_id"], ["input_key", "made_at", "pieces"])


async def grown_in(uow: UnitOfWork, house_id: int) -> list[tuple[int, int | None]]:
    """Return crop and cultivar of the active successions of a house."""
    rows = await uow.session.execute(
        select(Succession.crop_id, Succession.cultivar_id)
        .where(Succession.house_id == house_id, Succession.active)
        .distinct()
    )
    return [(crop_id, cultivar_id) for crop_id, cultivar_id in rows]


async def names_of(uow: UnitOfWork, farm_id: int) -> tuple[dict[int, Crop], dict[int, str]]:
    """Return the crops of a farm, and the names of its cultivars, by id."""
    crops = await uow.session.scalars(select(Crop).where(Crop.farm_id == farm_id))
    cultivars = await uow.session.scalars(
        select(Cultivar).join(Crop, Crop.id == Cultivar.crop_id).where(Crop.farm_id == farm_id)
    )
    return {c.id: c for c in crops}, {c.id: c.name for c in cultivars}
