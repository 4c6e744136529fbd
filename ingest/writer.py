"""Takes messages in batches, stores each batch in one transaction, and acknowledges it after the commit.

While the database is away the batch in hand is tried again and the rest waits, bounded, with the listener and
then with the broker. Hours that were touched are computed shortly after, in a transaction of their own.
"""

from __future__ import annotations

import asyncio
import logging
import random
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import timedelta
from typing import Protocol

from ingest.batch import BatchDecoder
from ingest.forecasts import house_of, take_forecast
from ingest.reader import Delivery
from service.clock import Clock
from service.records.store import Store, UnitOfWork
from service.settings import Settings
from service.work.conditions import (
    Arrival,
    Decoded,
    Directory,
    Fault,
    Limits,
    Refused,
    Stored,
    keep_lags,
    load_directory,
    settle_hours,
    store_arrivals,
    store_decoded,
)

_log = logging.getLogger(__name__)

_BATCH = 2000
_AT_A_TIME = 500  # decoded before the database's answers are looked at
_MANY = 200  # acknowledgements that are worth a thread
_PACE_S, _LOW_LATENCY_PACE_S = 0.022, 0.003
_SETTLE_LIMIT = 1000
_SETTLE_PAUSE_S, _SETTLE_LONGEST_PAUSE_S = 0.5, 10.0
_SETTLE_PAUSE_TIMES = 150  # as long as it took, at most the longest: few messages wait for hours
_SETTLE_AT_LEAST_EVERY_S = 30.0
_BUSY = 1000  # messages waiting, with which hours are left for later: they would be computed again and again
_TRANSACTION_S = 60.0
_DRAIN_S = 5.0
_LONGEST_PAUSE_S = 5.0
_SAY_AGAIN_S = 30.0


class Source(Protocol):
    """Where messages come from."""

    @property
    def waiting(self) -> int:
        """How many messages wait to be taken."""
        ...

    async def take(self, most: int, pace_s: float = 0.0) -> list[Delivery]:
        """Return waiting messages in order; empty once it was told to wait no longer and nothing is left."""
        ...

    def ack(self, batch: Sequence[Delivery]) -> None:
        """Acknowledge messages in order of receipt."""
        ...

    def wake(self) -> None:
        """Wait no longer."""
        ...


@dataclass
class Counts:
    """What was done since the start."""

    messages: int = 0
    readings: int = 0
    good: int = 0
    dead_letters: int = 0
    hours: int = 0


