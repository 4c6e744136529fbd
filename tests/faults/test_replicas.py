"""Replicas on one PostgreSQL: they share the houses, one that is killed is taken over, and nothing runs twice."""

from __future__ import annotations

import asyncio
import sys
from collections import Counter
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import func, select

from service.clock import FixedClock, SystemClock
from service.records import leases
from service.records.store import Store
from service.records.tables import Advice, Forecast, JobLease
from service.scheduler import running_scheduler, watching_seed
from service.work.access import SYSTEM
from service.work.batches import create_batch
from service.work.periodic import claimed, due_at
from service.work.reforecast import JOB, Overtaken, Reforecaster, Run
from tests.work.conftest import make_place

NOW = datetime(2026, 9, 14, 6, tzinfo=UTC)
HOUSES = 6
pytestmark = pytest.mark.postgresql


@pytest.fixture
async def houses(postgresql_store: Store) -> list[int]:
    """Have houses with a batch each; returns the batches."""
    batches = []
    for number in range(HOUSES):
        place = await make_place(postgresql_store, FixedClock(NOW), f"Farm {number}")
        async with postgresql_store.write() as uow:
            values = {
                "succession_id": place.succession.id,
                "seeded_on": date(2026, 9, 1),
                "code": f"B{number}",
            }
            batches.append((await create_batch(uow, FixedClock(NOW), SYSTEM, values)).batch.id)
    return batches


@asynccontextmanager
async def replica(url: str, seconds: float) -> AsyncIterator[asyncio.subprocess.Process]:
    """Run a replica; killed on leaving if it still runs."""
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "tests.faults.reforecast_process",
        url,
        NOW.isoformat(),
        str(seconds),
        stdout=asyncio.subprocess.PIPE,
    )
    try:
        yield process
    finally:
        with suppress(ProcessLookupError):
            process.kill()
        await process.wait()


async def concluded(process: asyncio.subprocess.Process) -> list[int]:
    """Return the houses that a replica concluded, until it says that it is done."""
    assert process.stdout is not None
    lines = [line.decode().strip() async for line in process.stdout]
    assert lines[-1:] == ["done"]
    return [int(line) for line in lines[:-1]]


async def test_a_replica_that_is_killed_is_taken_over_and_each_house_is_done_once(
    postgresql_store: Store, postgresql_url: str, houses: list[int]
) -> None:
    async with replica(postgresql_url, 60.0) as killed:
        assert killed.stdout is not None
        begun = int((await asyncio.wait_for(killed.stdout.readline(), 60.0)).decode())
        killed.kill()
        await killed.wait()
    async with replica(postgresql_url, 0.2) as one, replica(postgresql_url, 0.2) as other:
        did = await asyncio.wait_for(asyncio.gather(concluded(one), concluded(other)), 90.0)
    counts = Counter([*did[0], *did[1]])
    async with postgresql_store.read() as uow:
        rows = list(await uow.session.scalars(select(JobLease).where(JobLease.job == JOB)))
        forecasts = Counter(await uow.session.scalars(select(Forecast.batch_id)))
        advice = Counter(await uow.session.scalars(select(Advice.succession_id)))
    # On a machine that is so busy that a lease runs out a house may be computed twice; it is kept once.
    assert begun in counts
    assert len(counts) == HOUSES
    assert sum(counts.values()) <= HOUSES + 2
    assert forecasts == dict.fromkeys(houses, 1)
    assert set(advice.values()) == {1}
    assert all(row.done and row.due_at == NOW for row in rows)
    epochs = {row.subject_id: row.epoch for row in rows}
    assert epochs[begun] >= 2  # the killed one's claim, and the one that took over


async def test_a_replica_that_does_several_at_once_does_each_house_once(
    postgresql_store: Store, houses: list[int]
) -> None:
    at_once = 0
    most = 0

    async def compute(work: Callable[..., Any], *given: Any) -> Any:
        nonlocal at_once, most
        at_once += 1
        most = max(most, at_once)
        concluded = await asyncio.to_thread(work, *given)
        at_once -= 1
        return concluded

    reforecaster = Reforecaster(postgresql_store, FixedClock(NOW), 10, 30, compute, 3)
    runs = await reforecaster.all_houses(due_at=NOW)
    assert len(runs) == HOUSES
    assert all(run.changed for run in runs)
    assert most == min(3, HOUSES)
    async with postgresql_store.read() as uow:
        rows = list(await uow.session.scalars(select(JobLease).where(JobLease.job == JOB)))
        forecasts = Counter(await uow.session.scalars(select(Forecast.batch_id)))
    assert forecasts == dict.fromkeys(houses, 1)
    assert all(row.done and row.due_at == NOW for row in rows)


