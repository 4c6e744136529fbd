"""Periodic work: re-forecasts every so many minutes of the shared clock, and on demand."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.interval import IntervalTrigger

from service.clock import Clock
from service.work.reforecast import Reforecaster

log = logging.getLogger(__name__)

SHORTEST_INTERVAL_S = 2.0  # real seconds between runs, however fast a simulated clock goes


def interval_s(minutes: float, clock: Clock) -> float:
    """Return the real seconds between runs that lie some minutes apart on the clock."""
    rate = clock.rate if clock.rate > 0 else 1.0
    return max(SHORTEST_INTERVAL_S, minutes * 60.0 / rate)


@asynccontextmanager
async def running_scheduler(reforecaster: Reforecaster, clock: Clock, minutes: float) -> AsyncIterator[None]:
    """Re-forecast all houses now and then every ``minutes`` of the clock, until left."""
    idle = asyncio.Event()
    idle.set()

    async def reforecast() -> None:
        idle.clear()
        try:
            runs = await reforecaster.all_houses()
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
        finally:
            idle.set()

    scheduler = AsyncIOScheduler(
        timezone=UTC, job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": 300}
    )
    scheduler.add_job(
        reforecast, IntervalTrigger(seconds=interval_s(minutes, clock), timezone=UTC), id="reforecast"
    )
    scheduler.start()
    # The scheduler keeps the machine's time, whatever the shared clock says.
    scheduler.modify_job("reforecast", next_run_time=datetime.now(UTC))
    try:
        yield
    finally:
        scheduler.pause()  # no new run
        await idle.wait()  # shutdown would cancel a run in the middle
        scheduler.shutdown(wait=False)
