"""Slots: who holds them, how they change hands, and that nothing is lost when they do."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from ingest import slots
from ingest.broker import BrokerHandle, find_mosquitto, running_broker
from ingest.command import run_ingest
from ingest.listener import BrokerAddress
from ingest.slots import SlotKeeper
from service.clock import FixedClock
from service.records import slots as records
from service.records.store import Store
from service.settings import Settings
from tests.ingest.rig import NOW, Site, publish, until

CLOCK = FixedClock(NOW)


async def test_each_slot_has_one_holder_and_a_lease_that_ran_out_is_taken_over(store: Store) -> None:
    async with store.write() as uow:
        await records.ensure_slots(uow, 2)
        await records.ensure_slots(uow, 2)
        assert await records.take_free_slot(uow, "a", 60.0) == (0, 1)
        assert await records.take_free_slot(uow, "b", -1.0) == (1, 1)
    async with store.write() as uow:
        assert await records.any_free(uow), "b's lease ran out"
        assert await records.take_free_slot(uow, "c", 60.0) == (1, 2)
        assert await records.take_free_slot(uow, "d", 60.0) is None
        assert not await records.any_free(uow)
        assert await records.renew_slot(uow, 1, "b", 1, 60.0) is None, "it is not b's any more"
        assert await records.renew_slot(uow, 1, "c", 2, 60.0) is False
        await records.release_slot(uow, 1, "b", 1)
        assert await records.renew_slot(uow, 1, "c", 2, 60.0) is False
        await records.release_slot(uow, 1, "c", 2)
        assert await records.take_free_slot(uow, "a", 60.0) == (1, 3)


async def test_a_holder_of_several_slots_is_asked_for_one(store: Store) -> None:
    async with store.write() as uow:
        await records.ensure_slots(uow, 2)
        assert await records.take_free_slot(uow, "a", 60.0) == (0, 1)
        assert not await records.want_slot(uow, 60.0), "nobody has two"
        assert await records.take_free_slot(uow, "a", 60.0) == (1, 1)
        assert await records.want_slot(uow, 60.0)
        assert await records.renew_slot(uow, 0, "a", 1, 60.0) is False
        assert await records.renew_slot(uow, 1, "a", 1, 60.0) is True


async def test_two_that_take_at_once_get_two_slots(store: Store) -> None:
    async with store.write() as uow:
        await records.ensure_slots(uow, 4)

    async def take(name: str) -> tuple[int, int] | None:
        async with store.write() as uow:
            return await records.take_free_slot(uow, name, 60.0)

    taken = await asyncio.gather(*[take(f"p{n}") for n in range(6)])
    slots = [slot for slot in taken if slot is not None]
    assert len(set(slots)) == len(slots)
    assert {slot for slot, _ in slots} <= {0, 1, 2, 3}


@pytest.fixture
async def mosquitto(mosquitto_url: str, tmp_path: Path) -> AsyncIterator[BrokerHandle]:
    """Have a mosquitto as we run it."""
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed here")
    async with running_broker(Settings(data_dir=tmp_path, mqtt_bind="127.0.0.1:0")) as handle:
        yield handle


@asynccontextmanager
async def keeping(site: Site, broker: BrokerHandle, slots: int) -> AsyncIterator[SlotKeeper]:
    """Have a process's keeper of slots, with short leases."""
    keeper = SlotKeeper(
        site.store,
        CLOCK,
        replace(site.settings, ingest_slots=slots),
        BrokerAddress.parse(broker.url),
        f"{site.prefix}-0",
        lease_s=2.0,
        round_s=0.2,
    )
    stop = asyncio.Event()
    running = asyncio.create_task(keeper.run(stop))
    try:
        yield keeper
    finally:
        stop.set()
        await running


def holding(keeper: SlotKeeper, slots: set[int]) -> Callable[[], Awaitable[bool]]:
    async def holds() -> bool:
        return set(keeper.held) == slots

    return holds


async def send(site: Site, broker: BrokerHandle, first: int, count: int) -> None:
    messages = [
        (
            site.topic(f"s{number % 10}"),
            f'{{"t": "{(NOW - timedelta(seconds=number)).isoformat()}", "v": 20}}'.encode(),
        )
        for number in range(first, first + count)
    ]
    assert await asyncio.to_thread(publish, broker.url, messages) == count


def stored(site: Site, count: int) -> Callable[[], Awaitable[bool]]:
    async def complete() -> bool:
        return await site.readings() == count

    return complete


