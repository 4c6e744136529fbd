"""Queries along the way from seed to buyer. Each takes a set of ids and is one statement, however many there are."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, fields
from datetime import date, datetime
from typing import Any

from sqlalchemy import ColumnElement, Executable, func, select
from sqlalchemy.orm import aliased

from service.records.listing import among
from service.records.listing import rows as _rows
from service.records.store import UnitOfWork
from service.records.tables import (
    Batch,
    BatchCultivar,
    BatchSeedLot,
    Crop,
    Cultivar,
    Delivery,
    Entry,
    House,
    Order,
    PackedLot,
    PackedLotHarvest,
    Section,
    SeedLot,
    Succession,
    Zone,
)

KINDS = ("seeded", "transplanted", "moved", "discarded", "harvested")
"""Kinds of entries that say where plants and heads went."""


@dataclass(slots=True)
class BatchRow:
    """A batch, and what it is of."""

    id: int
    code: str
    house_id: int
    house: str
    crop: str
    cultivar: str | None
    seeded_on: date
    stage: str


@dataclass(slots=True)
class EntryRow:
    """An entry of a ledger, whether it holds or not."""

    id: int
    batch_id: int
    kind: str
    happened_at: datetime
    recorded_at: datetime
    recorded_by: str
    plants: int | None
    weight_g: float | None
    zone_id: int | None
    section_id: int | None
    from_section_id: int | None
    supersedes_id: int | None
    void: bool
    regrows: bool | None
    grade: str | None
    note: str | None


@dataclass(slots=True)
class SownRow:
    """Seed of a lot in a batch."""

    batch_id: int
    seed_lot_id: int
    seeds: int
    cells: int | None


@dataclass(slots=True)
class SeedLotRow:
    """A seed lot."""

    id: int
    lot_number: str
    cultivar: str
    crop: str
    supplier: str | None
    received_on: date
    form: str
    seeds: int


@dataclass(slots=True)
class LinkRow:
    """Heads of a harvest in a packed lot."""

    packed_lot_id: int
    entry_id: int
    heads: int


@dataclass(slots=True)
class LotRow:
    """A packed lot."""

    id: int
    code: str
    house_id: int
    crop: str
    packed_at: datetime
    heads: int
    weight_kg: float | None
    gtin: str | None
    description: str | None
    cooled_at: datetime | None
    cooled_where: str | None
    packed_where: str | None
    reference: str | None
    recorded_at: datetime
    recorded_by: str
    note: str | None


@dataclass(slots=True)
class DeliveryRow:
    """Heads of a packed lot that left."""

    id: int
    packed_lot_id: int
    order_id: int | None
    for_on: date
    heads: int
    weight_kg: float | None
    recipient: str | None
    reference: str | None
    recorded_at: datetime
    recorded_by: str
    note: str | None


@dataclass(slots=True)
class OrderRow:
    """An order."""

    id: int
    buyer: str
    crop: str
    active: bool


@dataclass(slots=True)
class SectionRow:
    """A section, and where it lies: the house's place if none of its own was written down."""

    id: int
    code: str
    name: str
    zone_id: int
    zone: str
    house_id: int
    house: str
    sites: int
    latitude_deg: float
    longitude_deg: float
    own_place: bool


@dataclass(slots=True)
class ZoneRow:
    """A zone."""

    id: int
    code: str
    name: str


@dataclass(slots=True)
class HouseRow:
    """A house."""

    id: int
    code: str
    name: str
    latitude_deg: float
    longitude_deg: float
    time_zone: str


# --------------------------------------------------------------------------- where a trace begins


async def batches_sown_with(uow: UnitOfWork, seed_lot_id: int) -> list[int]:
    """Return the batches that were sown with a seed lot."""
    return list(
        await uow.session.scalars(
            select(BatchSeedLot.batch_id).where(BatchSeedLot.seed_lot_id == seed_lot_id)
        )
    )


async def batches_ever_in(uow: UnitOfWork, section_id: int, before: datetime) -> list[int]:
    """Return the batches of which an entry before a moment names a section."""
    statement = (
        select(Entry.batch_id).where(Entry.section_id == section_id, Entry.happened_at < before).distinct()
    )
    return list(await uow.session.scalars(statement))


async def batches_of_entries(uow: UnitOfWork, entry_ids: Collection[int]) -> list[int]:
    """Return the batches of entries."""
    statement = select(Entry.batch_id).where(among(uow, Entry.id, entry_ids)).distinct()
    return list(await uow.session.scalars(statement))


