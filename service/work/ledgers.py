"""What the ledgers of many batches say, worked out once as long as nothing is added to them."""

from __future__ import annotations

from collections.abc import Collection

from service.records import batches as records
from service.records.store import UnitOfWork
from service.work.ledger import LedgerState, derive


async def states_of(uow: UnitOfWork, batch_ids: Collection[int]) -> dict[int, LedgerState]:
    """Return what the ledger of each batch says.

    Raises
    ------
    Impossible
        If the facts of one contradict each other.
    """
    ends = await records.ledger_ends(uow, batch_ids)
    found: dict[int, LedgerState] = {}
    unknown = []
    for batch_id in batch_ids:
        state = uow.remembered.get(("ledger", batch_id), ends.get(batch_id))
        if state is None:
            unknown.append(batch_id)
        else:
            found[batch_id] = state
    if unknown:
        for batch_id, entries in (await records.entries_of(uow, unknown)).items():
            found[batch_id] = derive(entries)
            # Of what was read: another entry may have been added since the ends were.
            end = (len(entries), entries[-1].id)
            uow.remembered.keep(("ledger", batch_id), end, found[batch_id])
    return found
