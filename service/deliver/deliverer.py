"""Sends what the outbox holds: claims what is due, sends it by its receiver's way, notes how that went."""

from __future__ import annotations

import asyncio
import logging
import random
import uuid
from collections.abc import AsyncIterator, Collection, Mapping
from contextlib import asynccontextmanager
from datetime import datetime, timedelta

from service.clock import Clock
from service.deliver.outcome import NotSent, Way
from service.records import notices as records
from service.records import receivers as receiver_records
from service.records.changes import drop_old_changes
from service.records.store import Store
from service.records.tables import Notice, Receiver
from service.work.notices import DEAD_KEPT, RETAINED, SENT_KEPT
from service.work.notices_digest import write_digest

_log = logging.getLogger(__name__)

LEASE_S = 90.0
"""Real seconds after which a notice whose sender is gone may be sent by another."""
FIRST_PAUSE_S = 10.0
LONGEST_PAUSE_S = 900.0
JITTER = 0.2
REFUSED_TRIES = 6
"""Tries, within half an hour, after which what is refused is given up: the receiver may be just being renewed."""
AT_ONCE = 20
"""Receivers that are sent to at the same time."""
_LOOK_S = 1.0
_SWEEP = timedelta(hours=6)
_DIGESTS = timedelta(minutes=1)
_LONGEST_ERROR = 500


def pause_s(attempts: int, draw: float) -> float:
    """Return the seconds to wait after a number of failed tries; ``draw`` in 0..1 spreads receivers apart."""
    pause = min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 3.0 ** min(attempts - 1, 10))
    return pause * (1.0 - JITTER + 2.0 * JITTER * draw)


class Deliverer:
    """Sends due notices, one at a time to a receiver and to several receivers at once.

    A receiver that cannot be reached is left alone for a while, but for what is urgent; one that refuses a notice
    gets the others.
    """

    def __init__(self, store: Store, clock: Clock, ways: Mapping[str, Way]) -> None:
        self._store, self._clock, self._ways = store, clock, ways
        self._swept: datetime | None = None
        self._digested: datetime | None = None
        self._paused: dict[int, datetime] = {}
        """Until when receivers that could not be reached are left alone, but for what is urgent."""

    async def pass_(self, stop: asyncio.Event | None = None) -> int:
        """Send all that is due now; return how many notices were tried."""
        await self._sweep()
        tried = 0
        sending: dict[asyncio.Task[None], int] = {}
        while True:
            await self._digests()
            claimed: list[tuple[Notice, Receiver]] = []
            if stop is None or not stop.is_set():
                claimed = await self._claim(list(sending.values()), AT_ONCE - len(sending))
            for notice, receiver in claimed:
                sending[asyncio.create_task(self._deliver(notice, receiver))] = receiver.id
            tried += len(claimed)
            if not sending:
                return tried
            # Looks again though none is done: what is urgent does not wait until a slow receiver answers.
            done, _ = await asyncio.wait(sending, timeout=_LOOK_S, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                del sending[task]
                task.result()

    async def _claim(self, busy: Collection[int], limit: int) -> list[tuple[Notice, Receiver]]:
        if limit < 1:
            return []
        now = self._clock.now()
        async with self._store.read() as uow:  # looks every second, and mostly there is nothing to lock for
            if not await records.anything_due(uow, now):
                return []
        lease = uuid.uuid4().hex
        until = now + timedelta(seconds=LEASE_S * max(1.0, self._clock.rate))
        self._paused = {receiver_id: over for receiver_id, over in self._paused.items() if over > now}
        async with self._store.write() as uow:
            return await records.claim_due(uow, now, lease, until, limit, busy=busy, paused=self._paused)

    async def _deliver(self, notice: Notice, receiver: Receiver) -> None:
        lease = notice.lease or ""
        now = self._clock.now()
        failure: NotSent | None = None
        try:
            if not receiver.active and not (notice.type == RETAINED and notice.data is None):
                raise NotSent("the receiver is not active", hopeless=True)
            await self._ways[receiver.kind].send(notice, receiver, now)
        except NotSent as error:
            failure = error
        except Exception as error:  # noqa: BLE001 - a fault of ours must not lose the notice or stop the others
            _log.exception("notice %s to receiver %s", notice.id, receiver.id)
            failure = NotSent(f"a fault of the service: {type(error).__name__}", refused=True)
        if failure is None or failure.refused:
            self._paused.pop(receiver.id, None)
        async with self._store.write() as uow:
            if failure is None:
                await records.settle(uow, notice.id, lease, state="sent", sent_at=self._clock.now())
                return
            now = self._clock.now()
            why = str(failure)[:_LONGEST_ERROR]
            refusals = notice.refusals + failure.refused
            given_up = failure.hopeless or refusals >= REFUSED_TRIES or now >= notice.expires_at
            if given_up:
                await records.settle(uow, notice.id, lease, state="dead", last_error=why)
                if notice.type == RETAINED:
                    await records.forget_retained(uow, receiver.id, notice.subject)
            else:
                wait = max(pause_s(notice.attempts, random.random()), failure.retry_after_s)  # noqa: S311
                due = min(now + timedelta(seconds=wait), max(now, notice.expires_at))
                await records.settle(uow, notice.id, lease, due_at=due, last_error=why, refusals=refusals)
                if not failure.refused:
                    self._paused[receiver.id] = max(due, self._paused.get(receiver.id, due))
        _log.log(
            logging.WARNING if given_up else logging.INFO,
            "notice %s to receiver %s %s: %s",
            notice.id,
            receiver.id,
            "given up" if given_up else f"failed, try {notice.attempts}",
            why,
            extra={"action": "notice_dead" if given_up else "notice_failed"},
        )

    async def _digests(self) -> None:
        now = self._clock.now()
        if self._digested is not None and now - self._digested < _DIGESTS:
            return
        self._digested = now
        async with self._store.read() as uow:
            ids = await receiver_records.digest_receiver_ids(uow)
        for receiver_id in ids:
            async with self._store.write() as uow:
                await write_digest(uow, self._clock, receiver_id)

    async def _sweep(self) -> None:
        now = self._clock.now()
        if self._swept is not None and now - self._swept < _SWEEP:
            return
        self._swept = now
        async with self._store.write() as uow:
            await records.drop_old(uow, now - SENT_KEPT, now - DEAD_KEPT)
            await drop_old_changes(uow)

    async def close(self) -> None:
        """Let the ways go of their connections."""
        for way in self._ways.values():
            await way.close()


@asynccontextmanager
async def delivering(deliverer: Deliverer) -> AsyncIterator[None]:
    """Send what is due, looking every second, until left; what is being sent then is sent to its end."""
    stop = asyncio.Event()

    async def run() -> None:
        while not stop.is_set():
            try:
                await deliverer.pass_(stop)
            except Exception:  # noqa: BLE001 - the database may be back at the next look
                _log.exception("sending notices failed", extra={"action": "deliver_failed"})
            try:
                async with asyncio.timeout(_LOOK_S):
                    await stop.wait()
            except TimeoutError:
                continue

    running = asyncio.create_task(run(), name="sending notices")
    try:
        yield
    finally:
        stop.set()
        await running
        await deliverer.close()
