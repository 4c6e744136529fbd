"""Several ingest processes that share the messages between them.

All subscribe to one shared subscription (``$share/evenleaf/...``), and the broker gives each message to one of them.
A broker keeps on giving a member that is away its part (Mosquitto does, and hands over none of it to the others when
that member stays away: what it has given out it gives out again only to the same client id). So client ids, and with
them the sessions at the broker, belong to numbered *slots* and not to processes:

- a process holds a slot by a lease in the database; a holder that dies is succeeded, at the latest when its lease has
  run out, by a process that resumes the slot's session and gets what was given to it, that which was not acknowledged
  once more. Until then that part of the messages waits with the broker. Stored twice it is still one row, for a value
  that brings its time;
- a process that finds slots without a holder takes them on in addition, and gives one back to a process that has none;
- slots beyond the number that is set are drained: unsubscribed, emptied, and their sessions ended.
"""

from __future__ import annotations

import asyncio
import logging
import os
import secrets
import socket
import time
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field

from ingest.listener import BrokerAddress, MqttSource
from ingest.metrics import Tally
from ingest.reader import client_class
from service.clock import Clock
from service.records import slots as records
from service.records.store import Store
from service.settings import Settings

_log = logging.getLogger(__name__)

LEASE_S = 15.0
_ROUND_S = 3.0
_WANT_S = 15.0
_TRANSACTION_S = 10.0
_QUIET_S = 3.0
_CONNECT_S = 10.0


def shared(topic_filter: str) -> str:
    """Return the shared subscription to a topic filter."""
    return f"$share/evenleaf/{topic_filter}"


@dataclass
class _Held:
    """A slot that this process holds, and the task that serves it."""

    slot: int
    epoch: int
    task: asyncio.Task[None]
    stop: asyncio.Event = field(default_factory=asyncio.Event)


def _stop(held: Iterable[_Held]) -> None:
    """Let slots be served no longer than what is in hand takes."""
    for one in held:
        one.stop.set()


