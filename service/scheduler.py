"""Periodic work by the shared clock: re-forecasts, watching houses, and what is made ahead or forgotten."""

from __future__ import annotations

import asyncio
import logging
import time
from collections import defaultdict
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from datetime import UTC, date, datetime, timedelta

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.interval import IntervalTrigger

from service.clock import Clock, SystemClock
from service.records.partitions import InUse, keep_months, move_strays
from service.records.store import Store
from service.settings import Settings
from service.work import idempotency, sessions
from service.work.dead_letters import trim_dead_letters
from service.work.periodic import claimed, due_at
from service.work.reforecast import LEASE_S, Reforecaster, Run
from service.work.retention import drop_readings, trim_lags
from service.work.seed_alerts import watch_seed
from service.work.sensor_health import watch_sensors
from service.work.thinning import thin_conclusions
from service.work.watch import Watcher

log = logging.getLogger(__name__)

DAY_MINUTES = 1440.0
MONTHS_MINUTES = 60.0  # between two looks at the months of readings: a dump may be in the way for long
SEED_MINUTES = 360.0  # between two looks at the seed in store
SENSOR_MINUTES = 60.0  # between two looks at the sensors
THIN_MINUTES = 60.0  # between two looks whether another day of forecasts can be thinned
SHORTEST_INTERVAL_S = 5.0  # real seconds between runs, however fast a simulated clock goes
LONGEST_INTERVAL_S = 86400.0  # and however slow


def interval_s(minutes: float, clock: Clock) -> float:
    """Return the real seconds between runs that lie some minutes apart on the clock."""
    rate = clock.rate if clock.rate > 0 else 1.0
    return min(max(SHORTEST_INTERVAL_S, minutes * 60.0 / rate), LONGEST_INTERVAL_S)


def _is_shared(store: Store, clock: Clock) -> bool:
    """Whether several processes may do the work; on a clock that stands still no time is ever due again."""
    return store.dialect == "postgresql" and clock.rate > 0


def _log_runs(runs: Sequence[Run]) -> None:
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


async def _make_months(store: Store, clock: Clock, stopping: asyncio.Event) -> None:
    made: list[date] = []
    try:
        while not stopping.is_set():
            async with store.write() as uow:
                months = await keep_months(uow, clock.now())
            made += months
            if not months:
                made += await move_strays(store, stopping)
                break
    except InUse as error:
        log.info("months of readings are made later: %s", error)
    if made:
        log.info("made months of readings: %s", ", ".join(f"{month:%Y-%m}" for month in sorted(made)))


