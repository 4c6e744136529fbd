"""Free memory is given back while something runs."""

from __future__ import annotations

import asyncio

import pytest

from service import memory


async def test_memory_is_given_back_until_left(monkeypatch: pytest.MonkeyPatch) -> None:
    loop, times, thrice = asyncio.get_running_loop(), [], asyncio.Event()

    def give_back() -> None:
        times.append(1)
        if len(times) == 3:
            loop.call_soon_threadsafe(thrice.set)

    monkeypatch.setattr(memory, "give_back", give_back)
    async with memory.giving_back(0.01):
        await asyncio.wait_for(thrice.wait(), 10)
    done = len(times)
    await asyncio.sleep(0.05)
    assert len(times) <= done + 1  # one that had begun


def test_giving_back_does_no_harm() -> None:
    memory.give_back()


def test_a_c_library_that_cannot_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(memory.ctypes, "CDLL", lambda _: object())
    memory.give_back()
