"""What the tests of packing, trace and reports make in the records."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Entry
from service.work import batches
from service.work.access import Access
from tests.work.conftest import Place

CREW = Access("crew", frozenset({"write"}), None)


def at(day: int, hour: int = 12, month: int = 9) -> datetime:
    """Return a moment of 2026."""
    return datetime(2026, month, day, hour, tzinfo=UTC)


async def seed(store: Store, clock: FixedClock, place: Place, **more: Any) -> batches.BatchView:
    """Seed 200 cells on 1 August 2026 unless told otherwise."""
    values = {"succession_id": place.succession.id, "seeded_at": at(1, month=8), **more}
    async with store.write() as uow:
        return await batches.create_batch(uow, clock, CREW, values)


async def write_down(store: Store, clock: FixedClock, batch_id: int, kind: str, **more: Any) -> Entry:
    """Append an entry to a batch's ledger."""
    async with store.write() as uow:
        entry, _ = await batches.append_entry(uow, clock, CREW, batch_id, {"kind": kind, **more})
    return entry


async def harvested(store: Store, clock: FixedClock, place: Place, heads: int = 100) -> Entry:
    """Seed a batch, transplant 180 plants and harvest heads on 10 September 2026."""
    view = await seed(store, clock, place)
    await write_down(store, clock, view.batch.id, "transplanted", plants=180, happened_at=at(15, month=8))
    return await write_down(
        store, clock, view.batch.id, "harvested", plants=heads, weight_g=150.0, happened_at=at(10)
    )
