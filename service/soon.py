"""Forecasting houses again some seconds after something was recorded, instead of at the next periodic run.

Every transaction of this process that writes what forecasts are made from tells here where, once it is committed
(:meth:`service.records.store.Store.write`). A place is waited for until it is quiet, so that an import or a grower who
ticks off a list gives one run, and never longer than :data:`LONGEST_S`. Hours of sensors do not count here: they are
new once an hour, which is the periodic run's. Nor does what forecasting a house itself learns for the others of its
farm, and what bears on every house there is. What another process writes, such as an import on the command line, is
found by the periodic run as well.

Replicas do not share this work: a house is forecast again by the one that answered the request. Where another does the
same at that time, conclusions are kept one after the other, and only those that say something new.
"""

from __future__ import annotations

import asyncio
import logging
import math
from collections.abc import AsyncIterator, Awaitable, Callable, Collection
from contextlib import asynccontextmanager, suppress

from service.records.marks import Place
from service.records.places import houses_of
from service.records.store import Store
from service.work.errors import NotFound

log = logging.getLogger(__name__)

QUIET_S = 2.0
"""How long nothing more must come of a place before it is forecast again."""
LONGEST_S = 10.0
"""How long it is waited for at most, unless much is to be done."""
RESTS = 4.0
"""Times what a forecast took, until the next: with many houses on it the service must still answer."""


class Soon:
    """Places where something was recorded, and when their houses are to be forecast again."""

    def __init__(self, quiet_s: float, longest_s: float) -> None:
        self._quiet_s, self._longest_s = quiet_s, longest_s
        self._due: dict[Place, float] = {}
        self._latest: dict[Place, float] = {}
        self._news = asyncio.Event()
        self._stop = asyncio.Event()

    @property
    def stopping(self) -> bool:
        """Whether no more is to be done."""
        return self._stop.is_set()

    def hear(self, places: Collection[Place]) -> None:
        """Note that something was recorded at these places."""
        now = asyncio.get_running_loop().time()
        for place in places:
            latest = self._latest.setdefault(place, now + self._longest_s)
            self._due[place] = min(now + self._quiet_s, latest)
        self._news.set()

    def stop(self) -> None:
        """Have no more be done; the next start's first run does what was noted."""
        self._stop.set()
        self._news.set()

    async def rest(self, seconds: float) -> None:
        """Do nothing for so long, or until it is to end."""
        with suppress(TimeoutError):
            await asyncio.wait_for(self._stop.wait(), seconds)

    async def due(self) -> list[Place]:
        """Return the places that are due, when there are any; none: it is to end."""
        while not self.stopping:
            now = asyncio.get_running_loop().time()
            found = [place for place, at in self._due.items() if at <= now]
            for place in found:
                del self._due[place], self._latest[place]
            if found:
                return found
            self._news.clear()
            wait_s = min(self._due.values(), default=math.inf) - now
            with suppress(TimeoutError):
                await asyncio.wait_for(self._news.wait(), None if math.isinf(wait_s) else wait_s)
        return []


@asynccontextmanager
async def forecasting_soon(
    store: Store,
    forecast: Callable[[int], Awaitable[object]],
    quiet_s: float = QUIET_S,
    longest_s: float = LONGEST_S,
) -> AsyncIterator[None]:
    """Forecast a house again soon after something is recorded of it, until left; what has begun is ended then."""
    soon = Soon(quiet_s, longest_s)

    async def work() -> None:
        while places := await soon.due():
            try:
                house_ids = await _houses(store, places)
            except Exception:
                log.exception(
                    "what was recorded is left to the periodic run", extra={"action": "reforecast_failed"}
                )
                continue
            for house_id in house_ids:
                begun = asyncio.get_running_loop().time()
                if not soon.stopping:
                    await _guarded(forecast, house_id)
                await soon.rest(RESTS * (asyncio.get_running_loop().time() - begun))

    working = asyncio.create_task(work(), name="forecasting soon")
    store.hearers.append(soon.hear)
    try:
        yield
    finally:
        store.hearers.remove(soon.hear)
        soon.stop()
        await working


async def _houses(store: Store, places: Collection[Place]) -> list[int]:
    """Return the houses of places; those of farms are looked up."""
    found = {row_id for scope, row_id in places if scope == "house"}
    farms = [row_id for scope, row_id in places if scope == "farm"]
    if farms:
        async with store.read() as uow:
            for farm_id in farms:
                found |= {house.id for house in await houses_of(uow, farm_id)}
    return sorted(found)


async def _guarded(forecast: Callable[[int], Awaitable[object]], house_id: int) -> None:
    try:
        await forecast(house_id)
    except NotFound:
        log.info("house %s is gone", house_id)
    except Exception:
        log.exception("re-forecast of house %s failed", house_id, extra={"action": "reforecast_failed"})