async def test_whoever_was_taken_over_keeps_nothing(
    postgresql_store: Store, houses: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    late = Reforecaster(postgresql_store, FixedClock(NOW), 10, 30)
    claims = await late._claim(NOW) if await _ensured(postgresql_store) else []
    async with postgresql_store.write() as uow:  # its lease runs out, and another takes over and is done
        await leases.renew(uow, JOB, late._holder, claims, -1.0)
        others = await leases.claim(uow, JOB, NOW, "other", 60.0, 100)
        assert await leases.finish(uow, JOB, "other", others)
    with pytest.raises(Overtaken):
        await late._conclude(claims[0].subject_id, "mark", claims[0])
    async with postgresql_store.read() as uow:
        assert await uow.session.scalar(select(func.count()).select_from(Forecast)) == 0


async def _ensured(store: Store) -> bool:
    async with store.write() as uow:
        await leases.ensure_houses(uow, JOB)
    return True


async def test_of_each_time_a_job_is_done_once(store: Store) -> None:
    times = Counter[datetime]()

    async def run(due: datetime) -> None:
        async with claimed(store, "a job", due) as ours:
            if ours:
                times[due] += 1
                await asyncio.sleep(0.05)

    for hours in range(3):
        due = due_at(NOW + timedelta(hours=hours, minutes=7), 60.0)
        assert due == NOW + timedelta(hours=hours)
        await asyncio.gather(*(run(due) for _ in range(4)))
        await run(due)
    assert times == {NOW + timedelta(hours=h): 1 for h in range(3)}


async def test_a_job_that_failed_is_done_by_the_next(store: Store) -> None:
    with pytest.raises(RuntimeError, match="no"):
        async with claimed(store, "a job", NOW):
            raise RuntimeError("no")
    await asyncio.sleep(0.01)
    async with claimed(store, "a job", NOW) as ours:
        assert ours


async def test_a_job_that_was_told_to_stop_is_done_by_the_next(store: Store) -> None:
    stop = asyncio.Event()
    async with claimed(store, "a job", NOW, stop=stop) as ours:
        assert ours
        stop.set()  # in the middle of its work
    async with claimed(store, "a job", NOW, stop=asyncio.Event()) as ours:
        assert ours
    async with claimed(store, "a job", NOW) as again:
        assert not again, "it is done"


async def test_a_lease_is_held_while_the_work_goes_on(store: Store) -> None:
    async with claimed(store, "a job", NOW, lease_s=0.6) as first:
        await asyncio.sleep(1.2)
        async with claimed(store, "a job", NOW, lease_s=0.6) as second:
            assert (first, second) == (True, False)


class Looks:
    """A watcher and a re-forecaster that only count."""

    def __init__(self) -> None:
        self.watched = 0

    async def all_houses(self, *_: object) -> tuple[int, int]:
        """Look at all houses."""
        self.watched += 1
        return 0, 0


class Nothing:
    """A re-forecaster of no houses."""

    async def all_houses(self, *_: object) -> list[Run]:
        """Re-forecast none."""
        return []


async def test_a_watch_that_a_killed_replica_left_is_taken_over_between_the_runs(
    postgresql_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.scheduler.LEASE_S", 0.3)
    clock = SystemClock()
    due = due_at(clock.now(), 60.0)
    async with postgresql_store.write() as uow:  # another claimed it for now, and is dead a second later
        await leases.ensure(uow, "watch", [0])
        assert await leases.claim(uow, "watch", due, "killed", 1.0, 1)
    looks = Looks()
    async with running_scheduler(postgresql_store, Nothing(), clock, 60.0, looks, 60.0):  # type: ignore[arg-type]
        await asyncio.sleep(0.5)
        assert looks.watched == 0  # it may still be at work
        async with asyncio.timeout(20.0):
            while not looks.watched:  # noqa: ASYNC110 - there is no event
                await asyncio.sleep(0.1)
        await asyncio.sleep(1.0)
    assert looks.watched <= 1 + (due_at(clock.now(), 60.0) - due) // timedelta(hours=1)


async def test_seed_is_looked_at_also_by_replicas_that_live_less_long_than_its_interval(
    postgresql_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.scheduler.LEASE_S", 0.2)
    looks = 0

    async def look(_store: Store, _clock: object) -> tuple[int, int]:
        nonlocal looks
        looks += 1
        return 0, 0

    monkeypatch.setattr("service.scheduler.watch_seed", look)
    begun = due_at(SystemClock().now(), 360.0)
    for _ in range(3):  # started again and again
        async with watching_seed(postgresql_store, SystemClock()):
            await asyncio.sleep(0.8)
    assert looks == 1 + (due_at(SystemClock().now(), 360.0) - begun) // timedelta(hours=6)
