"""Periodic work by the shared clock: re-forecasts, watching houses, and daily what is made ahead or forgotten."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from datetime import UTC, datetime

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.interval import IntervalTrigger

from service.clock import Clock
from service.records.partitions import keep_months
from service.records.store import Store
from service.work import idempotency, sessions
from service.work.reforecast import Reforecaster
from service.work.seed_alerts import watch_seed
from service.work.watch import Watcher

log = logging.getLogger(__name__)

DAY_MINUTES = 1440.0
SEED_MINUTES = 360.0  # between two looks at the seed in store
SHORTEST_INTERVAL_S = 5.0  # real seconds between runs, however fast a simulated clock goes
LONGEST_INTERVAL_S = 86400.0  # and however slow


def interval_s(minutes: float, clock: Clock) -> float:
    """Return the real seconds between runs that lie some minutes apart on the clock."""
    rate = clock.rate if clock.rate > 0 else 1.0
    return min(max(SHORTEST_INTERVAL_S, minutes * 60.0 / rate), LONGEST_INTERVAL_S)


@asynccontextmanager
async def running_scheduler(
    store: Store,
    reforecaster: Reforecaster,
    clock: Clock,
    minutes: float,
    watcher: Watcher | None = None,
    watch_minutes: float = 5.0,
) -> AsyncIterator[None]:
    """Re-forecast all houses now and then every ``minutes`` of the clock, until left; daily, prepare months.

    With a watcher, look at all houses every ``watch_minutes`` as well.
    """
    at_work = asyncio.Lock()
    stopping = asyncio.Event()

    async def reforecast() -> None:
        async with at_work:
            runs = await reforecaster.all_houses(stopping)
            changed = [r for r in runs if r.changed]
            if changed:
                log.info(
                    "re-forecast %d of %d houses: %d forecasts, %d advices, %d alerts opened, %d closed",
                    len(changed),
                    len(runs),
                    sum(r.forecasts for r in changed),
                    sum(r.advice for r in changed),
                    sum(r.alerts_opened for r in changed),
                    sum(r.alerts_closed for r in changed),
                    extra={"action": "reforecast"},
                )

    async def watch() -> None:
        assert watcher is not None  # noqa: S101 - only scheduled if there is one
        async with at_work:
            opened, closed = await watcher.all_houses(stopping)
            if opened or closed:
                log.info(
                    "watched houses: %d alerts opened, %d closed", opened, closed, extra={"action": "watch"}
                )

    async def prepare_months() -> None:
        made = True
        while made and not stopping.is_set():
            async with at_work, store.write() as uow:
                months = await keep_months(uow, clock.now())
            made = bool(months)
            if made:
                log.info("made months of readings: %s", ", ".join(f"{month:%Y-%m}" for month in months))

    async def forget_old() -> None:
        async with at_work, store.write() as uow:
            await sessions.forget_old(uow, clock.now())
            await idempotency.forget_old(uow, clock.now())

    scheduler = AsyncIOScheduler(
        timezone=UTC, job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": 300}
    )
    jobs = [(reforecast, minutes), (forget_old, DAY_MINUTES)]
    if watcher is not None:
        jobs.append((watch, watch_minutes))
    if store.dialect == "postgresql":  # only there the readings lie by month
        jobs.append((prepare_months, DAY_MINUTES))
    for job, every in jobs:
        scheduler.add_job(
            job, IntervalTrigger(seconds=interval_s(every, clock), timezone=UTC), id=job.__name__
        )
    scheduler.start()
    for job, _ in jobs:
        # The scheduler keeps the machine's time, whatever the shared clock says.
        scheduler.modify_job(job.__name__, next_run_time=datetime.now(UTC))
    try:
        yield
    finally:
        stopping.set()
        scheduler.pause()  # no new run
        async with at_work:  # shutdown would cancel a run in the middle
            scheduler.shutdown(wait=False)
        await asyncio.sleep(0)  # it takes place in the loop's next round


@asynccontextmanager
async def watching_seed(store: Store, clock: Clock, minutes: float = SEED_MINUTES) -> AsyncIterator[None]:
    """Look at the seed in store every ``minutes`` of the clock, the first time after that long, until left."""
    stopping = asyncio.Event()

    async def watch() -> None:
        while not stopping.is_set():
            with suppress(TimeoutError):
                await asyncio.wait_for(stopping.wait(), interval_s(minutes, clock))
                return
            try:
                opened, closed = await watch_seed(store, clock)
            except Exception:
                log.exception(
                    "looking at the seed in store failed; it is tried again", extra={"action": "seed"}
                )
                continue
            if opened or closed:
                log.info("seed: %d alerts opened, %d closed", opened, closed, extra={"action": "seed"})

    watching = asyncio.create_task(watch(), name="watching the seed")
    try:
        yield
    finally:
        stopping.set()
        await watching
