"""The months of the readings.

On PostgreSQL the readings of each calendar month (UTC) are a partition of their own: a forecast that looks
back some weeks opens two or three of them, and a month no longer wanted is dropped without a trace. What is
older or newer than the months there are lies in a default partition, so that nothing is ever refused. A few such
readings are moved when their month is made; many are copied aside while others store and read, and take their places
in an instant. SQLite keeps one table; there is nothing to do.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from service.records.store import Store, UnitOfWork

MONTHS_AHEAD = 3
"""Months made ready beyond the present one."""

FEW = 10_000
"""Readings that are moved to their month while everybody waits: a tenth of a second."""

LOCK_TIMEOUT_MS = 2000
"""How long who keeps everybody from readings waits for them: as long as he waits, who comes after him waits too."""

_NAME = re.compile(r"reading_(default|late|moving|moving_default|(dropping_)?\d{4}_\d{2})")
_LOCK_NOT_AVAILABLE = "55P03"  # PostgreSQL manual, appendix A
_COPIED_AT_ONCE = 50_000


class InUse(Exception):  # noqa: N818 - read as an answer
    """Somebody reads or writes readings for longer than others can be kept waiting; try again much later."""


def is_partition(table: str) -> bool:
    """Tell whether a table is a part of the readings, or is about to be or was one."""
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


async def lock_readings(uow: UnitOfWork, table: str = "reading", mode: str = "ACCESS EXCLUSIVE") -> None:
    """Keep others from the readings, or from a part of them, until this transaction ends.

    Raises
    ------
    InUse
        If somebody is at them for long, a dump for example: rather give up than have everybody queue behind us.
    """
    await uow.session.execute(text(f"SET LOCAL lock_timeout = {LOCK_TIMEOUT_MS}"))
    try:
        await uow.session.execute(text(f"LOCK TABLE ONLY {table} IN {mode} MODE"))
    except DBAPIError as error:
        if getattr(error.orig, "sqlstate", None) != _LOCK_NOT_AVAILABLE:
            raise
        raise InUse("readings are in use") from error


async def ensure_months(uow: UnitOfWork, first: datetime, last: datetime) -> list[date]:
    """Make the months from ``first`` to ``last`` that are missing; one look at the catalogue if none is.

    Call it in a transaction of its own: while it makes a month nobody else stores or reads readings. A month of which
    many readings lie in the default partition is left to :func:`move_strays`.

    Returns
    -------
    list of date
        The first days of the months that were made.

    Raises
    ------
    InUse
        If somebody is at the readings for long.
    """
    return await _ensure(uow, months_between(first, last))


async def prepare_months(store: Store, months: Iterable[date]) -> None:
    """Make the months that are missing before many readings of them are stored, each in a short transaction.

    Where that is not possible now, they go to the default partition and are moved later.
    """
    if store.dialect != "postgresql":
        return
    async with store.read() as uow:
        missing = await _missing(uow, sorted(set(months)))
    for month in missing:
        try:
            async with store.write() as uow:
                await _ensure(uow, [month])
        except InUse:
            return


async def keep_months(uow: UnitOfWork, now: datetime) -> list[date]:
    """Make the present and the coming months, and the first of those of which the default partition holds readings.

    To be called now and then, each time again until it makes nothing: in a transaction of its own a month is
    moved quickly enough for others to wait. Returns the first days of the months that were made. What is left in the
    default partition then, is for :func:`move_strays`.

    Raises
    ------
    InUse
        If somebody is at the readings for long.
    """
    if uow.dialect != "postgresql":
        return []
    months = {month_after(month_of(now), n) for n in range(MONTHS_AHEAD + 1)}
    stray = await glance(uow, "SELECT min(at) FROM reading_default")
    if stray is not None:
        months.add(month_of(stray))
    return await _ensure(uow, months)


async def glance(uow: UnitOfWork, query: str) -> Any:
    """Return a value of the default partition, and give back its lock.

    Who still held it while he waits for the readings as a whole would wait for another who has these and wants it.
    """
    async with uow.session.begin_nested() as savepoint:
        found = await uow.session.scalar(text(query))
        await savepoint.rollback()
    return found


async def _ensure(uow: UnitOfWork, months: Iterable[date]) -> list[date]:
    if uow.dialect != "postgresql":
        return []
    wanted = await _without_many(uow, await _missing(uow, sorted(months)))
    if not wanted:
        return []
    # Attaching locks the default partition. The readings as a whole are locked before, for a writer that is sent to
    # the default while it waits for us would be refused there.
    await lock_readings(uow)
    missing = await _missing(uow, wanted)  # another process may have been faster
    for month in missing:
        await _make(uow, month)
    return missing


async def _missing(uow: UnitOfWork, months: list[date]) -> list[date]:
    found = await uow.session.scalars(
        text(
            "SELECT relname FROM pg_inherits JOIN pg_class ON pg_class.oid = inhrelid"
            " WHERE inhparent IN (to_regclass('reading'), to_regclass('reading_moving'))"
        )
    )
    there = set(found)
    return [month for month in months if _name(month) not in there]


async def _without_many(uow: UnitOfWork, months: list[date]) -> list[date]:
    """Leave out the months of which so many readings lie in the default partition that to move them takes long."""
    few = []
    for month in months:
        begin, end = _bounds(month)
        count = await glance(
            uow,
            "SELECT count(*) FROM (SELECT FROM reading_default"  # noqa: S608
            f" WHERE at >= '{begin}' AND at < '{end}' LIMIT {FEW + 1}) AS found",
        )
        if int(count or 0) <= FEW:
            few.append(month)
    return few


async def _make(uow: UnitOfWork, month: date) -> None:
    # Made apart and attached: PARTITION OF would refuse a month of which the default holds readings.
    name, (begin, end) = _name(month), _bounds(month)
    for statement in (
        f"CREATE TABLE {name} (LIKE reading INCLUDING ALL)",
        f"WITH moved AS (DELETE FROM reading_default WHERE at >= '{begin}' AND at < '{end}' RETURNING *)"  # noqa: S608
        f" INSERT INTO {name} SELECT * FROM moved",
        f"ALTER TABLE reading ATTACH PARTITION {name} FOR VALUES FROM ('{begin}') TO ('{end}')",
    ):
        await uow.session.execute(text(statement))


# --------------------------------------------------------------------------- many strays


async def move_strays(store: Store, stopping: asyncio.Event | None = None) -> list[date]:
    """Move all that lies in the default partition to months of its own; return their first days.

    It is copied in bites, each in a transaction of its own, to months beside the readings. A trigger notes what is
    stored in the default partition meanwhile, and that is copied again. At last, and only then everybody waits, the
    months and a new default partition take the place of the old one: an instant, however much was moved. What was
    broken off is done anew the next time.

    Raises
    ------
    InUse
        If somebody is at the readings for long, or another process moves them.
    """
    if store.dialect != "postgresql":
        return []
    async with store.read() as uow:
        months = [month_of(at) for at in await uow.session.scalars(text(_MONTHS_OF_STRAYS))]
        broken_off = await _attempt(uow)
    if months:
        async with store.write() as uow:
            await _in_turn(uow)
            await lock_readings(uow)  # no writer is under way of whom the trigger would not hear
            await _clear(uow)
            months = await _missing(
                uow, months
            )  # one may have been made, and its strays moved, before our turn
            await _set_out(uow, months)
            ours = await _attempt(uow)
        if await _copy_all(store, ours, stopping):
            async with store.write() as uow:
                await _in_turn(uow, ours)
                await lock_readings(uow)
                await _copy_late(uow, None)
                await _take_places(uow, months)
            return months
    if months or broken_off:
        async with store.write() as uow:
            await _in_turn(uow)
            await lock_readings(uow)
            await _clear(uow)
    return []


_MONTHS_OF_STRAYS = "SELECT DISTINCT date_trunc('month', at) AS month FROM reading_default ORDER BY month"
_COPY = """
    WITH bite AS (
        SELECT * FROM reading_default WHERE {after} ORDER BY sensor_id, at LIMIT :limit
    ), copied AS (
        INSERT INTO reading_moving SELECT * FROM bite
    )
    SELECT sensor_id, at FROM bite ORDER BY sensor_id DESC, at DESC LIMIT 1
