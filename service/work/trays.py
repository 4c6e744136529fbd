"""The trays a batch stands in, and the seed it was sown with."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import date
from typing import Any

from service.records import batches as records
from service.records.store import UnitOfWork
from service.records.tables import Batch, BatchSeedLot, House, SeedLot, Succession, Tray
from service.work import fields
from service.work.errors import impossible
from service.work.fields import Field, each

MOST_TRAYS = 2000
MOST_LOTS = 50

TRAYS = each(
    "trays",
    {
        "number": Field(fields.whole(1, 100_000), required=True),
        "cells": Field(fields.whole(1), required=True),
    },
    most=MOST_TRAYS,
)
SEED_LOTS = each(
    "seed_lots",
    {
        "seed_lot_id": Field(fields.reference, required=True),
        "seeds": Field(fields.whole(1), nullable=True),
        "cells": Field(fields.whole(1), nullable=True),
    },
    most=MOST_LOTS,
)


def trays_for(cells: int, given: Mapping[str, Any]) -> list[Tray]:
    """Return the trays of a new batch: those given, or as many alike as its cells fill, or none."""
    return [Tray(batch_id=0, number=number, cells=n) for number, n in _numbered(cells, given).items()]


async def change_trays(
    uow: UnitOfWork, batch: Batch, given: Mapping[str, Any], named: Collection[int | None]
) -> None:
    """Say anew in which trays a batch stands; ``named`` are those that its ledger names."""
    there = (await records.trays_of(uow, [batch.id]))[batch.id]
    wanted = _numbered(batch.cells, given)
    for tray in there:
        if tray.id in named and tray.number not in wanted:
            raise impossible("trays", f"entries name tray {tray.number}, so it stays")
    await records.change_trays(uow, batch, there, wanted)


def _numbered(cells: int, given: Mapping[str, Any]) -> dict[int, int]:
    """Return cells by the number of the tray."""
    size = given.get("cells_per_tray")
    if "trays" in given:
        if size is not None:
            raise impossible("cells_per_tray", "say either this or the trays")
        return _given_trays(cells, given["trays"])
    if size is None:
        return {}
    if -(-cells // size) > MOST_TRAYS:
        raise impossible("cells_per_tray", f"{cells} cells would fill more than {MOST_TRAYS} trays")
    return {n + 1: min(size, cells - n * size) for n in range(-(-cells // size))}


def _given_trays(cells: int, trays: Sequence[Mapping[str, int]]) -> dict[int, int]:
    wanted: dict[int, int] = {}
    for at, tray in enumerate(trays):
        if tray["number"] in wanted:
            raise impossible(f"trays/{at}/number", f"tray {tray['number']} is there twice")
        wanted[tray["number"]] = tray["cells"]
    total = sum(wanted.values())
    if wanted and total != cells:
        raise impossible("trays", f"they hold {total} cells, and {cells} were seeded")
    return wanted


async def sown_with(
    uow: UnitOfWork,
    house: House,
    succession: Succession,
    batch: Batch,
    given: Sequence[Mapping[str, Any]],
) -> list[BatchSeedLot]:
    """Return the seed of a batch as rows that are not stored yet.

    Where ``seeds`` are not said, one went into each of ``cells``, or into every cell of the batch.

    Raises
    ------
    Impossible
        If a lot is not the farm's, not of a cultivar of the batch, not in store on the day, there twice, or sown into
        more cells than there are.
    """
    lots = await records.lots_by_id(uow, {item["seed_lot_id"] for item in given})
    rows: list[BatchSeedLot] = []
    for at, item in enumerate(given):
        where = f"seed_lots/{at}"
        lot_id, cells = item["seed_lot_id"], item.get("cells")
        lot, crop_id = lots.get(lot_id, (None, None))
        if lot is None or lot.farm_id != house.farm_id:
            raise impossible(f"{where}/seed_lot_id", f"there is no seed lot {lot_id} of this farm")
        problem = _lot_problem(lot, crop_id, succession, batch, batch.seeded_on)
        if problem:
            raise impossible(f"{where}/seed_lot_id", problem)
        if any(row.seed_lot_id == lot_id for row in rows):
            raise impossible(f"{where}/seed_lot_id", f"seed lot {lot_id} is there twice")
        if cells is not None and cells > batch.cells:
            raise impossible(f"{where}/cells", f"only {batch.cells} cells were seeded")
        seeds = item.get("seeds") or cells or batch.cells
        rows.append(BatchSeedLot(batch_id=batch.id or 0, seed_lot_id=lot_id, seeds=seeds, cells=cells))
    return rows


def _lot_problem(
    lot: SeedLot, crop_id: int | None, succession: Succession, batch: Batch, seeded_on: date
) -> str | None:
    """Say why a batch cannot have been sown with a lot; None: it can."""
    own = {batch.cultivar_id} if batch.cultivar_id is not None else {m.cultivar_id for m in batch.cultivars}
    if own and lot.cultivar_id not in own:
        said = ", ".join(str(cultivar_id) for cultivar_id in sorted(own))
        return f"seed lot {lot.id} is of cultivar {lot.cultivar_id}, and the batch of {said}"
    if crop_id != succession.crop_id:
        return f"seed lot {lot.id} is of another crop"
    if lot.received_on > seeded_on:
        return f"seed lot {lot.id} was received on {lot.received_on}, after the seeding on {seeded_on}"
    if lot.finished_on is not None and lot.finished_on < seeded_on:
        return f"seed lot {lot.id} was finished on {lot.finished_on}, before the seeding on {seeded_on}"
    return None
