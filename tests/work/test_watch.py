"""Each kind of alert opens once, is brought up to date, and ends."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy import select

from service.agronomy import comfort
from service.agronomy.climate import Course, Site
from service.clock import FixedClock
from service.records.conditions import save_hours, save_readings
from service.records.sensors import add_lags
from service.records.store import Store
from service.records.tables import Advice, Alert, Forecast, Sensor, Task
from service.work.access import SYSTEM
from service.work.alerts import acknowledge_alert, snooze_alert
from service.work.batches import append_entry, create_batch
from service.work.errors import Conflict, Impossible, NotFound
from service.work.sensor_health import sensor_health
from service.work.sensor_states import sensor_states
from service.work.times import EPOCH
from service.work.watch import Watcher
from service.work.watch_limits import forget_limits, list_limits, set_limits
from tests.work.conftest import Place

NOW = datetime(2026, 9, 14, 6, tzinfo=UTC)


async def sensor(store: Store, place: Place, quantity: str, unit: str, **more: Any) -> int:
    """Add a sensor of the channels."""
    async with store.write() as uow:
        row = Sensor(
            house_id=place.house.id,
            name=quantity,
            quantity=quantity,
            unit=unit,
            **{"zone_id": place.channels.id, "topic": f"t/{quantity}", "interval_s": 300.0, **more},
        )
        uow.session.add(row)
        await uow.flush()
        return row.id


async def read(
    store: Store, sensor_id: int, end: datetime, values: Sequence[float], step_min: float = 5.0
) -> None:
    """Store readings that end at a moment."""
    first = end - timedelta(minutes=step_min * (len(values) - 1))
    rows = [
        {"sensor_id": sensor_id, "at": first + timedelta(minutes=step_min * i), "value": v}
        for i, v in enumerate(values)
    ]
    async with store.write() as uow:
        await save_readings(uow, rows)


async def look(store: Store, place: Place, at: datetime) -> tuple[int, int]:
    """Look at the house; return how many alerts opened and closed."""
    return await Watcher(store, FixedClock(at)).house(place.house.id)


async def alerts(store: Store) -> list[Alert]:
    """Return all alerts, oldest first."""
    async with store.read() as uow:
        return list(await uow.session.scalars(select(Alert).order_by(Alert.id)))


async def test_ph_outside_its_limits(store: Store, place: Place) -> None:
    meter = await sensor(store, place, "ph", "pH")
    await read(store, meter, NOW, [6.0] * 6)
    assert await look(store, place, NOW) == (0, 0)
    at = NOW + timedelta(minutes=30)
    await read(store, meter, at, [6.8] * 6)
    assert await look(store, place, at) == (1, 0)
    assert await look(store, place, at) == (0, 0)
    (alert,) = await alerts(store)
    assert (alert.kind, alert.severity, alert.size, alert.size_unit) == (
        "solution_out_of_limits",
        "warning",
        0.3,
        "pH",
    )
    assert alert.onset_at == NOW + timedelta(minutes=5)
    assert "no safety system" in alert.detail
    assert "eye protection" in alert.next_step
    at += timedelta(minutes=30)
    await read(store, meter, at, [7.5] * 6)
    assert await look(store, place, at) == (0, 0)
    (alert,) = await alerts(store)
    assert (alert.severity, alert.size, alert.onset_at) == ("urgent", 1.0, NOW + timedelta(minutes=5))
    at += timedelta(minutes=30)
    await read(store, meter, at, [6.45] * 6)
    assert await look(store, place, at) == (0, 0)  # inside, but near
    at += timedelta(minutes=30)
    await read(store, meter, at, [6.2] * 6)
    assert await look(store, place, at) == (0, 1)
    (alert,) = await alerts(store)
    assert alert.closed_at == at


async def test_a_pump_that_stops(store: Store, place: Place) -> None:
    meter = await sensor(store, place, "flow_l_min", "L min-1", interval_s=60.0)
    await read(store, meter, NOW, [30.0] * 60, 1.0)
    assert await look(store, place, NOW) == (0, 0)
    at = NOW + timedelta(minutes=11)
    await read(store, meter, at, [0.0] * 11, 1.0)
    assert await look(store, place, at) == (1, 0)
    (alert,) = await alerts(store)
    assert (alert.kind, alert.severity, alert.evidence["usual"]) == ("flow_lost", "urgent", 30.0)
    # A day and a half later there is no reading left that was usual; it is lost all the same.
    at = NOW + timedelta(hours=36)
    await read(store, meter, at, [0.0] * 30, 1.0)
    assert await look(store, place, at) == (0, 0)
    at += timedelta(minutes=15)
    await read(store, meter, at, [28.0] * 15, 1.0)
    assert await look(store, place, at) == (0, 1)


async def test_a_sensor_that_falls_silent(store: Store, place: Place) -> None:
    meter = await sensor(store, place, "co2_ppm", "ppm")
    assert await look(store, place, NOW) == (0, 0)  # new, not silent
    await read(store, meter, NOW, [400.0] * 3)
    assert await look(store, place, NOW + timedelta(minutes=29)) == (0, 0)
    assert await look(store, place, NOW + timedelta(minutes=31)) == (1, 0)
    assert await look(store, place, NOW + timedelta(days=9)) == (0, 0)
    (alert,) = await alerts(store)
    assert (alert.kind, alert.onset_at) == ("sensor_silent", NOW)
    await read(store, meter, NOW + timedelta(days=9), [400.0])
    assert await look(store, place, NOW + timedelta(days=9)) == (0, 1)


async def test_a_device_that_sends_an_hour_at_once_is_not_silent_in_between(
    store: Store, place: Place
) -> None:
    """The watch, the pages and the sensor's health say the same of it, and tell when it really stops."""
    meter = await sensor(store, place, "co2_ppm", "ppm")
    arrived = [{"sensor_id": meter, "low_s": 5.0, "high_s": 9.0, "messages": 1}]
    for back in range(8):
        at = NOW - timedelta(hours=back)
        await read(store, meter, at, [400.0] * 6)
        async with store.write() as uow:
            await add_lags(uow, [{**arrived[0], "at": at.replace(minute=0, second=0, microsecond=0)}])
    for minutes, silent in ((31, False), (59, False), (85, False), (95, True)):
        clock = FixedClock(NOW + timedelta(minutes=minutes))
        assert await look(store, place, clock.now()) == (int(silent), 0), minutes
        async with store.read() as uow:
            (state,) = await sensor_states(uow, clock, SYSTEM, place.house.id)
            health = await sensor_health(uow, clock, SYSTEM, meter)
        assert state.silent == silent, minutes
        assert ("silent" in [fault.fault for fault in health.faults]) == silent, minutes


