"""A service whose part ends does not limp on."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from service.clock import SystemClock
from service.process import Service
from service.settings import Settings


def service() -> Service:
    """Return one that has no parts yet."""
    nothing: Any = None
    return Service(Settings(), nothing, SystemClock(), nothing, None, asyncio.Event())


async def fail() -> None:
    raise ArithmeticError("no such number")


async def cancel_itself() -> None:
    raise asyncio.CancelledError


async def end() -> None:
    return


@pytest.mark.parametrize(
    ("part", "said"), [(fail, "no such number"), (cancel_itself, "ended by itself"), (end, "ended by itself")]
)
async def test_a_part_that_ends_ends_the_service(part: Any, said: str) -> None:
    one = service()
    task = asyncio.create_task(part(), name="listening")
    one.watch(task, asyncio.Event())
    await asyncio.wait([task])
    await asyncio.wait_for(one.stop.wait(), 5.0)
    assert said in str(one.failures)


async def test_a_part_that_was_told_to_end_may() -> None:
    one, told = service(), asyncio.Event()
    told.set()
    for part in (end, cancel_itself):
        task = asyncio.create_task(part())
        one.watch(task, told)
        await asyncio.wait([task])
        await asyncio.sleep(0)
    assert not one.failures
    assert not one.stop.is_set()
