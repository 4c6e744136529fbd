"""The audit trail: who changed what, when, by which operation. Kept for good; nothing here changes it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from types import SimpleNamespace

from service.clock import Clock
from service.records import audit as records
from service.records.audit import Touched, watch
from service.records.store import UnitOfWork
from service.records.tables import AuditRecord
from service.work.access import Access
from service.work.listing import DEFAULT_LIMIT, check_page

__all__ = ["Done", "Touched", "list_audit", "record", "watch"]


@dataclass(frozen=True)
class Done:
    """A request that changed something."""

    operation: str
    method: str
    path: str
    ids: Mapping[str, object]
    """The ids in the path, by their column's name."""
    status: int


async def record(
    uow: UnitOfWork, clock: Clock, access: Access | None, done: Done, touched: Touched | None
) -> None:
    """Write down what was done, in the transaction that did it."""
    await uow.flush()
    rows = list(touched.rows) if touched else []
    things = touched.names() if touched else []
    farms = {await records.farm_of(uow, row) for row in [SimpleNamespace(**done.ids), *rows]} - {None}
    uow.session.add(
        AuditRecord(
            at=clock.now(),
            access=access.identity if access else "",
            name=access.name if access else "",
            operation=done.operation,
            method=done.method,
            path=done.path[:1000],
            status=done.status,
            things=things,
            farm_id=farms.pop() if len(farms) == 1 else None,
            changes=(touched.changes or None) if touched else None,
        )
    )


async def list_audit(
    uow: UnitOfWork,
    access: Access,
    *,
    by: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[AuditRecord], int | None]:
    """Return what was changed, newest first: of the asker's farm, or of all."""
    check_page(after, limit)
    return await records.page_audit(
        uow, within_farm=access.farm_id, access=by, since=since, until=until, after=after, limit=limit
    )