async def hours(
    store: Store,
    place: Place,
    end: datetime,
    temps: Sequence[float],
    light: Sequence[float | None] | None = None,
) -> None:
    """Store measured hours of the channels that end at a moment."""
    first = end - timedelta(hours=len(temps))
    lights = light or [None] * len(temps)
    rows = [
        {
            "zone_id": place.channels.id,
            "at": first + timedelta(hours=i),
            "temp_mean_c": temp,
            "temp_min_c": temp,
            "temp_max_c": temp,
            "temp_coverage": 1.0,
            "light_mol": mol,
            "light_coverage": 0.0 if mol is None else 1.0,
        }
        for i, (temp, mol) in enumerate(zip(temps, lights, strict=True))
    ]
    async with store.write() as uow:
        await save_hours(uow, rows)


async def test_a_house_warmer_than_it_is_set_to(store: Store, place: Place) -> None:
    at = NOW + timedelta(hours=6)
    await hours(store, place, at, [22, 22, 27, 28, 29])
    assert await look(store, place, at) == (1, 0)
    assert await look(store, place, at) == (0, 0)
    (alert,) = await alerts(store)
    assert (alert.kind, alert.severity, alert.size) == ("temp_off_plan", "warning", 4.0)
    assert alert.onset_at == at - timedelta(hours=3)
    at += timedelta(hours=3)
    await hours(store, place, at, [32, 32, 32])
    await look(store, place, at)
    (alert,) = await alerts(store)
    assert (alert.severity, alert.size) == ("urgent", 8.0)
    at += timedelta(hours=3)
    await hours(store, place, at, [23, 23, 23])
    assert await look(store, place, at) == (0, 1)


