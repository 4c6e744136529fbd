"""Queries of imports: many rows at once."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm.attributes import flag_modified

from service.records.listing import among
from service.records.saving import saving
from service.records.store import UnitOfWork
from service.records.tables import Batch, Cultivar, Entry, House, Order, Sensor, Tray

_AT_ONCE = 1000  # values in a list of a query


async def houses_called(uow: UnitOfWork, code: str) -> list[House]:
    """Return the houses with a code; it is one of a kind within a farm only."""
    return list(await uow.session.scalars(select(House).where(House.code == code).order_by(House.id)))


async def sensors_of(uow: UnitOfWork, house_id: int) -> list[Sensor]:
    """Return the sensors of a house, retired ones too, by id."""
    return list(
        await uow.session.scalars(select(Sensor).where(Sensor.house_id == house_id).order_by(Sensor.id))
    )


async def cultivars_of(uow: UnitOfWork, crop_ids: Collection[int]) -> list[Cultivar]:
    """Return the cultivars of crops, by id."""
    statement = select(Cultivar).where(among(uow, Cultivar.crop_id, crop_ids)).order_by(Cultivar.id)
    return list(await uow.session.scalars(statement))


async def batches_by_code(
    uow: UnitOfWork, house_id: int, codes: Sequence[str], *, lock: bool
) -> dict[str, Batch]:
    """Return the batches of a house that have one of these codes.

    With ``lock`` nobody else can append to their ledgers until this transaction ends: PostgreSQL locks the
    rows, in the order of their ids; on SQLite the transaction holds the only write lock.
    """
    found: dict[str, Batch] = {}
    for part in _parts(codes):
        statement = (
            select(Batch).where(Batch.house_id == house_id, Batch.code.in_(part)).order_by(Batch.id)
        ).execution_options(populate_existing=True)
        for batch in await uow.session.scalars(statement.with_for_update() if lock else statement):
            found[batch.code] = batch
    return found


async def append_ledgers(
    uow: UnitOfWork, ledgers: Sequence[tuple[Batch, Sequence[Entry], Sequence[Tray], Mapping[str, Any]]]
) -> None:
    """Append entries to the ledgers of batches, which are added with their trays if they are new.

    With each batch come its entries, which name trays by their numbers, its trays, and the columns of its row that
    follow from the ledger.
    """
    async with saving(uow):
        for batch, _, _, derived in ledgers:
            for name, value in derived.items():
                setattr(batch, name, value)
            if batch in uow.session:
                flag_modified(batch, "stage")  # a new version, whether or not a column changes
            else:
                uow.session.add(batch)
        await uow.flush()
        for batch, _, trays, _ in ledgers:
            for tray in trays:
                tray.batch_id = batch.id
            uow.session.add_all(trays)
        await uow.flush()
        for batch, entries, trays, _ in ledgers:
            ids = {tray.number: tray.id for tray in trays}
            for entry in entries:
                entry.batch_id = batch.id
                entry.tray_id = None if entry.tray_id is None else ids[entry.tray_id]
            uow.session.add_all(entries)


async def save_orders(
    uow: UnitOfWork, added: Sequence[Order], changes: Sequence[tuple[Order, Mapping[str, Any]]]
) -> None:
    """Add orders, and change columns of others."""
    async with saving(uow):
        for order, columns in changes:
            for name, value in columns.items():
                setattr(order, name, value)
        uow.session.add_all(added)


def _parts(values: Sequence[str]) -> Iterator[Sequence[str]]:
    for start in range(0, len(values), _AT_ONCE):
        yield values[start : start + _AT_ONCE]
