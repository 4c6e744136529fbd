"""Queries about packed lots and deliveries."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from datetime import date, datetime
from typing import NamedTuple

from sqlalchemy import func, select
from sqlalchemy.orm.attributes import flag_modified

from service.records.listing import MAX_ID, among, locked, narrow, page
from service.records.saving import saving
from service.records.store import UnitOfWork
from service.records.tables import (
    Batch,
    Delivery,
    Entry,
    House,
    Order,
    PackedLot,
    PackedLotHarvest,
    Succession,
)


class Cut(NamedTuple):
    """A harvest, and whose it is."""

    entry: Entry
    batch_id: int
    batch_code: str
    crop_id: int
    farm_id: int
    house_id: int


async def cuts(uow: UnitOfWork, entry_ids: Collection[int]) -> dict[int, Cut]:
    """Return the entries with these ids, whatever their kind, with their batch's crop and farm."""
    statement = (
        select(Entry, Batch.id, Batch.code, Succession.crop_id, House.farm_id, House.id)
        .join(Batch, Batch.id == Entry.batch_id)
        .join(Succession, Succession.id == Batch.succession_id)
        .join(House, House.id == Batch.house_id)
        .where(among(uow, Entry.id, [i for i in entry_ids if 0 < i <= MAX_ID]))
    )
    return {row[0].id: Cut(*row) for row in await uow.session.execute(statement)}


async def batches_cut_since(uow: UnitOfWork, house_id: int, since: datetime) -> list[int]:
    """Return the batches of a house of which heads were harvested since a moment."""
    statement = (
        select(Batch.id)
        .join(Entry, Entry.batch_id == Batch.id)
        .where(Batch.house_id == house_id, Entry.kind == "harvested", Entry.happened_at >= since)
        .distinct()
    )
    return list(await uow.session.scalars(statement))


async def packed_from(uow: UnitOfWork, batch_ids: Collection[int], without_lot: int | None) -> dict[int, int]:
    """Return how many heads of each entry of these batches were packed, leaving out one lot."""
    statement = (
        select(PackedLotHarvest.entry_id, func.sum(PackedLotHarvest.heads))
        .join(Entry, Entry.id == PackedLotHarvest.entry_id)
        .where(among(uow, Entry.batch_id, batch_ids))
        .group_by(PackedLotHarvest.entry_id)
    )
    if without_lot is not None:
        statement = statement.where(PackedLotHarvest.packed_lot_id != without_lot)
    return {entry_id: int(heads) for entry_id, heads in await uow.session.execute(statement)}


async def harvests_of(uow: UnitOfWork, lot_ids: Collection[int]) -> dict[int, list[PackedLotHarvest]]:
    """Return what each packed lot was made from, by harvest."""
    found: dict[int, list[PackedLotHarvest]] = {lot_id: [] for lot_id in lot_ids}
    if found:
        statement = (
            select(PackedLotHarvest)
            .where(among(uow, PackedLotHarvest.packed_lot_id, found))
            .order_by(PackedLotHarvest.packed_lot_id, PackedLotHarvest.entry_id)
        )
        for row in await uow.session.scalars(statement):
            found[row.packed_lot_id].append(row)
    return found


async def delivered_from(uow: UnitOfWork, lot_ids: Collection[int]) -> dict[int, int]:
    """Return the heads of each packed lot that were delivered; a lot without any is left out."""
    statement = (
        select(Delivery.packed_lot_id, func.sum(Delivery.heads))
        .where(among(uow, Delivery.packed_lot_id, lot_ids))
        .group_by(Delivery.packed_lot_id)
    )
    return {lot_id: int(heads) for lot_id, heads in await uow.session.execute(statement)}


async def lock_lot(uow: UnitOfWork, lot_id: int) -> PackedLot | None:
    """Return a packed lot that nobody else can deliver from until this transaction ends.

    PostgreSQL locks the row; on SQLite the transaction already holds the only write lock.
    """
    if not 0 < lot_id <= MAX_ID:
        return None
    return await locked(uow, PackedLot, lot_id)


async def codes_with_prefix(uow: UnitOfWork, farm_id: int, prefix: str) -> set[str]:
    """Return the codes of a farm's packed lots that begin with a text."""
    statement = select(PackedLot.code).where(
        PackedLot.farm_id == farm_id, PackedLot.code.startswith(prefix, autoescape=True)
    )
    return set(await uow.session.scalars(statement))


async def insert_lot(uow: UnitOfWork, lot: PackedLot, heads: Mapping[int, int]) -> None:
    """Add a packed lot with the heads of each harvest that went into it."""
    async with saving(uow):
        uow.session.add(lot)
        await uow.flush()
        uow.session.add_all(
            PackedLotHarvest(packed_lot_id=lot.id, entry_id=entry_id, heads=n)
            for entry_id, n in heads.items()
        )


async def lots_by_code(
    uow: UnitOfWork, start: str, *, within_farm: int | None, limit: int
) -> list[PackedLot]:
    """Return packed lots whose code begins with a text, capital or small letters alike, the newest first."""
    statement = select(PackedLot).where(PackedLot.code.istartswith(start, autoescape=True))
    if within_farm is not None:
        statement = statement.where(PackedLot.farm_id == within_farm)
    return list(await uow.session.scalars(statement.order_by(PackedLot.id.desc()).limit(limit)))


async def orders_by_buyer(uow: UnitOfWork, start: str, *, within_farm: int | None, limit: int) -> list[Order]:
    """Return orders whose buyer's name begins with a text, capital or small letters alike, the newest first."""
    statement = select(Order).where(Order.buyer.istartswith(start, autoescape=True))
    if within_farm is not None:
        statement = statement.where(Order.farm_id == within_farm)
    return list(await uow.session.scalars(statement.order_by(Order.id.desc()).limit(limit)))