async def test_a_dark_week(store: Store, place: Place) -> None:
    site = Site(
        latitude_deg=place.house.latitude_deg,
        longitude_deg=place.house.longitude_deg,
        transmission=place.house.light_transmission,
        temp_heat_day_c=18.0,
        temp_heat_night_c=16.0,
        temp_vent_c=24.0,
    )

    async def week(end: datetime, share: float) -> None:
        first = int((end - EPOCH) / timedelta(hours=1)) - 168
        hour = np.arange(first, first + 168, dtype=np.int64)
        usual = comfort.expected_light_mol(site, Course.steady(site), hour, np.zeros(168))
        await hours(store, place, end, [20.0] * 168, [float(x) for x in usual * share])

    await week(NOW, 1.0)
    assert await look(store, place, NOW) == (0, 0)
    at = NOW + timedelta(days=7)
    await week(at, 0.4)
    assert await look(store, place, at) == (1, 0)
    (alert,) = await alerts(store)
    assert (alert.kind, alert.evidence["side"], alert.evidence["share"]) == ("light_off_plan", "dark", 0.4)
    at += timedelta(days=7)
    await week(at, 0.65)  # better, but not yet as it should be
    assert await look(store, place, at) == (0, 0)
    at += timedelta(days=7)
    await week(at, 0.9)
    assert await look(store, place, at) == (0, 1)


# --------------------------------------------------------------------------- the line


async def batch(store: Store, place: Place, seeded: datetime, cells: int, **points: datetime | None) -> int:
    """Seed a batch and forecast it."""
    async with store.write() as uow:
        row = await create_batch(
            uow,
            FixedClock(seeded),
            SYSTEM,
            {"succession_id": place.succession.id, "cells": cells, "seeded_at": seeded},
        )
        await uow.flush()
        uow.session.add(forecast(row.batch.id, **points))
        return row.batch.id


def forecast(batch_id: int, **points: datetime | None) -> Forecast:
    """Return a forecast of which all points of an event are one moment; none: beyond the horizon."""
    return Forecast(
        batch_id=batch_id,
        made_at=NOW,
        input_key="x",
        horizon_days=120,
        points={
            name: dict.fromkeys(("p10", "p50", "p90"), at.isoformat() if at else None)
            for name, at in points.items()
        },
        state={
            "leaves": dict.fromkeys(("p10", "p50", "p90"), 1.0),
            "freshG": dict.fromkeys(("p10", "p50", "p90"), 1.0),
        },
        parameters={},
        reasons=[],
    )


def days(n: float) -> datetime:
    """Return a moment some days from now."""
    return NOW + timedelta(days=n)


async def test_a_gap_of_harvest(store: Store, place: Place) -> None:
    first = await batch(store, place, days(-40), 200, transplant=days(-20), harvest=days(3))
    second = await batch(store, place, days(-33), 200, transplant=days(-15), harvest=days(10))
    assert await look(store, place, NOW) == (0, 0)
    async with store.write() as uow:
        uow.session.add(forecast(second, transplant=days(-15), harvest=days(15)))
    assert await look(store, place, NOW) == (1, 0)
    assert await look(store, place, NOW) == (0, 0)
    (alert,) = await alerts(store)
    assert (alert.kind, alert.evidence["kind"], alert.size, alert.size_unit) == (
        "harvest_spacing",
        "gap",
        5.0,
        "d",
    )
    async with store.write() as uow:
        uow.session.add(forecast(second, transplant=days(-15), harvest=days(5)))
    assert await look(store, place, NOW) == (0, 0)  # the same alert: now there is too much at once
    (alert,) = await alerts(store)
    assert (alert.evidence["kind"], alert.title) == (
        "glut",
        "Butterhead, weekly: too much of harvest around 17 Sep",
    )
    async with store.write() as uow:
        uow.session.add(forecast(first, transplant=days(-20), harvest=days(-1)))
    assert await look(store, place, NOW) == (0, 1)


