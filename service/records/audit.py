"""The audit trail: which rows a transaction touches, and whose farm they are of."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import event, select
from sqlalchemy.orm import Session as OrmSession
from sqlalchemy.orm import UOWTransaction

from service.records.listing import find, narrow, page
from service.records.store import UnitOfWork
from service.records.tables import (
    AuditRecord,
    Base,
    Batch,
    Crop,
    Entry,
    Farm,
    House,
    IdempotencyKey,
    LoginThrottle,
    PackedLot,
    SeedLot,
    Sensor,
    Session,
    Succession,
    Zone,
)

_MOST_THINGS = 50
_UNSAID = (AuditRecord, IdempotencyKey, LoginThrottle, Session)
# Along which column one gets nearer to the farm.
_UP: tuple[tuple[str, type[Base]], ...] = (
    ("house_id", House),
    ("zone_id", Zone),
    ("batch_id", Batch),
    ("succession_id", Succession),
    ("crop_id", Crop),
    ("seed_lot_id", SeedLot),
    ("packed_lot_id", PackedLot),
    ("sensor_id", Sensor),
    ("entry_id", Entry),
)


@dataclass
class Touched:
    """The rows that a transaction made, changed or deleted one by one; bulk changes are not among them."""

    rows: list[Base] = field(default_factory=list)

    def names(self) -> list[str]:
        """Return the rows as ``batch:12``, in the order in which they were first touched."""
        named: dict[str, None] = {}
        for row in self.rows:
            row_id = getattr(row, "id", None)
            if row_id is not None:
                named[f"{row.__tablename__}:{row_id}"] = None
        return list(named)[:_MOST_THINGS]


def watch(uow: UnitOfWork) -> Touched:
    """Note from now on which rows the transaction touches."""
    touched = Touched()

    def flushed(session: OrmSession, _context: UOWTransaction) -> None:
        touched.rows += [
            row for row in (*session.new, *session.dirty, *session.deleted) if not isinstance(row, _UNSAID)
        ]

    event.listen(uow.session.sync_session, "after_flush", flushed)
    return touched


async def farm_of(uow: UnitOfWork, row: Any) -> int | None:
    """Return the farm that a row, or what names rows by the same columns, is of; None: of none or of several."""
    if isinstance(row, Farm):
        return row.id
    while (farm_id := getattr(row, "farm_id", None)) is None:
        for column, table in _UP:
            if (above := getattr(row, column, None)) is not None:
                row = await find(uow, table, above)
                break
        else:
            return None
    return int(farm_id)


async def page_audit(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    access: str | None,
    since: datetime | None,
    until: datetime | None,
    after: int | None,
    limit: int,
) -> tuple[list[AuditRecord], int | None]:
    """Return a page of the audit trail, newest first."""
    statement = narrow(select(AuditRecord), (AuditRecord.farm_id, within_farm), (AuditRecord.access, access))
    if since is not None:
        statement = statement.where(AuditRecord.at >= since)
    if until is not None:
        statement = statement.where(AuditRecord.at < until)
    return await page(uow, statement, AuditRecord.id, after, limit, newest_first=True)
