"""Finding a batch by what stands on its label."""

from __future__ import annotations

from service.records import batches as records
from service.records.store import UnitOfWork
from service.records.tables import Batch
from service.work.access import Access

MOST_FOUND = 20


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