async def test_seedlings_that_will_be_too_young(store: Store, place: Place) -> None:
    seeded = await batch(
        store,
        place,
        days(-5),
        200,
        window_open=days(8),
        window_close=days(12),
        transplant=days(8),
        harvest=days(35),
    )
    assert await look(store, place, NOW) == (0, 0)
    async with store.write() as uow:
        task = Task(
            house_id=place.house.id,
            kind="transplant",
            due_on=date(2026, 9, 18),
            title="Move",
            batch_id=seeded,
        )
        uow.session.add(task)
    assert await look(store, place, NOW) == (1, 0)
    assert await look(store, place, NOW) == (0, 0)
    (alert,) = await alerts(store)
    assert (alert.kind, alert.evidence["freeOn"], alert.evidence["oldEnoughOn"]) == (
        "seedlings_too_young",
        "2026-09-18",
        "2026-09-22",
    )
    async with store.write() as uow:
        row = await uow.session.get_one(Task, task.id)
        row.due_on = date(2026, 9, 22)
    assert await look(store, place, NOW) == (0, 1)


async def test_a_nursery_that_runs_over(store: Store, place: Place) -> None:
    await batch(store, place, days(-5), 3000, transplant=days(9), harvest=days(30))
    assert await look(store, place, NOW) == (0, 0)

    async def advise(cells: int) -> None:
        async with store.write() as uow:
            uow.session.add(
                Advice(
                    succession_id=place.succession.id,
                    made_at=NOW,
                    input_key="x",
                    decision="hold",
                    binding="continuity",
                    interval_days=7.0,
                    advised_interval_days=7.0,
                    cells_per_seeding=cells,
                    from_on=date(2026, 9, 17),
                    probability=0.9,
                    seedings=[{"on": "2026-09-17", "cells": cells}],
                    outcome={},
                    reasons=[],
                )
            )

    await advise(1200)
    assert await look(store, place, NOW) == (1, 0)
    (alert,) = await alerts(store)
    assert (alert.kind, alert.size, alert.evidence["firstOn"]) == ("nursery_overfull", 200.0, "2026-09-17")
    await advise(950)  # fits, but only just
    assert await look(store, place, NOW) == (0, 0)
    await advise(500)
    assert await look(store, place, NOW) == (0, 1)


async def test_channels_that_run_over(store: Store, place: Place) -> None:
    crowd = await batch(store, place, days(-30), 10_000, transplant=days(-12), harvest=days(9))
    async with store.write() as uow:
        await append_entry(
            uow,
            FixedClock(NOW),
            SYSTEM,
            crowd,
            {"kind": "transplanted", "plants": 9500, "happened_at": days(-12), "zone_id": place.channels.id},
        )
    assert await look(store, place, NOW) == (1, 0)
    (alert,) = [a for a in await alerts(store) if a.kind == "sites_overfull"]
    assert (alert.size, alert.size_unit) == (500.0, "sites")
    async with store.write() as uow:
        await append_entry(
            uow,
            FixedClock(NOW),
            SYSTEM,
            crowd,
            {"kind": "harvested", "plants": 2000, "happened_at": NOW, "zone_id": place.channels.id},
        )
    assert await look(store, place, NOW) == (0, 1)


async def test_a_herb_stays_until_its_last_cut_also_beyond_the_horizon(store: Store, place: Place) -> None:
    herb = await batch(store, place, days(-30), 8000, harvest=days(3), last_harvest=None)
    await batch(store, place, days(-9), 3900, transplant=days(8), harvest=days(40))
    async with store.write() as uow:
        moved = {
            "kind": "transplanted",
            "plants": 6500,
            "happened_at": days(-12),
            "zone_id": place.channels.id,
        }
        await append_entry(uow, FixedClock(NOW), SYSTEM, herb, moved)
    await look(store, place, NOW)
    (alert,) = [a for a in await alerts(store) if a.kind == "sites_overfull"]
    assert alert.size == 6500 + 3120 - 9000


