"""How long forecasts and advice are kept: all of them for some days, then the last of each day for ever.

A house whose sensors send is forecast again every hour, and what it said in each of them is soon of no interest. Kept
beside the last of a day is what a report asks for, see :func:`service.work.reports.moments_judged`: so what a report
says of a harvest or a transplant does not change when it is asked again later. What was thinned before the harvest was
known is judged by the forecast that ended the day before.
"""

from __future__ import annotations

import asyncio
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from service.records import batches as batch_records
from service.records import conclusions as records
from service.records.conclusions import Concluded
from service.records.store import Store
from service.records.tables import Advice, Forecast
from service.work.reports import moments_judged

WHOLE_DAYS = 14
"""Days of which every forecast and advice is kept."""
_AT_A_TIME = 20  # batches or successions
_DROPPED_AT_A_TIME = 500


@dataclass(frozen=True)
class Thinned:
    """What was dropped."""

    forecasts: int
    advice: int
    before: datetime
    """Everything made before is thinned now."""


async def thin_conclusions(
    store: Store, now: datetime, since: datetime | None = None, stop: asyncio.Event | None = None
) -> Thinned | None:
    """Drop of forecasts and advice older than :data:`WHOLE_DAYS` all but the last of each day in UTC.

    What is in force stays, as the last of its day. In small bites, each a transaction of its own.

    Parameters
    ----------
    store, now
        Where, and the time.
    since
        What was made before is thinned already; none: that is not known.
    stop
        Ends the work after the bite that is under way, and makes it return none.
    """
    before = (now - timedelta(days=WHOLE_DAYS)).astimezone(UTC)
    before = before.replace(hour=0, minute=0, second=0, microsecond=0)
    forecasts = await _thin(store, Forecast, since, before, stop)
    advice = await _thin(store, Advice, since, before, stop)
    return None if forecasts is None or advice is None else Thinned(forecasts, advice, before)


async def _thin(
    store: Store, table: Concluded, since: datetime | None, before: datetime, stop: asyncio.Event | None
) -> int | None:
    last = dropped = 0
    while True:
        async with store.read() as uow:
            found = await records.made_between(uow, table, since, before, after=last, limit=_AT_A_TIME)
            ledgers = await batch_records.entries_of(uow, found) if table is Forecast else {}
        if not found:
            return dropped
        last = max(found)
        doomed = [
            row_id
            for subject_id, made in found.items()
            for row_id in superfluous(made, moments_judged(ledgers.get(subject_id, ())))
        ]
        for begin in range(0, len(doomed), _DROPPED_AT_A_TIME):
            if stop is not None and stop.is_set():
                return None
            async with store.write() as uow:
                await records.drop(uow, table, doomed[begin : begin + _DROPPED_AT_A_TIME])
        dropped += len(doomed)


def superfluous(made: Sequence[tuple[datetime, int]], moments: Iterable[datetime] = ()) -> list[int]:
    """Return the ids of those made, in order of time, that neither were the last of their day nor held at a moment."""
    days = [at.astimezone(UTC).date() for at, _ in made]
    kept = {n for n, day in enumerate(days) if n + 1 == len(days) or days[n + 1] != day}
    kept.update(bisect_right(made, moment, key=lambda item: item[0]) - 1 for moment in moments)
    return [row_id for n, (_, row_id) in enumerate(made) if n not in kept]