async def test_a_slot_that_takes_long_to_hand_over_is_held_until_then(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(slots, "_TRANSACTION_S", 0.5)
    serving = set[tuple[str, int]]()

    class Slow(SlotKeeper):
        async def _serve(self, slot: int, stop: asyncio.Event) -> None:
            serving.add((self.holder, slot))
            await stop.wait()
            await asyncio.sleep(1.5)  # what is in hand is stored on a busy database
            serving.remove((self.holder, slot))

    def slow() -> SlotKeeper:
        settings = replace(Settings(), ingest_slots=2)
        return Slow(store, CLOCK, settings, BrokerAddress("127.0.0.1", 1), "x", lease_s=1.0, round_s=0.05)

    stop = asyncio.Event()
    one, other = slow(), slow()
    running = [asyncio.create_task(one.run(stop))]
    await until(holding(one, {0, 1}))
    running.append(asyncio.create_task(other.run(stop)))

    async def shared_out() -> bool:
        assert not any(task.done() for task in running)
        assert len({slot for _, slot in serving}) == len(serving), "a slot is served twice"
        return {len(one.held), len(other.held)} == {1}

    await until(shared_out)
    stop.set()
    await asyncio.gather(*running)
    async with store.read() as uow:
        assert [row.holder for row in await records.slot_rows(uow)] == [None, None]


async def test_a_slot_that_was_lost_is_not_taken_back_before_what_is_in_hand_is_stored(store: Store) -> None:
    serving = set[int]()

    class Slow(SlotKeeper):
        async def _serve(self, slot: int, stop: asyncio.Event) -> None:
            assert slot not in serving
            serving.add(slot)
            await stop.wait()
            await asyncio.sleep(1.0)
            serving.remove(slot)

    settings = replace(Settings(), ingest_slots=1)
    keeper = Slow(store, CLOCK, settings, BrokerAddress("127.0.0.1", 1), "x", lease_s=30.0, round_s=0.05)
    stop = asyncio.Event()
    running = asyncio.create_task(keeper.run(stop))
    await until(holding(keeper, {0}))
    first = keeper.held[0]
    async with store.write() as uow:  # its lease ran out, as on a machine that stood still
        await records.release_slot(uow, 0, keeper.holder, first.epoch)
        slot, epoch = await records.take_free_slot(uow, "other", 30.0) or (-1, -1)
    assert slot == 0

    async def stopping() -> bool:
        return first.stop.is_set()

    await until(stopping)
    async with store.write() as uow:
        await records.release_slot(uow, 0, "other", epoch)

    async def served_again() -> bool:
        return bool(keeper.held) and keeper.held[0].task is not first.task and bool(serving)

    await until(served_again)
    assert first.task.done()
    stop.set()
    await running


@pytest.mark.mosquitto
@pytest.mark.postgresql
async def test_slots_are_shared_taken_over_and_drained_without_a_loss(
    postgresql_store: Store, mosquitto: BrokerHandle
) -> None:
    from tests.ingest.rig import make_site

    site = await make_site(postgresql_store)
    for n in range(10):
        await site.sensor(f"s{n}")
    async with keeping(site, mosquitto, 2) as first:
        await until(holding(first, {0, 1}))
        async with keeping(site, mosquitto, 2) as second:
            # One that has two gives one to one that has none.
            await until(holding(first, {0}))
            await until(holding(second, {1}))
            await asyncio.sleep(0.5)  # until both have subscribed
            await send(site, mosquitto, 0, 200)
            await until(stored(site, 200))
        # The second ended and its session waits with its part of these, until the first takes over its slot.
        await send(site, mosquitto, 200, 200)
        await until(holding(first, {0, 1}))
        await until(stored(site, 400))
    # Without any process; then with one slot less, and then with none shared at all.
    await send(site, mosquitto, 400, 200)
    async with keeping(site, mosquitto, 1) as last:
        await until(holding(last, {0, 1}))
        await until(stored(site, 600))
        await until(holding(last, {0}))
        async with site.store.read() as uow:
            assert [row.slot for row in await records.slot_rows(uow)] == [0], "the other is drained"
        await send(site, mosquitto, 600, 200)
        await until(stored(site, 800))
    await send(site, mosquitto, 800, 200)
    stop = asyncio.Event()
    alone = asyncio.create_task(
        run_ingest(
            site.store,
            CLOCK,
            site.settings,
            stop,
            url=mosquitto.url,
            mqtt5=True,
            client_id=f"{site.prefix}-0",
        )
    )
    await until(stored(site, 1000))
    stop.set()
    await alone
    async with site.store.read() as uow:
        assert await records.slot_rows(uow) == []
    assert await site.dead_letters() == []


async def test_slots_need_a_broker_that_can_share(site: Site) -> None:
    from ingest.broker import BrokerError

    with pytest.raises(BrokerError, match="EVENLEAF_INGEST_SLOTS"):
        await run_ingest(
            site.store,
            CLOCK,
            replace(site.settings, ingest_slots=2),
            asyncio.Event(),
            url="mqtt://127.0.0.1:1",
            mqtt5=False,
        )