# --------------------------------------------------------------------------- dealing with them


async def test_limits_of_a_zone(store: Store, place: Place) -> None:
    zone = place.channels.id
    async with store.read() as uow:
        before = {row.quantity: row for row in await list_limits(uow, SYSTEM, zone)}
    assert (before["ph"].low, before["ph"].high, before["ph"].is_set) == (5.5, 6.5, False)
    meter = await sensor(store, place, "ph", "pH")
    await read(store, meter, NOW, [6.3] * 9)
    assert await look(store, place, NOW) == (0, 0)
    for _ in range(2):
        async with store.write() as uow:
            found = await set_limits(
                uow, SYSTEM, zone, "ph", {"low": 5.6, "high": 6.0, "after_minutes": 30.0}
            )
    assert (found.high, found.urgent_high, found.is_set) == (6.0, None, True)
    assert await look(store, place, NOW) == (1, 0)
    async with store.write() as uow:
        assert await forget_limits(uow, SYSTEM, zone, "ph") == before["ph"]
    assert await look(store, place, NOW) == (0, 1)
    wrong: list[tuple[str, dict[str, Any], str]] = [
        ("co2_ppm", {}, "quantity"),
        ("ph", {"low": 7.0, "high": 6.0}, "high"),
        ("ph", {"low": 5.5, "urgent_low": 5.7}, "urgent_low"),
        ("ph", {"urgent_high": 7.0}, "urgent_high"),
        ("ph", {"low": 20.0}, "low"),
        ("ph", {"after_minutes": 500.0}, "after_minutes"),
    ]
    for quantity, values, field in wrong:
        with pytest.raises(Impossible) as error:
            async with store.write() as uow:
                await set_limits(uow, SYSTEM, zone, quantity, values)
        assert [p.field for p in error.value.problems] == [field]


async def test_an_alert_is_acknowledged_and_snoozed(store: Store, place: Place) -> None:
    meter = await sensor(store, place, "ph", "pH")
    await read(store, meter, NOW, [6.8] * 9)
    await look(store, place, NOW)
    async with store.write() as uow:
        alert = await acknowledge_alert(uow, FixedClock(NOW), SYSTEM, 1)
        again = await acknowledge_alert(uow, FixedClock(days(1)), SYSTEM, 1)
    assert (alert.acknowledged_at, again.acknowledged_by) == (NOW, "system")
    for until in (NOW, days(31)):
        with pytest.raises(Impossible):
            async with store.write() as uow:
                await snooze_alert(uow, FixedClock(NOW), SYSTEM, 1, until)
    async with store.write() as uow:
        assert (await snooze_alert(uow, FixedClock(NOW), SYSTEM, 1, days(1))).snoozed_until == days(1)
    await read(store, meter, days(1), [6.8] * 9)
    assert await look(store, place, days(1)) == (0, 0)
    (alert,) = await alerts(store)
    assert (alert.snoozed_until, alert.closed_at) == (None, None)
    await read(store, meter, days(2), [6.0] * 9)
    await look(store, place, days(2))
    async with store.write() as uow:
        with pytest.raises(Conflict):
            await acknowledge_alert(uow, FixedClock(days(2)), SYSTEM, 1)
        with pytest.raises(NotFound):
            await acknowledge_alert(uow, FixedClock(days(2)), SYSTEM, 99)


async def test_noise_about_a_limit_opens_one_alert(store: Store, place: Place) -> None:
    meter = await sensor(store, place, "ec_ms_cm", "mS cm-1")
    opened = closed = 0
    noise = itertools.cycle([0.02, -0.03, 0.01, -0.02, 0.03])
    for n in range(12):
        at = NOW + timedelta(minutes=30 * n)
        level = 2.45 if n < 2 else 2.4
        await read(store, meter, at, [level + next(noise) for _ in range(6)])
        result = await look(store, place, at)
        opened, closed = opened + result[0], closed + result[1]
    assert (opened, closed) == (1, 0)
