"""The log of changes: every transaction that changes certain rows also notes which, as it commits.

Ids of the log rise in the order in which transactions commit, so that whoever has read up to one id misses nothing by
going on after it: the note is written last, and on PostgreSQL under a lock that is held until the commit.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from sqlalchemy import delete, event, func, insert, select, text
from sqlalchemy.orm import Session, UOWTransaction

from service.records import tables
from service.records.among import is_among
from service.records.tables import Batch, Change, House, Succession

if TYPE_CHECKING:
    from service.records.store import UnitOfWork

KEPT = 50_000
"""How many changes are kept at least."""

# What is noted under which name. Readings and their hours are not: they come by the thousand, and are read in spans.
KINDS: dict[type[Any], str] = {
    tables.Advice: "advice",
    tables.Alert: "alert",
    tables.Batch: "batch",
    tables.Crop: "crop",
    tables.Entry: "entry",
    tables.Forecast: "forecast",
    tables.House: "house",
    tables.HouseEvent: "event",
    tables.HouseLogEntry: "log_entry",
    tables.Order: "order",
    tables.PackedLot: "packed_lot",
    tables.SeedLot: "seed_lot",
    tables.Sensor: "sensor",
    tables.Succession: "succession",
    tables.Task: "task",
    tables.Zone: "zone",
}
_PENDING = "evenleaf.changes"
_LOCK = text("SELECT pg_advisory_xact_lock(hashtext('evenleaf.change'))")


class NotingSession(Session):
    """A session that notes what it changes."""


@event.listens_for(NotingSession, "after_flush")
def _collect(session: Session, _flush: UOWTransaction) -> None:
    changed: dict[tuple[str, int], tuple[str, Any]] = session.info.setdefault(_PENDING, {})
    for row in session.new:
        if kind := KINDS.get(type(row)):
            changed[kind, row.id] = ("made", row)
    for row in session.dirty:
        if (kind := KINDS.get(type(row))) and session.is_modified(row):
            changed.setdefault((kind, row.id), ("changed", row))


@event.listens_for(NotingSession, "before_commit")
def _note(session: Session) -> None:
    if session.in_nested_transaction():
        return
    session.flush()
    pending: dict[tuple[str, int], tuple[str, Any]] = session.info.pop(_PENDING, {})
    if not pending:
        return
    with session.no_autoflush:
        rows = _rows(session, pending)
        if rows:
            if session.get_bind().dialect.name == "postgresql":
                session.execute(_LOCK)
            session.execute(insert(Change), rows)


def _rows(session: Session, pending: dict[tuple[str, int], tuple[str, Any]]) -> list[dict[str, Any]]:
    batch_ids = {row.batch_id for _, row in pending.values() if _batch_of(row)}
    batch_house = _pairs(session, Batch.id, Batch.house_id, batch_ids)
    of = {row.succession_id for _, row in pending.values() if isinstance(row, tables.Advice)}
    succession_house = _pairs(session, Succession.id, Succession.house_id, of)
    noted: list[dict[str, Any]] = []
    for (kind, row_id), (what, row) in pending.items():
        batch_id = row.batch_id if _batch_of(row) else row_id if kind == "batch" else None
        house_id: int | None
        if isinstance(row, House):
            house_id = row_id
        elif isinstance(row, tables.Advice):
            house_id = succession_house.get(row.succession_id)
        else:
            house_id = getattr(row, "house_id", None) or batch_house.get(batch_id)
        noted.append(
            {
                "kind": kind,
                "row_id": row_id,
                "what": what,
                "house_id": house_id,
                "batch_id": batch_id,
                "farm_id": getattr(row, "farm_id", None),
            }
        )
    house_ids = {n["house_id"] for n in noted if n["farm_id"] is None and n["house_id"] is not None}
    farms = _pairs(session, House.id, House.farm_id, house_ids)
    for note in noted:
        note["farm_id"] = note["farm_id"] or farms.get(note["house_id"])
    return [note for note in noted if note["farm_id"] is not None]


def _batch_of(row: Any) -> bool:
    return getattr(row, "batch_id", None) is not None


def _pairs(session: Session, key: Any, value: Any, ids: Iterable[int]) -> dict[int | None, int]:
    wanted = list(ids)
    if not wanted:
        return {}
    those = is_among(session.get_bind().dialect.name, key, wanted)
    return {int(k): int(v) for k, v in session.execute(select(key, value).where(those)).all()}


# --------------------------------------------------------------------------- reading


async def changes_after(uow: UnitOfWork, farm_id: int | None, after: int, limit: int) -> list[Change]:
    """Return changes of a farm, or of all, with ids above ``after``, in order."""
    statement = select(Change).where(Change.id > after).order_by(Change.id).limit(limit)
    if farm_id is not None:
        statement = statement.where(Change.farm_id == farm_id)
    return list(await uow.session.scalars(statement))


async def span_of_changes(uow: UnitOfWork) -> tuple[int, int]:
    """Return the ids of the oldest change that is kept and of the newest; 0 and 0: there are none."""
    row = (await uow.session.execute(select(func.min(Change.id), func.max(Change.id)))).one()
    return int(row[0] or 0), int(row[1] or 0)


async def drop_old_changes(uow: UnitOfWork) -> None:
    """Drop all but the newest changes."""
    _, newest = await span_of_changes(uow)
    await uow.session.execute(delete(Change).where(Change.id <= newest - KEPT))