async def batches_cut_or_packed(
    uow: UnitOfWork, farm_id: int, since: datetime, before: datetime
) -> list[int]:
    """Return the batches of a farm of which heads were harvested, cooled or packed, or left, in a span."""
    in_house = select(Batch.id).join(House, House.id == Batch.house_id).where(House.farm_id == farm_id)
    cut = in_house.join(Entry, Entry.batch_id == Batch.id).where(
        Entry.kind == "harvested", Entry.happened_at >= since, Entry.happened_at < before
    )
    through_lots = (
        in_house.join(Entry, Entry.batch_id == Batch.id)
        .join(PackedLotHarvest, PackedLotHarvest.entry_id == Entry.id)
        .join(PackedLot, PackedLot.id == PackedLotHarvest.packed_lot_id)
    )
    packed = through_lots.where(PackedLot.packed_at >= since, PackedLot.packed_at < before)
    cooled = through_lots.where(PackedLot.cooled_at >= since, PackedLot.cooled_at < before)
    left = through_lots.join(Delivery, Delivery.packed_lot_id == PackedLot.id).where(
        Delivery.for_on >= since.date(), Delivery.for_on <= before.date()
    )
    return list(await uow.session.scalars(cut.union(packed, cooled, left)))


async def lots_with_code(uow: UnitOfWork, within_farm: int | None, code: str) -> list[PackedLot]:
    """Return the packed lots with a code; of several farms there may be more than one."""
    statement = select(PackedLot).where(PackedLot.code == code).order_by(PackedLot.id)
    if within_farm is not None:
        statement = statement.where(PackedLot.farm_id == within_farm)
    return list(await uow.session.scalars(statement))


async def lots_delivered_for(uow: UnitOfWork, order_id: int, on: date | None) -> list[int]:
    """Return the packed lots of which heads left for an order, or for one day of it."""
    statement = select(Delivery.packed_lot_id).where(Delivery.order_id == order_id).distinct()
    if on is not None:
        statement = statement.where(Delivery.for_on == on)
    return list(await uow.session.scalars(statement))


# --------------------------------------------------------------------------- what lies along it


async def batches(uow: UnitOfWork, ids: Collection[int]) -> list[BatchRow]:
    """Return batches, in the order of seeding."""
    statement = (
        select(
            Batch.id,
            Batch.code,
            Batch.house_id,
            House.name,
            Crop.name,
            Cultivar.name,
            Batch.seeded_on,
            Batch.stage,
        )
        .join(House, House.id == Batch.house_id)
        .join(Succession, Succession.id == Batch.succession_id)
        .join(Crop, Crop.id == Succession.crop_id)
        .outerjoin(Cultivar, Cultivar.id == Batch.cultivar_id)
        .where(among(uow, Batch.id, ids))
        .order_by(Batch.seeded_on, Batch.id)
    )
    return [BatchRow(*row) for row in await _rows(uow, statement)]


async def mixes(uow: UnitOfWork, batch_ids: Collection[int]) -> dict[int, list[str]]:
    """Return the cultivars of the mix that each batch is of; those of one cultivar are left out."""
    if not batch_ids:
        return {}
    statement = (
        select(BatchCultivar.batch_id, Cultivar.name)
        .join(Cultivar, Cultivar.id == BatchCultivar.cultivar_id)
        .where(among(uow, BatchCultivar.batch_id, batch_ids))
        .order_by(BatchCultivar.batch_id, BatchCultivar.place)
    )
    found: dict[int, list[str]] = {}
    for batch_id, name in await _rows(uow, statement):
        found.setdefault(batch_id, []).append(name)
    return found


async def sown(uow: UnitOfWork, batch_ids: Collection[int]) -> list[SownRow]:
    """Return what batches were sown with."""
    statement = (
        select(BatchSeedLot.batch_id, BatchSeedLot.seed_lot_id, BatchSeedLot.seeds, BatchSeedLot.cells)
        .where(among(uow, BatchSeedLot.batch_id, batch_ids))
        .order_by(BatchSeedLot.batch_id, BatchSeedLot.seed_lot_id)
    )
    return [SownRow(*row) for row in await _rows(uow, statement)]


async def seed_lots(uow: UnitOfWork, ids: Collection[int]) -> list[SeedLotRow]:
    """Return seed lots."""
    statement = (
        select(
            SeedLot.id,
            SeedLot.lot_number,
            Cultivar.name,
            Crop.name,
            SeedLot.supplier,
            SeedLot.received_on,
            SeedLot.form,
            SeedLot.seeds,
        )
        .join(Cultivar, Cultivar.id == SeedLot.cultivar_id)
        .join(Crop, Crop.id == Cultivar.crop_id)
        .where(among(uow, SeedLot.id, ids))
        .order_by(SeedLot.id)
    )
    return [SeedLotRow(*row) for row in await _rows(uow, statement)]


