"""Finding things by what stands on their label or paper."""

from __future__ import annotations

from dataclasses import dataclass

from service.records import batches as records
from service.records import packing, seed_stock
from service.records.store import UnitOfWork
from service.records.tables import Batch
from service.work.access import Access

MOST_FOUND = 20


@dataclass(frozen=True)
class Found:
    """A thing that a trace can begin at."""

    kind: str
    """``batch``, ``packedLot``, ``seedLot`` or ``order``, as :func:`service.work.trace.trace` takes it."""
    id: int
    name: str
    """Its code, number, or buyer."""


async def find_batches(uow: UnitOfWork, access: Access, typed: str) -> list[Batch]:
    """Return the batches whose code is, or else begins with, what was typed; the newest first, at most 20.

    Capital and small letters are the same, and spaces around it do not matter.
    """
    typed = typed.strip()
    if not typed or len(typed) > 60 or not typed.isprintable():
        return []
    found = await records.batches_by_code(uow, typed, within_farm=access.farm_id, limit=MOST_FOUND)
    exact = [batch for batch in found if batch.code.casefold() == typed.casefold()]
    return exact or found


async def find_beginnings(uow: UnitOfWork, access: Access, typed: str) -> list[Found]:
    """Return what a trace can begin at: batches, packed lots, seed lots and orders whose name begins so.

    What is called exactly as typed leaves out what only begins so.
    """
    typed = typed.strip()
    if not typed or len(typed) > 60 or not typed.isprintable():
        return []
    farm = access.farm_id
    lots = await packing.lots_by_code(uow, typed, within_farm=farm, limit=MOST_FOUND)
    batches = await records.batches_by_code(uow, typed, within_farm=farm, limit=MOST_FOUND)
    seed = await seed_stock.lots_by_number(uow, typed, within_farm=farm, limit=MOST_FOUND)
    orders = await packing.orders_by_buyer(uow, typed, within_farm=farm, limit=MOST_FOUND)
    found = [
        *(Found("packedLot", lot.id, lot.code) for lot in lots),
        *(Found("batch", batch.id, batch.code) for batch in batches),
        *(Found("seedLot", lot.id, lot.lot_number) for lot in seed),
        *(Found("order", order.id, order.buyer) for order in orders),
    ]
    exact = [thing for thing in found if thing.name.casefold() == typed.casefold()]
    return exact or found
