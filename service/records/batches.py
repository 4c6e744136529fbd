"""Queries about batches and their ledgers."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm.attributes import flag_modified

from service.records.listing import MAX_ID, narrow, page
from service.records.saving import saving
from service.records.store import UnitOfWork
from service.records.tables import Batch, Entry, House


async def live_batches(uow: UnitOfWork, house_id: int) -> list[Batch]:
    """Return the batches of a house that are not finished, in the order in which they were seeded."""
    return list(
        await uow.session.scalars(
            select(Batch)
            .where(Batch.house_id == house_id, Batch.stage != "finished")
            .order_by(Batch.seeded_on, Batch.id)
        )
    )


async def entries_of(uow: UnitOfWork, batch_ids: Iterable[int]) -> dict[int, list[Entry]]:
    """Return the ledger of each batch, superseded and void entries included, in the order of recording."""
    ledgers: dict[int, list[Entry]] = {batch_id: [] for batch_id in batch_ids}
    if ledgers:
        statement = select(Entry).where(Entry.batch_id.in_(ledgers)).order_by(Entry.id)
        for entry in await uow.session.scalars(statement):
            ledgers[entry.batch_id].append(entry)
    return ledgers


async def lock_batch(uow: UnitOfWork, batch_id: int) -> Batch | None:
    """Return a batch that nobody else can append to until this transaction ends.

    PostgreSQL locks the row; on SQLite the transaction already holds the only write lock.
    """
    if not 0 < batch_id <= MAX_ID:
        return None
    return await uow.session.get(Batch, batch_id, with_for_update=True, populate_existing=True)


async def insert_batch(uow: UnitOfWork, batch: Batch, seeded: Entry) -> None:
    """Add a batch with the first entry of its ledger."""
    async with saving(uow):
        uow.session.add(batch)
        await uow.flush()
        seeded.batch_id = batch.id
        uow.session.add(seeded)


async def insert_entry(
    uow: UnitOfWork, batch: Batch, entry: Entry, *, cells: int, seeded_on: date, stage: str
) -> None:
    """Append an entry to a ledger and keep what the batch's row says in step with it."""
    async with saving(uow):
        uow.session.add(entry)
        batch.cells, batch.seeded_on, batch.stage = cells, seeded_on, stage
        flag_modified(batch, "stage")  # a new version for every entry, whether or not a column changes


async def codes_with_prefix(uow: UnitOfWork, house_id: int, prefix: str) -> set[str]:
    """Return the batch codes of a house that begin with a text."""
    statement = select(Batch.code).where(
        Batch.house_id == house_id, Batch.code.startswith(prefix, autoescape=True)
    )
    return set(await uow.session.scalars(statement))


async def page_batches(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    house_id: int | None,
    succession_id: int | None,
    stage: str | None,
    after: int | None,
    limit: int,
) -> tuple[list[Batch], int | None]:
    """Return a page of batches."""
    statement = narrow(
        select(Batch).join(House, House.id == Batch.house_id),
        (House.farm_id, within_farm),
        (Batch.house_id, house_id),
        (Batch.succession_id, succession_id),
        (Batch.stage, stage),
    )
    return await page(uow, statement, Batch.id, after, limit)


async def batches_by_code(uow: UnitOfWork, start: str, *, within_farm: int | None, limit: int) -> list[Batch]:
    """Return batches whose code begins with a text, capital or small letters alike, the newest first."""
    statement = narrow(
        select(Batch).join(House, House.id == Batch.house_id), (House.farm_id, within_farm)
    ).where(Batch.code.istartswith(start, autoescape=True))
    return list(await uow.session.scalars(statement.order_by(Batch.id.desc()).limit(limit)))
