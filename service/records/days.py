"""Zones' conditions by local day: sums of their hours, kept by day so that months of many zones are read at once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import NamedTuple, cast

from sqlalchemy import Table, bindparam, delete, select, text
from sqlalchemy.dialects.postgresql import ARRAY

from service.records.listing import among
from service.records.store import UnitOfWork
from service.records.tables import House, Zone, ZoneDay
from service.records.types import UtcDateTime

_day = cast(Table, ZoneDay.__table__)
_MOMENTS = ("begins", "ends")


class DaySums(NamedTuple):
    """What the hours of one zone that begin in one day amount to; what was not measured is None."""

    zone_id: int
    begins_at: datetime
    light_mol: float | None
    light_covered_h: float | None
    temp_sum: float | None
    """Mean temperature times hours covered."""
    temp_covered_h: float | None
    temp_min_c: float | None
    temp_max_c: float | None


async def time_zones(uow: UnitOfWork, zone_ids: Iterable[int]) -> dict[int, str]:
    """Return the IANA time zone of the house of each zone."""
    statement = (
        select(Zone.id, House.time_zone)
        .join(House, House.id == Zone.house_id)
        .where(among(uow, Zone.id, zone_ids))
    )
    return {int(zone_id): name for zone_id, name in (await uow.session.execute(statement)).all()}


_SUMS = (
    "sum(light_mol), sum(light_coverage), sum(temp_mean_c * temp_coverage), sum(temp_coverage),"
    " min(temp_min_c), max(temp_max_c)"
)
_CLAIM = (
    "INSERT INTO zone_day (zone_id, begins_at, ends_at) VALUES (:zone, :begins, :ends)"
    " ON CONFLICT (zone_id, begins_at, ends_at) DO UPDATE SET temp_sum = NULL"
)
_KEEP = (
    "UPDATE zone_day SET (light_mol, light_covered_h, temp_sum, temp_covered_h, temp_min_c, temp_max_c) ="  # noqa: S608
    f" (SELECT {_SUMS} FROM hour WHERE zone_id = :zone AND at >= :begins AND at < :ends)"
    " WHERE zone_id = :zone AND begins_at = :begins AND ends_at = :ends"
)


async def keep_days(uow: UnitOfWork, days: Iterable[tuple[int, datetime, datetime]]) -> None:
    """Sum up days ``(zone_id, begins_at, ends_at)`` again whose hours changed in this transaction.

    First each day's row is locked, then the hours are read: of two that change hours of one day the second reads
    what the first has written.
    """
    rows = [{"zone": zone_id, "begins": begins, "ends": ends} for zone_id, begins, ends in sorted(days)]
    if not rows:
        return
    for statement in (_CLAIM, _KEEP):
        typed = text(statement).bindparams(*(bindparam(name, type_=UtcDateTime()) for name in _MOMENTS))
        await uow.session.execute(typed, rows)


async def forget_days(uow: UnitOfWork, house_id: int) -> None:
    """Forget the days of a house, whose borders are no longer what they were."""
    zones = select(Zone.id).where(Zone.house_id == house_id)
    await uow.session.execute(delete(_day).where(_day.c.zone_id.in_(zones)))


async def kept_days(
    uow: UnitOfWork, zone_ids: Sequence[int], start: datetime, end: datetime
) -> dict[tuple[int, datetime, datetime], DaySums]:
    """Return the days of zones that are kept, by zone, beginning and end."""
    statement = select(_day).where(
        among(uow, _day.c.zone_id, zone_ids), _day.c.begins_at >= start, _day.c.begins_at < end
    )
    rows = (await uow.session.execute(statement)).all()
    return {(row[0], row[1], row[2]): DaySums(row[0], row[1], *row[3:]) for row in rows}


async def summed_days(
    uow: UnitOfWork, zone_ids: Sequence[int], begins: Sequence[datetime]
) -> Sequence[DaySums]:
    """Sum up the hours of zones by day; ``begins`` holds the days' beginnings and the end of the last."""
    if not zone_ids or len(begins) < 2:
        return []
    zones = ", ".join(f"({int(zone_id)})" for zone_id in zone_ids)
    if uow.dialect == "postgresql":
        statement = text(
            f"SELECT zone_id, width_bucket(at, :moments) AS n, {_SUMS} FROM hour"  # noqa: S608
            f" WHERE zone_id IN (VALUES {zones}) AND at >= :first AND at < :last GROUP BY 1, 2"
        ).bindparams(
            bindparam("moments", type_=ARRAY(UtcDateTime())),
            bindparam("first", type_=UtcDateTime()),
            bindparam("last", type_=UtcDateTime()),
        )
        given = {"moments": list(begins), "first": begins[0], "last": begins[-1]}
    else:
        days = ", ".join(f"({n + 1}, :at{n}, :at{n + 1})" for n in range(len(begins) - 1))
        statement = text(
            f"WITH zones (id) AS (VALUES {zones}), days (n, begins, ends) AS (VALUES {days})"  # noqa: S608
            # In this order each day is a short run along the key.
            f" SELECT zone_id, days.n, {_SUMS} FROM zones CROSS JOIN days CROSS JOIN hour"
            " ON zone_id = zones.id AND at >= days.begins AND at < days.ends GROUP BY zone_id, days.n"
        ).bindparams(*(bindparam(f"at{n}", type_=UtcDateTime()) for n in range(len(begins))))
        given = {f"at{n}": at for n, at in enumerate(begins)}
    rows = (await uow.session.execute(statement, given)).all()
    return [DaySums(row[0], begins[row[1] - 1], *row[2:]) for row in rows]