class SlotKeeper:
    """Holds slots for one process, and serves them."""

    def __init__(
        self,
        store: Store,
        clock: Clock,
        settings: Settings,
        address: BrokerAddress,
        client_id: str,
        *,
        lease_s: float | None = None,
        round_s: float | None = None,
        tally: Tally | None = None,
    ) -> None:
        self.holder = f"{socket.gethostname()[:50]}-{os.getpid()}-{secrets.token_hex(4)}"
        self.held: dict[int, _Held] = {}
        self._store = store
        self._clock = clock
        self._settings = settings
        self._address = address
        self._client_id = client_id.removesuffix("-0")
        self._lease_s = lease_s or LEASE_S
        self._round_s = round_s or _ROUND_S
        self._renewed_at = time.monotonic()
        self._free_rounds = 0
        self._tally = tally

    async def run(self, stop: asyncio.Event) -> None:
        """Hold and serve slots until told to stop."""
        try:
            while not stop.is_set():
                try:
                    await self._round(self._settings.ingest_slots)
                except Exception as error:  # noqa: BLE001 - drivers raise many things when their server goes
                    _log.warning("The slots cannot be looked after now: %s: %s", type(error).__name__, error)
                    if time.monotonic() - self._renewed_at > self._lease_s:
                        _stop(self.held.values())
                await self._part_with_ended()
                with suppress(TimeoutError):
                    await asyncio.wait_for(stop.wait(), self._round_s)
        finally:
            await self._end()

    async def _round(self, slots: int) -> None:
        """Renew what is held, give back what another wants, take what nobody has."""
        lost: list[_Held] = []
        wanted: list[_Held] = []
        async with asyncio.timeout(_TRANSACTION_S), self._store.write() as uow:
            await records.ensure_slots(uow, slots)
            for held in [h for h in self.held.values() if not h.task.done()]:
                answer = await records.renew_slot(uow, held.slot, self.holder, held.epoch, self._lease_s)
                if not held.stop.is_set():
                    (lost if answer is None else wanted if answer else []).append(held)
        self._renewed_at = time.monotonic()
        if lost:
            # Its lease ran out, as on a machine that stood still; what both store meanwhile is stored once.
            _log.warning("Slots %s were taken over by another process", [held.slot for held in lost])
            _stop(lost)
        if wanted and len([h for h in self.held.values() if not h.stop.is_set()]) > 1:
            _stop(wanted[:1])
            return
        if any(held.stop.is_set() for held in self.held.values()):
            return  # one that is handed over is not taken back before what is in hand of it is stored
        # One that has a slot already lets a process that is about to start have the others.
        patient = self.held and self._free_rounds < 2
        async with asyncio.timeout(_TRANSACTION_S), self._store.write() as uow:
            if patient:
                self._free_rounds = self._free_rounds + 1 if await records.any_free(uow) else 0
                return
            taken = await records.take_free_slot(uow, self.holder, self._lease_s)
            if taken is None and not self.held:
                await records.want_slot(uow, _WANT_S)
        self._free_rounds = self._free_rounds if taken else 0
        if taken is not None:
            slot, epoch = taken
            stop = asyncio.Event()
            serve = self._serve(slot, stop) if slot < slots else self._drain(slot, epoch, stop)
            self.held[slot] = _Held(slot, epoch, asyncio.create_task(serve, name=f"ingest slot {slot}"), stop)
            _log.info("Holding slot %d", slot)

    async def _part_with_ended(self) -> None:
        """Give back slots whose serving has ended.

        Until then their leases are renewed with the others': what is in hand is still stored, which on a busy database
        takes as long as it takes.
        """
        ended = [held for held in self.held.values() if held.task.done()]
        for held in ended:
            del self.held[held.slot]
        if ended:
            try:
                async with asyncio.timeout(_TRANSACTION_S), self._store.write() as uow:
                    for held in ended:
                        await records.release_slot(uow, held.slot, self.holder, held.epoch)
            except Exception as error:  # noqa: BLE001 - the lease runs out by itself
                _log.warning("Slots could not be given back: %s: %s", type(error).__name__, error)
        for held in ended:
            held.task.result()  # told to stop, or drained; anything else is an error of ours

    async def _end(self) -> None:
        """Stop serving, and give all slots back."""
        _stop(self.held.values())
        if self.held:
            await asyncio.wait([held.task for held in self.held.values()])
        await self._part_with_ended()

    def _source(self, slot: int, subscribe: str, forget: list[str]) -> MqttSource:
        return MqttSource(
            self._address,
            subscribe,
            self._clock,
            client_id=f"{self._client_id}-{slot}",
            client=client_class(self._settings.mqtt_reader),
            forget=forget,
        )

    async def _serve(self, slot: int, stop: asyncio.Event) -> None:
        from ingest.command import take_in

        topic = self._settings.mqtt_topic
        source = self._source(slot, shared(topic), [topic])
        await take_in(self._store, self._clock, self._settings, stop, source, self._tally)

    async def _drain(self, slot: int, epoch: int, stop: asyncio.Event) -> None:
        """Empty a slot that is not wanted any more, end its session and remove it."""
        from ingest.command import take_in

        topic = self._settings.mqtt_topic
        source = self._source(slot, "", [topic, shared(topic)])
        emptied = asyncio.Event()

        async def watch() -> None:
            while not source.quiet(_QUIET_S) and not stop.is_set():  # noqa: ASYNC110 - two threads decide it
                await asyncio.sleep(0.1)
            if not stop.is_set():
                emptied.set()
            ending.set()

        ending = asyncio.Event()
        watching = asyncio.create_task(watch())
        try:
            await take_in(self._store, self._clock, self._settings, ending, source, self._tally)
        finally:
            watching.cancel()
        if emptied.is_set() and await source.end_session(_CONNECT_S):
            async with self._store.write() as uow:
                await records.drop_slot(uow, slot, self.holder, epoch)
            _log.info("Slot %d is drained", slot)
            return
        await stop.wait()

    async def retire_others(self, stop: asyncio.Event) -> None:
        """Drain every slot but the first, whose session the only process goes on with."""
        try:
            async with self._store.write() as uow:
                await records.forget_free_slot(uow, 0)
                left = [row.slot for row in await records.slot_rows(uow) if row.slot]
            while left and not stop.is_set():
                await self._round(0)
                await self._part_with_ended()
                async with self._store.read() as uow:
                    left = [row.slot for row in await records.slot_rows(uow) if row.slot]
                with suppress(TimeoutError):
                    await asyncio.wait_for(stop.wait(), self._round_s)
        except Exception as error:  # noqa: BLE001 - the next start tries again
            _log.warning("Slots of former times could not be drained: %s: %s", type(error).__name__, error)
        finally:
            await self._end()
