"""Memory that is free and not given back.

The C library keeps freed memory for later, and where pieces of many sizes come and go it keeps more by the hour: a
process that takes in readings for weeks seems to grow.
"""

from __future__ import annotations

import asyncio
import ctypes
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

EVERY_S = 60.0


def give_back() -> None:
    """Have the C library give free memory back to the system, where it is one that can (glibc)."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)


@asynccontextmanager
async def giving_back(every_s: float = EVERY_S) -> AsyncIterator[None]:
    """Give free memory back again and again until left."""

    async def work() -> None:
        while True:
            await asyncio.sleep(every_s)
            await asyncio.to_thread(give_back)

    working = asyncio.create_task(work(), name="giving memory back")
    try:
        yield
    finally:
        working.cancel()
