"""What changed, for those who follow: read from the log of changes, farm by farm, from any position that is kept."""

from __future__ import annotations

from dataclasses import dataclass

from service.records import changes as records
from service.records.store import UnitOfWork
from service.records.tables import Change
from service.work.access import Access

AT_ONCE = 500


@dataclass(frozen=True)
class Position:
    """Where to read on from."""

    after: int
    complete: bool
    """Whether nothing is missing between what was asked for and this."""


async def position(uow: UnitOfWork, last_id: int | None) -> Position:
    """Return where someone goes on who has seen changes up to an id; none: who begins now."""
    oldest, newest = await records.span_of_changes(uow)
    if last_id is None:
        return Position(newest, complete=True)
    if last_id > newest or (oldest and last_id < oldest - 1):
        return Position(newest, complete=False)
    return Position(last_id, complete=True)


async def changes_after(uow: UnitOfWork, access: Access, after: int) -> list[Change]:
    """Return the next changes that an asker may know of, at most 500."""
    return await records.changes_after(uow, access.farm_id, after, AT_ONCE)