@asynccontextmanager
async def running_scheduler(
    store: Store,
    reforecaster: Reforecaster,
    clock: Clock,
    minutes: float,
    watcher: Watcher | None = None,
    watch_minutes: float = 5.0,
    told: Callable[[Sequence[Run], float, datetime], None] | None = None,
) -> AsyncIterator[None]:
    """Re-forecast all houses now and then every ``minutes`` of the clock, until left; hourly, prepare months.

    With a watcher, look at all houses every ``watch_minutes`` as well. On PostgreSQL several processes may do so: they
    share the houses between them, and of each time each house and each other job is done once. What a process that was
    killed had begun is taken over when its lease has run out. ``told`` hears of each run over the houses, how many
    seconds it took, and when it ended.
    """
    # One each, so that a long run over all houses does not keep the watch from looking.
    at_work: dict[str, asyncio.Lock] = defaultdict(asyncio.Lock)
    stopping = asyncio.Event()
    shared = _is_shared(store, clock)

    @asynccontextmanager
    async def in_turn(job: str, every: float) -> AsyncIterator[bool]:
        async with at_work[job]:
            if not shared:
                yield True
                return
            async with claimed(store, job, due_at(clock.now(), every), stop=stopping) as ours:
                yield ours

    async def reforecast() -> None:
        async with at_work["reforecast"]:
            begun = time.monotonic()
            if shared:
                runs = await reforecaster.all_houses(stopping, due_at(clock.now(), minutes))
            else:
                runs = await reforecaster.all_houses(stopping)
            if told is not None:
                told(runs, time.monotonic() - begun, clock.now())
            _log_runs(runs)

    async def watch() -> None:
        assert watcher is not None  # noqa: S101 - only scheduled if there is one
        async with in_turn("watch", watch_minutes) as ours:
            opened, closed = await watcher.all_houses(stopping) if ours else (0, 0)
            if opened or closed:
                log.info(
                    "watched houses: %d alerts opened, %d closed", opened, closed, extra={"action": "watch"}
                )

    async def prepare_months() -> None:
        async with in_turn("prepare_months", MONTHS_MINUTES) as ours:
            if ours:
                await _make_months(store, clock, stopping)

    async def forget_old() -> None:
        async with in_turn("forget_old", DAY_MINUTES) as ours:
            if ours:
                async with store.write() as uow:
                    await sessions.forget_old(uow, clock.now(), SystemClock().now())
                    await idempotency.forget_old(uow, clock.now())

    scheduler = AsyncIOScheduler(
        timezone=UTC, job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": 300}
    )
    jobs = [(reforecast, minutes), (forget_old, DAY_MINUTES)]
    if watcher is not None:
        jobs.append((watch, watch_minutes))
    if store.dialect == "postgresql":  # only there the readings lie by month
        jobs.append((prepare_months, MONTHS_MINUTES))
    for job, every in jobs:
        scheduler.add_job(
            job, IntervalTrigger(seconds=interval_s(every, clock), timezone=UTC), id=job.__name__
        )
    if shared:
        # Between the runs, what a process that was killed left unfinished.
        async def take_over(job: Callable[[], Awaitable[None]]) -> None:
            if not at_work[job.__name__].locked():
                await job()

        for job, _ in jobs:
            scheduler.add_job(
                take_over,
                IntervalTrigger(seconds=LEASE_S, timezone=UTC),
                args=[job],
                id=f"take over {job.__name__}",
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
        for lock in list(at_work.values()):  # shutdown would cancel a run in the middle
            await lock.acquire()
        scheduler.shutdown(wait=False)
        await asyncio.sleep(0)  # it takes place in the loop's next round


@asynccontextmanager
async def watching_seed(store: Store, clock: Clock, minutes: float = SEED_MINUTES) -> AsyncIterator[None]:
    """Look at the seed in store every ``minutes`` of the clock, the first time after that long, until left."""

    async def look() -> None:
        opened, closed = await watch_seed(store, clock)
        if opened or closed:
            log.info("seed: %d alerts opened, %d closed", opened, closed, extra={"action": "seed"})

    async with _now_and_then(store, "looking at the seed in store", "seed", look, clock, minutes):
        yield


@asynccontextmanager
async def watching_sensors(
    store: Store, clock: Clock, settings: Settings, minutes: float = SENSOR_MINUTES
) -> AsyncIterator[None]:
    """Look at the sensors, bound dead letters and lags, every ``minutes`` of the clock; daily drop old readings."""
    dropped_at: datetime | None = None

    async def look() -> None:
        nonlocal dropped_at
        opened, closed = await watch_sensors(store, clock)
        if opened or closed:
            log.info("sensors: %d alerts opened, %d closed", opened, closed, extra={"action": "sensors"})
        now = clock.now()
        letters = await trim_dead_letters(store, now, settings.dead_letter_days, settings.dead_letters)
        if letters:
            log.info("dropped %d dead letters", letters, extra={"action": "retention"})
        await trim_lags(store, now)
        if settings.reading_days and (dropped_at is None or now - dropped_at >= timedelta(days=1)):
            try:
                readings = await drop_readings(store, now, settings.reading_days)
            except InUse as error:  # at once again, it would only be in the way
                log.info("old readings are dropped later: %s", error, extra={"action": "retention"})
                return
            dropped_at = now
            if readings:
                log.info("dropped %d old readings", readings, extra={"action": "retention"})

    async with _now_and_then(store, "looking at the sensors", "sensors", look, clock, minutes):
        yield


@asynccontextmanager
async def thinning(store: Store, clock: Clock, minutes: float = THIN_MINUTES) -> AsyncIterator[None]:
    """Thin the forecasts and advice of days that are old enough every ``minutes`` of the clock, until left."""
    thinned_to: datetime | None = None
    stopping = asyncio.Event()

    async def thin() -> None:
        nonlocal thinned_to
        thinned = await thin_conclusions(store, clock.now(), thinned_to, stopping)
        if thinned is None:
            return
        thinned_to = thinned.before
        if thinned.forecasts or thinned.advice:
            log.info(
                "dropped %d old forecasts and %d old advices",
                thinned.forecasts,
                thinned.advice,
                extra={"action": "retention"},
            )

    async with _now_and_then(store, "thinning old forecasts", "thinning", thin, clock, minutes):
        try:
            yield
        finally:
            stopping.set()


@asynccontextmanager
async def _now_and_then(
    store: Store, what: str, action: str, job: Callable[[], Awaitable[None]], clock: Clock, minutes: float
) -> AsyncIterator[None]:
    """Do a job every ``minutes`` of the clock, the first time after that long, until left; try again if it fails.

    Replicas on one PostgreSQL do it once between them, also where none of them lives that long.
    """
    stopping = asyncio.Event()
    shared = _is_shared(store, clock)
    pause_s = min(interval_s(minutes, clock), LEASE_S) if shared else interval_s(minutes, clock)

    async def work() -> None:
        while not stopping.is_set():
            with suppress(TimeoutError):
                await asyncio.wait_for(stopping.wait(), pause_s)
                return
            try:
                if shared:
                    async with claimed(store, action, due_at(clock.now(), minutes)) as ours:
                        if ours:
                            await job()
                else:
                    await job()
            except Exception:
                log.exception("%s failed; it is tried again", what, extra={"action": action})

    working = asyncio.create_task(work(), name=what)
    try:
        yield
    finally:
        stopping.set()
        await working