async def replace_harvests(uow: UnitOfWork, lot: PackedLot, heads: Mapping[int, int]) -> None:
    """Say anew from which harvests a packed lot was made; a change of the lot."""
    flag_modified(lot, "code")  # a new version, whether or not a column changes; what is flagged has no past
    there = {row.entry_id: row for row in (await harvests_of(uow, [lot.id]))[lot.id]}
    for entry_id, row in there.items():
        if entry_id not in heads:
            await uow.session.delete(row)
        else:
            row.heads = heads[entry_id]
    uow.session.add_all(
        PackedLotHarvest(packed_lot_id=lot.id, entry_id=entry_id, heads=n)
        for entry_id, n in heads.items()
        if entry_id not in there
    )


async def page_lots(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    farm_id: int | None,
    house_id: int | None,
    crop_id: int | None,
    code: str | None,
    since: datetime | None,
    before: datetime | None,
    after: int | None,
    limit: int,
) -> tuple[list[PackedLot], int | None]:
    """Return a page of packed lots, newest first."""
    statement = narrow(
        select(PackedLot),
        (PackedLot.farm_id, within_farm),
        (PackedLot.farm_id, farm_id),
        (PackedLot.house_id, house_id),
        (PackedLot.crop_id, crop_id),
        (PackedLot.code, code),
    )
    if since is not None:
        statement = statement.where(PackedLot.packed_at >= since)
    if before is not None:
        statement = statement.where(PackedLot.packed_at < before)
    return await page(uow, statement, PackedLot.id, after, limit, newest_first=True)


async def page_deliveries(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    farm_id: int | None,
    lot_id: int | None,
    order_id: int | None,
    first: date | None,
    last: date | None,
    after: int | None,
    limit: int,
) -> tuple[list[Delivery], int | None]:
    """Return a page of deliveries, newest first."""
    statement = narrow(
        select(Delivery),
        (Delivery.farm_id, within_farm),
        (Delivery.farm_id, farm_id),
        (Delivery.packed_lot_id, lot_id),
        (Delivery.order_id, order_id),
    )
    if first is not None:
        statement = statement.where(Delivery.for_on >= first)
    if last is not None:
        statement = statement.where(Delivery.for_on <= last)
    return await page(uow, statement, Delivery.id, after, limit, newest_first=True)


class Delivered(NamedTuple):
    """A delivery as it counts towards an order's day."""

    order_id: int
    for_on: date
    heads: int
    weight_kg: float | None
    lot_heads: int
    lot_weight_kg: float | None


async def delivered_for(
    uow: UnitOfWork, order_ids: Iterable[int], first: date, last: date
) -> dict[int, list[Delivered]]:
    """Return what was delivered for each order on days from ``first`` to ``last``, by day."""
    found: dict[int, list[Delivered]] = {order_id: [] for order_id in order_ids}
    if found:
        statement = (
            select(
                Delivery.order_id,
                Delivery.for_on,
                Delivery.heads,
                Delivery.weight_kg,
                PackedLot.heads,
                PackedLot.weight_kg,
            )
            .join(PackedLot, PackedLot.id == Delivery.packed_lot_id)
            .where(among(uow, Delivery.order_id, found), Delivery.for_on.between(first, last))
            .order_by(Delivery.for_on, Delivery.id)
        )
        for row in await uow.session.execute(statement):
            if row[0] is not None:
                found[row[0]].append(Delivered(row[0], *row[1:]))
    return found


class LotLeft(NamedTuple):
    """What is left of a packed lot."""

    lot_id: int
    crop_id: int
    heads: int
    delivered: int


async def lots_packed(uow: UnitOfWork, farm_id: int, since: datetime, before: datetime) -> list[LotLeft]:
    """Return the lots a farm packed from ``since`` until before ``before``, and what was delivered of them."""
    delivered = (
        select(Delivery.packed_lot_id, func.sum(Delivery.heads).label("heads"))
        .where(Delivery.farm_id == farm_id)
        .group_by(Delivery.packed_lot_id)
        .subquery()
    )
    statement = (
        select(PackedLot.id, PackedLot.crop_id, PackedLot.heads, func.coalesce(delivered.c.heads, 0))
        .outerjoin(delivered, delivered.c.packed_lot_id == PackedLot.id)
        .where(PackedLot.farm_id == farm_id, PackedLot.packed_at >= since, PackedLot.packed_at < before)
        .order_by(PackedLot.id)
    )
    return [
        LotLeft(i, crop, heads, int(gone)) for i, crop, heads, gone in await uow.session.execute(statement)
    ]


async def delivered_without_order(uow: UnitOfWork, farm_id: int, first: date, last: date) -> dict[int, int]:
    """Return heads delivered without an order on days from ``first`` to ``last``, by crop."""
    statement = (
        select(PackedLot.crop_id, func.sum(Delivery.heads))
        .join(PackedLot, PackedLot.id == Delivery.packed_lot_id)
        .where(Delivery.farm_id == farm_id, Delivery.order_id.is_(None), Delivery.for_on.between(first, last))
        .group_by(PackedLot.crop_id)
    )
    return {crop_id: int(heads) for crop_id, heads in await uow.session.execute(statement)}


async def zone_names(uow: UnitOfWork, farm_id: int) -> list[str]:
    """Return the time zones of a farm's houses, by house."""
    statement = select(House.time_zone).where(House.farm_id == farm_id).order_by(House.id)
    return list(await uow.session.scalars(statement))