async def entries(uow: UnitOfWork, batch_ids: Collection[int]) -> list[EntryRow]:
    """Return the entries of batches that say where plants and heads went, in the order of recording."""
    columns = [getattr(Entry, f.name) for f in fields(EntryRow)]
    statement = (
        select(*columns)
        .where(among(uow, Entry.batch_id, batch_ids), Entry.kind.in_(KINDS))
        .order_by(Entry.id)
    )
    return [EntryRow(*row) for row in await _rows(uow, statement)]


async def links_through_batches(uow: UnitOfWork, batch_ids: Collection[int]) -> list[LinkRow]:
    """Return all that the packed lots were made from of which some was packed from batches."""
    through = aliased(PackedLotHarvest)
    lots = (
        select(through.packed_lot_id)
        .join(Entry, Entry.id == through.entry_id)
        .where(among(uow, Entry.batch_id, batch_ids))
    )
    return await _links(uow, PackedLotHarvest.packed_lot_id.in_(lots))


async def links_of_lots(uow: UnitOfWork, lot_ids: Collection[int]) -> list[LinkRow]:
    """Return what packed lots were made from."""
    return await _links(uow, among(uow, PackedLotHarvest.packed_lot_id, lot_ids))


async def _links(uow: UnitOfWork, which: ColumnElement[bool]) -> list[LinkRow]:
    statement = (
        select(PackedLotHarvest.packed_lot_id, PackedLotHarvest.entry_id, PackedLotHarvest.heads)
        .where(which)
        .order_by(PackedLotHarvest.packed_lot_id, PackedLotHarvest.entry_id)
    )
    return [LinkRow(*row) for row in await _rows(uow, statement)]


async def lots(uow: UnitOfWork, ids: Collection[int]) -> list[LotRow]:
    """Return packed lots, in the order of packing."""
    columns = [Crop.name if f.name == "crop" else getattr(PackedLot, f.name) for f in fields(LotRow)]
    statement = (
        select(*columns)
        .select_from(PackedLot)
        .join(Crop, Crop.id == PackedLot.crop_id)
        .where(among(uow, PackedLot.id, ids))
        .order_by(PackedLot.packed_at, PackedLot.id)
    )
    return [LotRow(*row) for row in await _rows(uow, statement)]


async def deliveries(uow: UnitOfWork, lot_ids: Collection[int]) -> list[DeliveryRow]:
    """Return the deliveries of packed lots, by day."""
    columns = [getattr(Delivery, f.name) for f in fields(DeliveryRow)]
    statement = (
        select(*columns)
        .where(among(uow, Delivery.packed_lot_id, lot_ids))
        .order_by(Delivery.for_on, Delivery.id)
    )
    return [DeliveryRow(*row) for row in await _rows(uow, statement)]


async def orders(uow: UnitOfWork, ids: Collection[int]) -> list[OrderRow]:
    """Return orders."""
    statement = (
        select(Order.id, Order.buyer, Crop.name, Order.active)
        .join(Crop, Crop.id == Order.crop_id)
        .where(among(uow, Order.id, ids))
        .order_by(Order.id)
    )
    return [OrderRow(*row) for row in await _rows(uow, statement)]


async def sections(uow: UnitOfWork, ids: Collection[int]) -> list[SectionRow]:
    """Return sections."""
    return await _sections(uow, _section_statement().where(among(uow, Section.id, ids)))


async def sections_of_farm(uow: UnitOfWork, farm_id: int) -> list[SectionRow]:
    """Return every section of a farm."""
    return await _sections(uow, _section_statement().where(House.farm_id == farm_id))


def _section_statement() -> Any:
    return (
        select(
            Section.id,
            Section.code,
            Section.name,
            Zone.id,
            Zone.name,
            House.id,
            House.name,
            Section.sites,
            func.coalesce(Section.latitude_deg, House.latitude_deg),
            func.coalesce(Section.longitude_deg, House.longitude_deg),
            Section.latitude_deg.is_not(None) & Section.longitude_deg.is_not(None),
        )
        .join(Zone, Zone.id == Section.zone_id)
        .join(House, House.id == Zone.house_id)
        .order_by(House.id, Zone.id, Section.code)
    )


async def _sections(uow: UnitOfWork, statement: Executable) -> list[SectionRow]:
    return [SectionRow(*row) for row in await _rows(uow, statement)]


async def zones(uow: UnitOfWork, ids: Collection[int]) -> list[ZoneRow]:
    """Return zones."""
    statement = select(Zone.id, Zone.code, Zone.name).where(among(uow, Zone.id, ids)).order_by(Zone.id)
    return [ZoneRow(*row) for row in await _rows(uow, statement)]


async def houses(uow: UnitOfWork, farm_id: int) -> list[HouseRow]:
    """Return the houses of a farm."""
    columns = [getattr(House, f.name) for f in fields(HouseRow)]
    statement = select(*columns).where(House.farm_id == farm_id).order_by(House.id)
    return [HouseRow(*row) for row in await _rows(uow, statement)]