"""
_AFTER = "(sensor_id, at) > (CAST(:sensor_id AS bigint), CAST(:at AS timestamptz))"
_TAKE_LATE = """
    DELETE FROM reading_late WHERE ctid = ANY (ARRAY(SELECT ctid FROM reading_late LIMIT $1))
    RETURNING sensor_id, at
"""
_GIVEN = "(SELECT DISTINCT * FROM unnest($1::bigint[], $2::timestamptz[]) AS given (sensor_id, at)) AS given"
_FORGET_LATE = f"""
    DELETE FROM reading_moving AS moved USING {_GIVEN}
    WHERE moved.sensor_id = given.sensor_id AND moved.at = given.at
"""  # noqa: S608
_COPY_AGAIN = f"""
    INSERT INTO reading_moving
    SELECT stray.* FROM reading_default AS stray JOIN {_GIVEN}
    ON stray.sensor_id = given.sensor_id AND stray.at = given.at
"""  # noqa: S608


async def _attempt(uow: UnitOfWork) -> int | None:
    """Return what tells the move that is under way from others; None: there is none."""
    # Not to_regclass: while it waited for its turn this session may not have heard yet that another made a new table.
    found: int | None = await uow.session.scalar(
        text(
            "SELECT oid FROM pg_class WHERE relname = 'reading_moving'"
            " AND relnamespace = CAST(current_schema() AS regnamespace)"
        )
    )
    return found


async def _in_turn(uow: UnitOfWork, ours: int | None = None) -> None:
    """Keep other processes from moving strays until this transaction ends; refuse if one took ``ours`` over."""
    await uow.session.execute(text("SELECT pg_advisory_xact_lock(hashtext('reading_moving'))"))
    if ours is not None and await _attempt(uow) != ours:
        raise InUse("another process moves readings")


async def _set_out(uow: UnitOfWork, months: Iterable[date]) -> None:
    """Make what is copied to, and the trigger."""
    for statement in (
        "CREATE TABLE reading_moving (LIKE reading INCLUDING ALL) PARTITION BY RANGE (at)",
        "CREATE TABLE reading_moving_default PARTITION OF reading_moving DEFAULT",
        "CREATE TABLE reading_late (sensor_id bigint NOT NULL, at timestamptz NOT NULL)",
        """
        CREATE FUNCTION note_late_reading() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN
          IF TG_OP = 'DELETE' THEN
            INSERT INTO reading_late VALUES (OLD.sensor_id, OLD.at);
          ELSE
            INSERT INTO reading_late VALUES (NEW.sensor_id, NEW.at);
          END IF;
          RETURN NULL;
        END $$
        """,
        "CREATE TRIGGER note_late_reading AFTER INSERT OR UPDATE OR DELETE ON reading_default"
        " FOR EACH ROW EXECUTE FUNCTION note_late_reading()",
    ):
        await uow.session.execute(text(statement))
    for month in months:
        begin, end = _bounds(month)
        await uow.session.execute(
            text(
                # The constraint spares a look at every reading when the month is attached.
                f"CREATE TABLE {_name(month)} PARTITION OF reading_moving"
                f" (CONSTRAINT in_month CHECK (at >= '{begin}' AND at < '{end}'))"
                f" FOR VALUES FROM ('{begin}') TO ('{end}')"
            )
        )


async def _copy_all(store: Store, ours: int | None, stopping: asyncio.Event | None) -> bool:
    """Copy until little is left that was stored meanwhile; False: we are to stop."""
    last: tuple[int, datetime] | None = None
    copied = False
    while stopping is None or not stopping.is_set():
        async with store.write() as uow:
            await _in_turn(uow, ours)
            if not copied:
                last = await _copy_bite(uow, last)
                copied = last is None
            elif await _copy_late(uow, _COPIED_AT_ONCE) <= FEW:
                return True
    return False


async def _copy_bite(uow: UnitOfWork, last: tuple[int, datetime] | None) -> tuple[int, datetime] | None:
    """Copy the readings that come after a sensor and time; return the last of them, None: there are no more."""
    given = {} if last is None else {"sensor_id": last[0], "at": last[1]}
    statement = _COPY.format(after="true" if last is None else _AFTER)
    rows = await uow.session.execute(text(statement), {**given, "limit": _COPIED_AT_ONCE})
    found = rows.one_or_none()
    return None if found is None else (found[0], found[1])


async def _copy_late(uow: UnitOfWork, limit: int | None) -> int:
    """Copy again what was stored or removed since it was copied; return how many readings that were."""
    connection = await uow.connection()
    rows: Sequence[Any] = (await connection.exec_driver_sql(_TAKE_LATE, (limit,))).all()
    if rows:
        given = tuple(map(list, zip(*rows, strict=True)))
        await connection.exec_driver_sql(_FORGET_LATE, given)
        await connection.exec_driver_sql(_COPY_AGAIN, given)
    return len(rows)


async def _take_places(uow: UnitOfWork, months: Iterable[date]) -> None:
    statements = ["ALTER TABLE reading DETACH PARTITION reading_default", "DROP TABLE reading_default"]
    for month in months:
        name, (begin, end) = _name(month), _bounds(month)
        statements += [
            f"ALTER TABLE reading_moving DETACH PARTITION {name}",
            f"ALTER TABLE reading ATTACH PARTITION {name} FOR VALUES FROM ('{begin}') TO ('{end}')",
            f"ALTER TABLE {name} DROP CONSTRAINT in_month",
        ]
    statements += [
        # After the months: what it holds would be looked through for readings of each.
        "CREATE TABLE reading_default PARTITION OF reading DEFAULT",
        "INSERT INTO reading_default SELECT * FROM reading_moving_default",
    ]
    for statement in statements:
        await uow.session.execute(text(statement))
    await _clear(uow)


async def _clear(uow: UnitOfWork) -> None:
    for statement in (
        "DROP FUNCTION IF EXISTS note_late_reading() CASCADE",  # and the trigger
        "DROP TABLE IF EXISTS reading_moving, reading_late",
    ):
        await uow.session.execute(text(statement))


def _bounds(month: date) -> tuple[str, str]:
    return f"{month.isoformat()}Z", f"{month_after(month).isoformat()}Z"


def _name(month: date) -> str:
    return f"reading_{month:%Y_%m}"
