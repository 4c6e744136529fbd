"""Queries about batches and their ledgers."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import Select, delete, func, or_, select
from sqlalchemy.orm.attributes import flag_modified

from service.records.listing import MAX_ID, among, locked, narrow, page, rows
from service.records.saving import saving
from service.records.store import UnitOfWork
from service.records.tables import (
    Batch,
    BatchSeedLot,
    Crop,
    Cultivar,
    Entry,
    House,
    SeedLot,
    Succession,
    Tray,
)


async def live_batches(uow: UnitOfWork, house_id: int) -> list[Batch]:
    """Return the batches of a house that are not finished, in the order in which they were seeded."""
    return list(
        await uow.session.scalars(
            select(Batch)
            .where(Batch.house_id == house_id, Batch.stage != "finished")
            .order_by(Batch.seeded_on, Batch.id)
        )
    )


@dataclass(slots=True)
class LiveRow:
    """A batch that is not finished, and what it is of."""

    id: int
    code: str
    crop: str
    succession_id: int
    succession: str
    seeded_on: date


async def live_rows(uow: UnitOfWork, house_id: int) -> list[LiveRow]:
    """Return the batches of a house that are not finished, and what they are of."""
    statement = (
        select(Batch.id, Batch.code, Crop.name, Succession.id, Succession.name, Batch.seeded_on)
        .join(Succession, Succession.id == Batch.succession_id)
        .join(Crop, Crop.id == Succession.crop_id)
        .where(Batch.house_id == house_id, Batch.stage != "finished")
    )
    return [LiveRow(*row) for row in await rows(uow, statement)]


async def ledger_ends(uow: UnitOfWork, batch_ids: Collection[int]) -> dict[int, tuple[int, int]]:
    """Return how many entries each batch's ledger has, and the last one's id: they tell all of it apart."""
    statement = (
        select(Entry.batch_id, func.count(), func.max(Entry.id))
        .where(among(uow, Entry.batch_id, batch_ids))
        .group_by(Entry.batch_id)
    )
    return {batch_id: (many, last) for batch_id, many, last in await rows(uow, statement)}


async def entries_of(uow: UnitOfWork, batch_ids: Iterable[int]) -> dict[int, list[Entry]]:
    """Return the ledger of each batch, superseded and void entries included, in the order of recording."""
    ledgers: dict[int, list[Entry]] = {batch_id: [] for batch_id in batch_ids}
    if ledgers:
        statement = select(Entry).where(among(uow, Entry.batch_id, ledgers)).order_by(Entry.id)
        for entry in await uow.session.scalars(statement):
            ledgers[entry.batch_id].append(entry)
    return ledgers


async def lock_batch(uow: UnitOfWork, batch_id: int) -> Batch | None:
    """Return a batch that nobody else can append to until this transaction ends.

    PostgreSQL locks the row; on SQLite the transaction already holds the only write lock.
    """
    if not 0 < batch_id <= MAX_ID:
        return None
    return await locked(uow, Batch, batch_id)


async def insert_batch(
    uow: UnitOfWork,
    batch: Batch,
    seeded: Entry,
    seed_lots: Sequence[BatchSeedLot] = (),
    trays: Sequence[Tray] = (),
) -> None:
    """Add a batch with the first entry of its ledger, the seed it was sown with and its trays."""
    async with saving(uow):
        uow.session.add(batch)
        await uow.flush()
        added: list[Entry | BatchSeedLot | Tray] = [seeded, *seed_lots, *trays]
        for row in added:
            row.batch_id = batch.id
        uow.session.add_all(added)


async def seed_lots_of(uow: UnitOfWork, batch_ids: Iterable[int]) -> dict[int, list[BatchSeedLot]]:
    """Return the seed that each batch was sown with, by lot."""
    found: dict[int, list[BatchSeedLot]] = {batch_id: [] for batch_id in batch_ids}
    statement = (
        select(BatchSeedLot)
        .where(among(uow, BatchSeedLot.batch_id, found))
        .order_by(BatchSeedLot.seed_lot_id)
    )
    for row in await uow.session.scalars(statement):
        found[row.batch_id].append(row)
    return found


async def replace_seed_lots(uow: UnitOfWork, batch: Batch, seed_lots: Sequence[BatchSeedLot]) -> None:
    """Say anew which seed a batch was sown with."""
    async with saving(uow):
        await uow.session.execute(delete(BatchSeedLot).where(BatchSeedLot.batch_id == batch.id))
        uow.session.add_all(seed_lots)
        flag_modified(batch, "stage")


async def lots_by_id(uow: UnitOfWork, lot_ids: Collection[int]) -> dict[int, tuple[SeedLot, int]]:
    """Return seed lots by id, each with the crop of its cultivar."""
    found = await uow.session.execute(
        select(SeedLot, Cultivar.crop_id)
        .join(Cultivar, Cultivar.id == SeedLot.cultivar_id)
        .where(among(uow, SeedLot.id, lot_ids))
    )
    return {lot.id: (lot, crop_id) for lot, crop_id in found}


async def batches_seeded(
    uow: UnitOfWork, house_id: int, first: date | None, last: date | None
) -> list[Batch]:
    """Return the batches of a house seeded on days from ``first`` to ``last``, in order of seeding."""
    statement = select(Batch).where(Batch.house_id == house_id).order_by(Batch.seeded_on, Batch.id)
    return list(await uow.session.scalars(_seeded_between(statement, first, last)))


async def trays_of(uow: UnitOfWork, batch_ids: Iterable[int]) -> dict[int, list[Tray]]:
    """Return the trays of each batch, by number."""
    found: dict[int, list[Tray]] = {batch_id: [] for batch_id in batch_ids}
    statement = select(Tray).where(among(uow, Tray.batch_id, found)).order_by(Tray.number)
    for row in await uow.session.scalars(statement):
        found[row.batch_id].append(row)
    return found


async def change_trays(
    uow: UnitOfWork, batch: Batch, there: Sequence[Tray], cells_by_number: dict[int, int]
) -> None:
    """Have a batch stand in these trays; those that stay keep their ids."""
    async with saving(uow):
        numbers = {tray.number for tray in there}
        for tray in there:
            if tray.number in cells_by_number:
                tray.cells = cells_by_number[tray.number]
            else:
                await uow.session.delete(tray)
        uow.session.add_all(
            Tray(batch_id=batch.id, number=number, cells=cells)
            for number, cells in cells_by_number.items()
            if number not in numbers
        )
        flag_modified(batch, "stage")


async def batches_in_sections(
    uow: UnitOfWork, section_ids: Collection[int], since: datetime | None = None
) -> list[int]:
    """Return the ids of batches that may stand in sections now, or, with a moment, at any time since it."""
    touching = select(Entry.batch_id).where(
        or_(among(uow, Entry.section_id, section_ids), among(uow, Entry.from_section_id, section_ids))
    )
    live = Batch.stage != "finished"
    if since is not None:
        live = or_(live, Batch.id.in_(select(Entry.batch_id).where(Entry.happened_at >= since)))
    statement = select(Batch.id).where(Batch.id.in_(touching), live).order_by(Batch.id)
    return list(await uow.session.scalars(statement))


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
    code: str | None,
    first: date | None,
    last: date | None,
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
        (Batch.code, code),
    )
    return await page(uow, _seeded_between(statement, first, last), Batch.id, after, limit)


def _seeded_between(statement: Select[Batch], first: date | None, last: date | None) -> Select[Batch]:
    if first is not None:
        statement = statement.where(Batch.seeded_on >= first)
    return statement if last is None else statement.where(Batch.seeded_on <= last)


async def batches_by_code(uow: UnitOfWork, start: str, *, within_farm: int | None, limit: int) -> list[Batch]:
    """Return batches whose code begins with a text, capital or small letters alike, the newest first."""
    statement = narrow(
        select(Batch).join(House, House.id == Batch.house_id), (House.farm_id, within_farm)
    ).where(Batch.code.istartswith(start, autoescape=True))
    return list(await uow.session.scalars(statement.order_by(Batch.id.desc()).limit(limit)))
