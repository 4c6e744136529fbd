"""Alerts are opened once, brought up to date and closed once."""

from __future__ import annotations

import asyncio
from collections.abc import Collection
from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import select

from service.clock import FixedClock
from service.records.reforecast import open_alerts
from service.records.store import Store
from service.records.tables import Alert
from service.work.alerts import Condition, settle_alerts
from tests.conftest import open_store
from tests.work.conftest import Place

SILENT = Condition(
    kind="silent",
    subject="zone:1",
    severity="warning",
    title="Nothing measured",
    detail="Since noon.",
    next_step="Look at the sensor.",
    evidence={"lastHour": "2026-09-14T12:00:00+00:00", "hours": [1, 2.5]},
)
COLD = replace(SILENT, kind="cold", title="Too cold", evidence={})
KINDS = {"silent", "cold"}


async def settle(
    store: Store, clock: FixedClock, place: Place, *conditions: Condition, kinds: Collection[str] = KINDS
) -> tuple[int, int]:
    """Settle the alerts of the house."""
    async with store.write() as uow:
        return await settle_alerts(uow, clock, place.house.id, kinds, conditions)


async def every(store: Store) -> list[Alert]:
    """Return all alerts, oldest first."""
    async with store.read() as uow:
        return list(await uow.session.scalars(select(Alert).order_by(Alert.id)))


def later(clock: FixedClock, hours: float) -> FixedClock:
    """Return the clock some hours later."""
    return FixedClock(clock.now() + timedelta(hours=hours))


async def test_an_alert_is_opened_once(store: Store, clock: FixedClock, place: Place) -> None:
    assert await settle(store, clock, place, SILENT) == (1, 0)
    assert await settle(store, later(clock, 1), place, SILENT) == (0, 0)
    (alert,) = await every(store)
    assert (alert.house_id, alert.kind, alert.subject) == (place.house.id, "silent", "zone:1")
    assert (alert.severity, alert.title, alert.detail) == ("warning", "Nothing measured", "Since noon.")
    assert (alert.next_step, alert.evidence) == (SILENT.next_step, SILENT.evidence)
    # What has not changed is not brought up to date either.
    assert (alert.opened_at, alert.updated_at, alert.closed_at) == (clock.now(), clock.now(), None)


@pytest.mark.parametrize(
    "change",
    [
        {"severity": "urgent"},
        {"title": "Still nothing measured"},
        {"detail": "Since yesterday."},
        {"next_step": "Change the sensor."},
        {"evidence": {"hours": [1, 2.6]}},
    ],
    ids=lambda change: next(iter(change)),
)
async def test_what_changed_is_brought_up_to_date(
    store: Store, clock: FixedClock, place: Place, change: dict[str, object]
) -> None:
    await settle(store, clock, place, SILENT)
    assert await settle(store, later(clock, 3), place, replace(SILENT, **change)) == (0, 0)
    (alert,) = await every(store)
    assert {name: getattr(alert, name) for name in change} == change
    assert (alert.opened_at, alert.updated_at) == (clock.now(), later(clock, 3).now())
    assert alert.closed_at is None


async def test_it_is_closed_once_and_opened_anew(store: Store, clock: FixedClock, place: Place) -> None:
    await settle(store, clock, place, SILENT)
    assert await settle(store, later(clock, 1), place) == (0, 1)
    assert await settle(store, later(clock, 2), place) == (0, 0)
    assert await settle(store, later(clock, 3), place, SILENT) == (1, 0)
    first, second = await every(store)
    assert first.closed_at == later(clock, 1).now()
    assert (second.opened_at, second.closed_at) == (later(clock, 3).now(), None)
    async with store.read() as uow:
        assert [a.id for a in await open_alerts(uow, place.house.id)] == [second.id]


async def test_subjects_and_kinds_are_apart(store: Store, clock: FixedClock, place: Place) -> None:
    other = replace(SILENT, subject="zone:2")
    assert await settle(store, clock, place, SILENT, other, COLD) == (3, 0)
    assert await settle(store, clock, place, other) == (0, 2)
    async with store.read() as uow:
        (left,) = await open_alerts(uow, place.house.id)
    assert (left.kind, left.subject) == ("silent", "zone:2")


async def test_other_kinds_and_other_houses_are_left_alone(
    store: Store, clock: FixedClock, place: Place, other_place: Place
) -> None:
    await settle(store, clock, place, COLD, kinds={"cold"})
    await settle(store, clock, other_place, SILENT)
    assert await settle(store, clock, place, kinds={"silent"}) == (0, 0)
    assert await settle(store, clock, place, SILENT, kinds={"silent"}) == (1, 0)
    assert await settle(store, clock, place, kinds={"silent"}) == (0, 1)
    found = {(a.house_id, a.kind): a.closed_at is None for a in await every(store)}
    assert found == {
        (place.house.id, "cold"): True,
        (place.house.id, "silent"): False,
        (other_place.house.id, "silent"): True,
    }


async def test_conditions_of_another_kind_or_about_the_same_are_a_mistake(
    store: Store, clock: FixedClock, place: Place
) -> None:
    with pytest.raises(ValueError, match="of the kinds"):
        await settle(store, clock, place, COLD, kinds={"silent"})
    with pytest.raises(ValueError, match="one a kind and subject"):
        await settle(store, clock, place, SILENT, replace(SILENT, title="Twice"))
    assert await every(store) == []


async def test_who_settles_a_house_keeps_others_waiting(
    store: Store, database_url: str, clock: FixedClock, place: Place
) -> None:
    async with open_store(database_url) as other:
        async with store.write() as uow:
            assert await settle_alerts(uow, clock, place.house.id, KINDS, [SILENT]) == (1, 0)
            second = asyncio.create_task(settle(other, clock, place, SILENT, COLD))
            await asyncio.sleep(0.3)
            assert not second.done()
        assert await second == (1, 0)  # only what the first had not said
    assert sorted(alert.kind for alert in await every(store)) == ["cold", "silent"]


async def test_processes_that_settle_the_same_end_with_one_open_alert(
    store: Store, database_url: str, clock: FixedClock, place: Place
) -> None:
    async with open_store(database_url) as other, open_store(database_url) as third:
        stores = (store, other, third) * 2
        settled = await asyncio.gather(*(settle(s, clock, place, SILENT) for s in stores))
        assert sorted(settled) == [(0, 0)] * 5 + [(1, 0)]
        assert len(await every(store)) == 1
        settled = await asyncio.gather(*(settle(s, clock, place) for s in stores))
        assert sorted(settled) == [(0, 0)] * 5 + [(0, 1)]
    (alert,) = await every(store)
    assert alert.closed_at == clock.now()
