"""The months of the readings.

On PostgreSQL the readings of each calendar month (UTC) are a partition of their own: a forecast that looks
back some weeks opens two or three of them, and a month no longer wanted is dropped without a trace. What is
older or newer than the months there are lies in a default partition, so that nothing is ever refused, and is
moved out when its month is made. SQLite keeps one table; there is nothing to do.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, date, datetime

from sqlalchemy import text

from service.records.store import UnitOfWork

MONTHS_AHEAD = 3
"""Months made ready beyond the present one."""

_NAME = re.compile(r"reading_(default|\d{4}_\d{2})")


def is_partition(table: str) -> bool:
    """Tell whether a table is a part of the readings."""
    return _NAME.fullmatch(table) is not None


def month_of(moment: datetime) -> date:
    """Return the first day of a moment's month."""
    return moment.astimezone(UTC).date().replace(day=1)


def month_after(month: date, months: int = 1) -> date:
    """Return the first day of the month that comes so many months later."""
    years, index = divmod(month.month - 1 + months, 12)
    return date(month.year + years, index + 1, 1)


def months_between(first: datetime, last: datetime) -> list[date]:
    """Return the months from that of ``first`` to that of ``last``, both included."""
    begin, end = month_of(first), month_of(last)
    count = (end.year - begin.year) * 12 + end.month - begin.month + 1
    return [month_after(begin, n) for n in range(count)]


async def ensure_months(uow: UnitOfWork, first: datetime, last: datetime) -> list[date]:
    """Make the months from ``first`` to ``last`` that are missing; one look at the catalogue if none is.

    Call it in a transaction of its own: while it makes a month nobody else stores or reads readings.

    Returns
    -------
    list of date
        The first days of the months that were made.
    """
    return await _ensure(uow, months_between(first, last))


async def keep_months(uow: UnitOfWork, now: datetime) -> list[date]:
    """Make the present and the coming months, and the first of those of which the default partition holds readings.

    To be called now and then, each time again until it makes nothing: in a transaction of its own a month is
    moved quickly enough for others to wait. Returns the first days of the months that were made.
    """
    if uow.dialect != "postgresql":
        return []
    months = {month_after(month_of(now), n) for n in range(MONTHS_AHEAD + 1)}
    stray = await uow.session.scalar(text("SELECT min(at) FROM reading_default"))
    if stray is not None:
        months.add(month_of(stray))
    return await _ensure(uow, months)


async def _ensure(uow: UnitOfWork, months: Iterable[date]) -> list[date]:
    if uow.dialect != "postgresql":
        return []
    wanted = sorted(months)
    if not await _missing(uow, wanted):
        return []
    # Rather give up and try again later than have everybody queue behind us.
    await uow.session.execute(text("SET LOCAL lock_timeout = '2s'"))
    # Attaching locks the default partition. The readings as a whole are locked before, for a writer that is sent to
    # the default while it waits for us would be refused there.
    await uow.session.execute(text("LOCK TABLE ONLY reading IN ACCESS EXCLUSIVE MODE"))
    missing = await _missing(uow, wanted)  # another process may have been faster
    for month in missing:
        await _make(uow, month)
    return missing


async def _missing(uow: UnitOfWork, months: list[date]) -> list[date]:
    found = await uow.session.scalars(
        text(
            "SELECT relname FROM pg_inherits JOIN pg_class ON pg_class.oid = inhrelid"
            " WHERE inhparent = 'reading'::regclass"
        )
    )
    there = set(found)
    return [month for month in months if _name(month) not in there]


async def _make(uow: UnitOfWork, month: date) -> None:
    # Made apart and attached: PARTITION OF would refuse a month of which the default holds readings.
    name, begin, end = _name(month), month.isoformat(), month_after(month).isoformat()
    for statement in (
        f"CREATE TABLE {name} (LIKE reading INCLUDING ALL)",
        f"WITH moved AS (DELETE FROM reading_default WHERE at >= '{begin}Z' AND at < '{end}Z' RETURNING *)"  # noqa: S608
        f" INSERT INTO {name} SELECT * FROM moved",
        f"ALTER TABLE reading ATTACH PARTITION {name} FOR VALUES FROM ('{begin}Z') TO ('{end}Z')",
    ):
        await uow.session.execute(text(statement))


def _name(month: date) -> str:
    return f"reading_{month:%Y_%m}"
