"""Periodic work: how often, never twice at once, and a clean end."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from typing import Any

import pytest

from service.clock import Clock, FixedClock, SimulatedClock, SystemClock
from service.scheduler import (
    LONGEST_INTERVAL_S,
    SHORTEST_INTERVAL_S,
    interval_s,
    running_scheduler,
    watching_seed,
)
from service.work.reforecast import Run

START = datetime(2026, 8, 3, tzinfo=UTC)
NOTHING = [Run(1, changed=False)]


def fast(rate: float) -> SimulatedClock:
    """Return a clock that runs at this rate."""
    return SimulatedClock(START, rate, time.time())


class Reforecaster:
    """Does what it is given to do instead of a re-forecast, and keeps count."""

    def __init__(self, work: Callable[[], Awaitable[list[Run]]]) -> None:
        self.work = work
        self.begun = self.ended = self.at_once = 0
        self.times: list[float] = []

    async def all_houses(self, stop: asyncio.Event) -> list[Run]:
        """Do it, whether or not it is told to stop."""
        del stop
        self.times.append(time.monotonic())
        self.begun += 1
        self.at_once = max(self.at_once, self.begun - self.ended)
        try:
            return await self.work()
        finally:
            self.ended += 1


class Sqlite:
    """A store of which only the dialect is asked."""

    dialect = "sqlite"


def scheduler(reforecaster: Reforecaster, clock: Clock, minutes: float = 15.0) -> Any:
    """Return the scheduler's context."""
    return running_scheduler(Sqlite(), reforecaster, clock, minutes)  # type: ignore[arg-type]


async def until(true: Callable[[], bool], seconds: float = 10.0) -> None:
    """Wait until something holds."""
    async with asyncio.timeout(seconds):
        while not true():  # noqa: ASYNC110 - there is no event
            await asyncio.sleep(0.01)


@pytest.mark.parametrize(
    ("clock", "seconds"),
    [
        (SystemClock(), 900.0),
        (FixedClock(START), 900.0),
        (fast(0.0), 900.0),
        (fast(60.0), 15.0),
        (fast(1e6), SHORTEST_INTERVAL_S),
        (fast(1e-9), LONGEST_INTERVAL_S),
    ],
)
def test_the_interval_is_of_the_shared_clock(clock: Clock, seconds: float) -> None:
    assert interval_s(15.0, clock) == seconds


async def test_it_runs_at_once_and_then_by_the_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.scheduler.SHORTEST_INTERVAL_S", 0.1)

    async def work() -> list[Run]:
        return NOTHING

    reforecaster = Reforecaster(work)
    begun = time.monotonic()
    async with scheduler(reforecaster, fast(3600.0)):  # 15 minutes are a quarter of a second
        await until(lambda: reforecaster.begun == 1)
        assert time.monotonic() - begun < 0.24
        await until(lambda: reforecaster.begun == 4)
    apart = [b - a for a, b in zip(reforecaster.times, reforecaster.times[1:], strict=False)]
    assert sum(apart) == pytest.approx(0.75, abs=0.2)


async def test_runs_do_not_overlap(monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture) -> None:
    monkeypatch.setattr("service.scheduler.SHORTEST_INTERVAL_S", 0.05)
    go_on = asyncio.Event()

    async def work() -> list[Run]:
        await go_on.wait()
        return NOTHING

    reforecaster = Reforecaster(work)
    with caplog.at_level(logging.CRITICAL, "apscheduler"):  # it says that it leaves runs out
        async with scheduler(reforecaster, fast(1e6)):
            await until(lambda: reforecaster.begun == 1)
            await asyncio.sleep(0.3)
            assert (reforecaster.begun, reforecaster.ended) == (1, 0)
            go_on.set()
            await until(lambda: reforecaster.ended >= 3)
    assert reforecaster.at_once == 1


async def test_a_run_that_fails_is_logged_and_the_next_one_comes(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("service.scheduler.SHORTEST_INTERVAL_S", 0.05)

    async def work() -> list[Run]:
        if reforecaster.begun == 1:
            raise ConnectionError("the database is away")
        return [Run(1, True, forecasts=3, advice=1, alerts_opened=2), Run(2, changed=False)]

    reforecaster = Reforecaster(work)
    with caplog.at_level(logging.INFO):
        async with scheduler(reforecaster, fast(1e6)):
            await until(lambda: reforecaster.ended >= 2)
    assert "the database is away" in caplog.text
    assert "re-forecast 1 of 2 houses: 3 forecasts, 1 advices, 2 alerts opened, 0 closed" in caplog.text


async def test_leaving_waits_for_the_run_and_begins_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.scheduler.SHORTEST_INTERVAL_S", 0.05)
    steps: list[str] = []

    async def work() -> list[Run]:
        steps.append("begun")
        await asyncio.sleep(0.3)
        steps.append("ended")
        return NOTHING

    reforecaster = Reforecaster(work)
    async with scheduler(reforecaster, fast(1e6)):
        await until(lambda: reforecaster.begun == 1)
    assert steps == ["begun", "ended"]
    others = asyncio.all_tasks() - {asyncio.current_task()}
    await asyncio.sleep(0.2)
    assert steps == ["begun", "ended"]
    assert not [task for task in others if "reforecast" in repr(task)]


async def test_a_run_is_told_when_to_stop() -> None:
    told: list[bool] = []

    class Listening(Reforecaster):
        async def all_houses(self, stop: asyncio.Event) -> list[Run]:
            self.begun += 1
            await asyncio.wait_for(stop.wait(), 5.0)
            told.append(True)
            return []

    async def nothing() -> list[Run]:
        return []

    reforecaster = Listening(nothing)
    async with scheduler(reforecaster, SystemClock()):
        await until(lambda: reforecaster.begun == 1)
    assert told == [True]


async def test_leaving_at_once_is_fine() -> None:
    async def work() -> list[Run]:
        return NOTHING

    reforecaster = Reforecaster(work)
    async with scheduler(reforecaster, SystemClock()):
        pass
    assert reforecaster.begun == reforecaster.ended


async def test_the_seed_is_watched_again_and_again_even_after_a_failure(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("service.scheduler.SHORTEST_INTERVAL_S", 0.02)
    looks = 0

    async def look(store: Any, clock: Clock) -> tuple[int, int]:
        nonlocal looks
        looks += 1
        if looks == 1:
            raise OSError("no disk")
        return 1, 0

    monkeypatch.setattr("service.scheduler.watch_seed", look)
    with caplog.at_level(logging.INFO):
        async with watching_seed(Sqlite(), fast(1e6)):  # type: ignore[arg-type]
            await until(lambda: looks >= 3)
    assert "looking at the seed in store failed" in caplog.text
    assert "seed: 1 alerts opened, 0 closed" in caplog.text
    after = looks
    await asyncio.sleep(0.1)
    assert looks == after
