"""Free memory is given back while something runs."""

from __future__ import annotations

import asyncio

import pytest

from service import memory


async def test_memory_is_given_back_until_left(monkeypatch: pytest.MonkeyPatch) -> None:
    times: list[int] = []
    monkeypatch.setattr(memory, "give_back", lambda: times.append(1))
    async with memory.giving_back(0.01):
        async with asyncio.timeout(10):
            while len(times) < 3:
                await asyncio.sleep(0.01)
    done = len(times)
    await asyncio.sleep(0.05)
    assert len(times) <= done + 1  # one that had begun


def test_giving_back_does_no_harm() -> None:
    memory.give_back()


def test_a_c_library_that_cannot_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(memory.ctypes, "CDLL", lambda _: object())
    memory.give_back()