class Writer:
    """Stores what a source delivers."""

    def __init__(
        self, store: Store, clock: Clock, settings: Settings, source: Source, stop: asyncio.Event
    ) -> None:
        self.counts = Counts()
        self.lag_s = 0.0
        """From arrival to commit, of the oldest message in the last batch."""
        self._store = store
        self._clock = clock
        self._source = source
        self._stop = stop
        self._limits = Limits(
            max_lead=timedelta(seconds=settings.max_reading_lead_s),
            max_age=timedelta(days=settings.max_reading_age_days),
        )
        self._decoder = BatchDecoder(Directory())
        self._pace_s = _LOW_LATENCY_PACE_S if settings.ingest_low_latency else _PACE_S
        self._touched = asyncio.Event()
        self._finished = False

    async def run(self) -> None:
        """Store and settle until told to stop; what waits by then is still stored, if that is possible."""
        waking = asyncio.create_task(self._wake_on_stop())
        settling = asyncio.create_task(self._settle_until_finished())
        try:
            await self._store_until_stop()
        finally:
            waking.cancel()
            self._finished = True
            self._touched.set()
            await settling

    async def _wake_on_stop(self) -> None:
        await self._stop.wait()
        self._source.wake()

    # ------------------------------------------------------------------ readings

    async def _store_until_stop(self) -> None:
        stopped_at: float | None = None
        ahead = asyncio.create_task(self._next())
        try:
            while True:
                batch, decoded = await ahead
                if not batch:
                    return
                ahead = asyncio.create_task(self._next())  # is decoded while the database is at work
                if self._stop.is_set():
                    stopped_at = stopped_at or time.monotonic()
                    if time.monotonic() - stopped_at > _DRAIN_S:
                        return  # they keep coming: the rest stays with the broker
                stored = await self._store_batch(batch, decoded)
                if stored is None:
                    return  # stopped while the database was away: not acknowledged, so the broker keeps it
                if len(batch) > _MANY:
                    await asyncio.to_thread(self._source.ack, batch)
                else:
                    self._source.ack(batch)
                self.lag_s = self._seconds_since(batch[0])
                self.counts.messages += len(batch)
                self.counts.readings += stored.readings
                self.counts.good += stored.good
                self.counts.dead_letters += stored.dead_letters
                if stored.touched:
                    self._touched.set()
        finally:
            ahead.cancel()
            with suppress(asyncio.CancelledError):
                await ahead

    def _seconds_since(self, delivery: Delivery) -> float:
        """Return the real seconds since a message came."""
        on_clock = self._clock.now().timestamp() - delivery.received_us / 1e6
        return max(0.0, on_clock / max(1.0, self._clock.rate))

    async def _next(self) -> tuple[Sequence[Delivery], Decoded]:
        """Take the next batch and decode it for the sensors as they are known."""
        batch = await self._source.take(_BATCH, self._pace_s)
        return batch, await self._decode(batch)

    async def _decode(self, batch: Sequence[Delivery]) -> Decoded:
        for decoded in self._decoder.decode(batch, _AT_A_TIME):
            if decoded is not None:
                return decoded
            await asyncio.sleep(0)
        raise AssertionError("the decoder ended without a result")

    async def _store_batch(self, batch: Sequence[Delivery], decoded: Decoded | None = None) -> Stored | None:
        """Store a batch, trying again while the database is away; None if told to stop before it is back."""
        patience = _Patience("Readings cannot be stored")
        while True:
            try:
                return await self._attempt(batch, decoded)
            except Refused as refused:
                return await self._store_one_by_one(batch, refused)
            except Exception as error:  # noqa: BLE001 - see _Patience
                if await patience.wait(error, self._stop):
                    return None

    async def _attempt(self, batch: Sequence[Delivery], decoded: Decoded | None) -> Stored:
        async with asyncio.timeout(_TRANSACTION_S):
            while True:
                async with self._store.write() as uow:
                    directory = await load_directory(uow, self._decoder.directory)
                    if directory is not self._decoder.directory:
                        self._decoder = BatchDecoder(directory)
                    if decoded is not None and decoded.directory is directory:
                        await self._take_forecasts(uow, batch, decoded)
                        return await store_decoded(uow, decoded, self._limits)
                # Sensors were added or changed since: read the batch for them as they are now.
                decoded = await self._decode(batch)

    async def _take_forecasts(self, uow: UnitOfWork, batch: Sequence[Delivery], decoded: Decoded) -> None:
        """Store weather forecasts among the messages; what is wrong with one is added to its arrival."""
        for number, arrival in decoded.arrivals.items():
            house = house_of(arrival.topic)
            if house is not None and not decoded.directory.of(arrival.topic):
                fault = await take_forecast(uow, self._clock, house, batch[number])
                arrival.faults = (fault,) if fault else ()

    async def _store_one_by_one(self, batch: Sequence[Delivery], refused: Refused) -> Stored | None:
        """Store what the database takes; what it refuses by itself becomes a dead letter."""
        if len(batch) > 1:
            total = Stored()
            for delivery in batch:
                stored = await self._store_batch([delivery])
                if stored is None:
                    return None
                total.readings += stored.readings
                total.good += stored.good
                total.dead_letters += stored.dead_letters
                total.touched |= stored.touched
            return total
        delivery = batch[0]
        _log.error("The database refuses a message on %s: %s", delivery.topic, refused)
        arrival = Arrival(
            delivery.topic,
            delivery.payload,
            delivery.received_at,
            faults=(Fault("refused", str(refused)[:500]),),
            size_bytes=delivery.size_bytes,
        )
        patience = _Patience("A dead letter cannot be stored")
        while True:
            try:
                async with self._store.write() as uow:
                    return await store_arrivals(uow, [arrival], self._limits)
            except Exception as error:  # noqa: BLE001 - see _Patience
                if await patience.wait(error, self._stop):
                    return None

    # ------------------------------------------------------------------ hours

    async def _settle_until_finished(self) -> None:
        """Settle at the start, shortly after hours were touched, now and then, and at the end."""
        patience = _Patience("Hours cannot be computed")
        while True:
            begun = time.monotonic()
            finishing = self._finished
            self._touched.clear()
            try:
                await self._settle()
            except Exception as error:  # noqa: BLE001 - see _Patience
                if await patience.wait(error, self._stop):
                    return  # the marks are stored: they are settled at the next start
                continue
            if finishing:
                return
            settled_at = time.monotonic()
            # The running hour is read anew each time, and what comes meanwhile waits: that is to be rare.
            pause_s = max(
                _SETTLE_PAUSE_S, min(_SETTLE_PAUSE_TIMES * (settled_at - begun), _SETTLE_LONGEST_PAUSE_S)
            )
            patience = _Patience("Hours cannot be computed")
            with suppress(TimeoutError):
                await asyncio.wait_for(self._touched.wait(), _SETTLE_AT_LEAST_EVERY_S)
            while not self._stop.is_set():
                rest_s = max(_SETTLE_PAUSE_S, settled_at + pause_s - time.monotonic())
                with suppress(TimeoutError):
                    await asyncio.wait_for(self._stop.wait(), rest_s)
                late = time.monotonic() - settled_at > _SETTLE_AT_LEAST_EVERY_S
                if late or self._source.waiting < _BUSY:
                    break

    async def _settle(self) -> None:
        while True:
            async with asyncio.timeout(_TRANSACTION_S), self._store.write() as uow:
                settled = await settle_hours(uow, _SETTLE_LIMIT)
                await keep_lags(uow, self._decoder.directory, self._clock.now())
            self.counts.hours += len(settled)
            if len(settled) < _SETTLE_LIMIT:
                return


class _Patience:
    """Waits longer and longer, with jitter, and says so now and then instead of every time.

    Drivers raise many things when their server goes, and not only errors of their own. Whatever it was, the
    message is not acknowledged and there is one thing to do: wait and try again.
    """

    def __init__(self, what: str) -> None:
        self._what = what
        self._pause_s = 0.1
        self._said_at: float | None = None

    async def wait(self, error: Exception, stop: asyncio.Event) -> bool:
        """Wait before the next try; return whether to stop instead."""
        if self._said_at is None or time.monotonic() - self._said_at > _SAY_AGAIN_S:
            self._said_at = time.monotonic()
            _log.warning("%s now, trying again: %s: %s", self._what, type(error).__name__, error)
            _log.debug("%s", self._what, exc_info=error)
        with suppress(TimeoutError):
            await asyncio.wait_for(stop.wait(), self._pause_s * random.uniform(0.5, 1.0))  # noqa: S311
        self._pause_s = min(self._pause_s * 2, _LONGEST_PAUSE_S)
        return stop.is_set()
