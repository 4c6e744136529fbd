"""How long readings are kept: hours for ever, the readings behind them for so many days.

Readings that are dropped leave, for each sensor and hour, their mean, extremes and number, so that also what makes no
hours of a zone (pH, conductivity, outdoors) has a past. What hours of zones say stays as it was computed; see
:func:`service.work.conditions.settle_hours` for readings that come late.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from service.records import retention as records
from service.records import sensors as sensor_records
from service.records.store import Store
from service.work.conditions import settle_hours

SHORTEST_DAYS = 90.0
"""Readings are needed that long: light outdoors of two months says what a house lets through."""
_SETTLE_LIMIT = 2000
_MOST_WAITS = 50
_LAGS = timedelta(days=14)
_LAGS_AT_ONCE = 5000


async def drop_readings(store: Store, now: datetime, days: float) -> int:
    """Drop the readings older than so many days, in small transactions; return how many went.

    On PostgreSQL whole months are dropped, so that some stay up to a month longer; on SQLite whole days. Hours that
    wait to be computed from them are computed first.

    Parameters
    ----------
    store, now
        Where, and the time.
    days
        How old a reading may be; at least :data:`SHORTEST_DAYS`.

    Raises
    ------
    ValueError
        If that is too short.
    InUse
        If somebody is at the readings for long; what went until then is gone.
    """
    if days < SHORTEST_DAYS:
        raise ValueError(f"readings must be kept {SHORTEST_DAYS:g} days at least, not {days:g}")
    dropped = waits = 0
    while waits < _MOST_WAITS:
        async with store.write() as uow:
            bite = await records.drop_some(uow, now - timedelta(days=days))
        if bite is None:  # hours wait to be computed from what would go
            waits += 1
            async with store.write() as uow:
                await settle_hours(uow, _SETTLE_LIMIT)
            continue
        dropped += bite.readings
        if bite.done:
            break
    return dropped


async def trim_lags(store: Store, now: datetime) -> int:
    """Forget how far behind messages came long ago, in small transactions; return how many hours of sensors went."""
    dropped = 0
    while True:
        async with store.write() as uow:
            bite = await sensor_records.drop_lags(uow, now - _LAGS, _LAGS_AT_ONCE)
        dropped += bite
        if bite < _LAGS_AT_ONCE:
            return dropped
