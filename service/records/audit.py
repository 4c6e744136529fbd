"""The audit trail: which rows a transaction touches, and whose farm they are of."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import msgspec
from sqlalchemy import event, select
from sqlalchemy.orm import Session as OrmSession
from sqlalchemy.orm import UOWTransaction, attributes

from service.records.listing import find, narrow, page
from service.records.store import UnitOfWork
from service.records.tables import (
    AuditRecord,
    Base,
    Batch,
    Crop,
    Delivery,
    Entry,
    Farm,
    House,
    IdempotencyKey,
    LoginThrottle,
    Order,
    PackedLot,
    PackedLotHarvest,
    SeedLot,
    Sensor,
    Session,
    Succession,
    Zone,
)

_MOST_THINGS = 50
# What is corrected in place: of these it is said what stood there before.
_CORRECTED = (Delivery, Farm, Order, PackedLot, SeedLot)
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
    changes: dict[str, dict[str, list[Any]]] = field(default_factory=dict)
    """Of records that are corrected in place: row, column, and what was said before and is said now."""
    packed: set[int] = field(default_factory=set)
    """Lots that the transaction makes."""

    def names(self) -> list[str]:
        """Return the rows as ``batch:12``, in the order in which they were first touched."""
        named: dict[str, None] = {}
        for row in self.rows:
            row_id = getattr(row, "id", None)
            if row_id is not None:
                named[f"{row.__tablename__}:{row_id}"] = None
        return list(named)[:_MOST_THINGS]

    def note(self, thing: str, column: str, before: Any, now: Any) -> None:
        """Note what a column of a row was changed from and to; of several changes the first and the last count."""
        said = self.changes.setdefault(thing, {})
        said[column] = [said[column][0] if column in said else _plain(before), _plain(now)]


def _plain(value: Any) -> Any:
    return msgspec.to_builtins(value)  # days and moments as texts, also within lists


def _note_changes(touched: Touched, session: OrmSession) -> None:
    touched.packed |= {row.id for row in session.new if isinstance(row, PackedLot)}
    for row in session.dirty:
        if isinstance(row, _CORRECTED):
            for column in row.__mapper__.column_attrs:
                before = attributes.get_history(row, column.key).deleted
                if before and column.key != "version":
                    touched.note(
                        f"{row.__tablename__}:{row.id}", column.key, before[0], getattr(row, column.key)
                    )
    gone = list(session.deleted)
    for row in (*session.dirty, *session.new, *gone):
        # What a lot was made from when it was packed is no correction.
        if isinstance(row, PackedLotHarvest) and row.packed_lot_id not in touched.packed:
            before = attributes.get_history(row, "heads").deleted
            was = row.heads if row in gone else before[0] if before else None
            now = None if row in gone else row.heads
            if was is not None or row in session.new:
                touched.note(f"packed_lot:{row.packed_lot_id}", f"harvest {row.entry_id}", was, now)


def watch(uow: UnitOfWork) -> Touched:
    """Note from now on which rows the transaction touches."""
    touched = Touched()

    def flushed(session: OrmSession, _context: UOWTransaction) -> None:
        touched.rows += [
            row for row in (*session.new, *session.dirty, *session.deleted) if not isinstance(row, _UNSAID)
        ]
        _note_changes(touched, session)

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
