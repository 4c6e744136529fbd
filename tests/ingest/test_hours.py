"""Readings to hours on each database: ways of sampling, several sensors, and settling while others write."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from datetime import datetime, timedelta

import pytest

from service.records.conditions import readings_page, touched_hours_left
from service.records.tables import Sensor
from service.work.conditions import (
    Arrival,
    Directory,
    Limits,
    Refused,
    Sample,
    Stored,
    Stream,
    load_directory,
    settle_hours,
    store_arrivals,
    touch_span,
)
from tests.ingest.rig import NOW, Site

LIMITS = Limits(timedelta(minutes=5), timedelta(days=400))
HOUR = timedelta(hours=1)
AT = NOW - 6 * HOUR


async def stream(site: Site, name: str) -> Stream:
    async with site.store.read() as uow:
        (found,) = (await load_directory(uow, Directory())).of(site.topic(name))
        return found


async def arrive(site: Site, name: str, samples: Sequence[tuple[datetime, float]]) -> Stored:
    of = await stream(site, name)
    arrival = Arrival(of.topic, b"", NOW, 0, [Sample(of, at, value) for at, value in samples])
    async with site.store.write() as uow:
        return await store_arrivals(uow, [arrival], LIMITS)


async def settle(site: Site, limit: int = 1000) -> list[tuple[int, datetime]]:
    async with site.store.write() as uow:
        return await settle_hours(uow, limit)


def every(minutes: float, count: int, value: float, start: datetime = AT) -> list[tuple[datetime, float]]:
    return [(start + n * timedelta(minutes=minutes), value) for n in range(count)]


async def test_light_is_the_integral_in_mol(site: Site) -> None:
    await site.sensor("par", "ppfd_umol", "umol m-2 s-1", interval_s=600.0)
    await arrive(site, "par", every(10, 13, 250.0))
    await settle(site)
    hours = await site.hours()
    # 250 umol m-2 s-1 over an hour is 0.9 mol m-2; DLI = PPFD x 3600 x h / 10^6.
    assert [hours[AT + n * HOUR].light_mol for n in range(2)] == pytest.approx([0.9, 0.9])
    assert hours[AT].light_coverage == pytest.approx(1.0)
    assert hours[AT].temp_mean_c is None


async def test_a_running_total_that_falls_back_to_zero_at_midnight(site: Site) -> None:
    await site.sensor("sum", "ppfd_umol", "J cm-2", sampling="total", interval_s=900.0)
    midnight = NOW.replace(hour=0)
    before = [(midnight - timedelta(minutes=15 * n), 900.0 - 10.0 * n) for n in range(1, 9)]
    after = [(midnight + timedelta(minutes=15 * n), 10.0 * n) for n in range(1, 9)]
    await arrive(site, "sum", before + after)
    await settle(site)
    hours = await site.hours()
    # 40 J cm-2 an hour: 0.4 MJ m-2 of global radiation, 45 % PAR, 4.57 umol a joule.
    assert hours[midnight + HOUR].light_mol == pytest.approx(0.4 * 0.45 * 4.57)
    assert hours[midnight - HOUR].light_mol == pytest.approx(0.4 * 0.45 * 4.57, rel=0.3)


async def test_a_dark_sensor_below_zero_is_no_negative_light(site: Site) -> None:
    await site.sensor("par", "ppfd_umol", "umol m-2 s-1", interval_s=600.0)
    await arrive(site, "par", every(10, 7, -0.4))
    await settle(site)
    assert (await site.hours())[AT].light_mol == 0.0


async def test_the_sensors_of_a_zone_together(site: Site) -> None:
    """The mean is weighted by coverage; the extremes are those of all."""
    await site.sensor("a", interval_s=600.0)
    await site.sensor("b", interval_s=600.0)
    await site.sensor("other", interval_s=600.0, zone_id=site.channels_id)
    await site.sensor("outdoors", interval_s=600.0, zone_id=None)
    await arrive(site, "a", every(10, 7, 20.0))
    await arrive(site, "b", every(10, 4, 26.0))
    await arrive(site, "other", every(10, 7, 15.0))
    stored = await arrive(site, "outdoors", every(10, 7, 5.0))
    assert stored.readings == 7
    assert stored.touched == set()
    await settle(site)
    hour = (await site.hours())[AT]
    assert hour.temp_mean_c == pytest.approx((20.0 * 1.0 + 26.0 * 0.5) / 1.5)
    assert (hour.temp_min_c, hour.temp_max_c) == (20.0, 26.0)
    assert hour.temp_coverage == pytest.approx(1.0)
    assert (await site.hours(site.channels_id))[AT].temp_mean_c == pytest.approx(15.0)


async def test_quantities_without_hours_touch_none(site: Site) -> None:
    await site.sensor("ph", "ph", "pH")
    stored = await arrive(site, "ph", every(5, 3, 5.8))
    assert stored.readings == 3
    assert stored.touched == set()


async def test_what_a_retired_sensor_measured_stays_measured(site: Site) -> None:
    sensor_id = await site.sensor("a", interval_s=600.0)
    await arrive(site, "a", every(10, 7, 20.0))
    async with site.store.write() as uow:
        (await uow.session.get_one(Sensor, sensor_id)).active = False
    await settle(site)
    async with site.store.write() as uow:
        await touch_span(uow, site.nursery_id, AT, AT)
    assert await settle(site) == [(site.nursery_id, AT)]
    assert (await site.hours())[AT].temp_mean_c == pytest.approx(20.0)
    async with site.store.read() as uow:
        assert (await load_directory(uow, Directory())).of(site.topic("a")) == ()


async def test_an_hour_in_which_nothing_was_measured_is_none(site: Site) -> None:
    """A sample by itself says nothing of the time around it; later samples make the hour, and then it is there."""
    await site.sensor("a", interval_s=600.0)
    await arrive(site, "a", [(AT, 20.0)])
    assert len(await settle(site)) > 0
    assert await site.hours() == {}
    await arrive(site, "a", [(AT + timedelta(minutes=10), 20.0)])
    await settle(site)
    assert list(await site.hours()) == [AT]


async def test_hours_are_settled_in_portions_and_only_once(site: Site) -> None:
    await site.sensor("a", interval_s=3600.0)
    await arrive(site, "a", every(60, 49, 20.0, NOW - 49 * HOUR))
    taken = []
    while portion := await settle(site, 10):
        assert len(portion) <= 10
        taken += portion
    assert len(taken) == len(set(taken)) >= 48
    assert await settle(site) == []
    hours = await site.hours()
    assert len(hours) == 48
    assert all(hour.temp_mean_c == pytest.approx(20.0) for hour in hours.values())


@pytest.mark.parametrize("rows_at_once", [1, 9, 100_000])
async def test_hours_do_not_depend_on_how_many_are_read_at_once(
    site: Site, rows_at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.work.conditions._ROWS_AT_ONCE", rows_at_once)
    await site.sensor("a", interval_s=900.0)
    start = AT - 40 * HOUR
    # A ramp with a day without readings in it: half a degree every quarter of an hour.
    ramp = [(start + n * HOUR / 4, 10.0 + n / 8) for n in range(80) if not 20 <= n < 76]
    await arrive(site, "a", ramp)
    await settle(site)
    hours = await site.hours()
    assert sorted(hours) == [start + n * HOUR for n in (0, 1, 2, 3, 4, 19)]
    assert hours[start + HOUR].temp_mean_c == pytest.approx(10.0 + 6 / 8)
    assert hours[start + 19 * HOUR].temp_min_c == pytest.approx(19.5)


async def test_settling_fails_and_nothing_of_it_is_lost(site: Site) -> None:
    await site.sensor("a", interval_s=600.0)
    await arrive(site, "a", every(10, 7, 20.0))

    async def cut_off() -> None:
        async with site.store.write() as uow:
            assert await settle_hours(uow)
            raise RuntimeError("power cut")

    with pytest.raises(RuntimeError, match="power cut"):
        await cut_off()
    assert await site.hours() == {}
    await settle(site)
    assert (await site.hours())[AT].temp_coverage == pytest.approx(1.0)


async def test_readings_stored_while_others_settle_are_in_the_hours_at_the_end(site: Site) -> None:
    """Three processes write the same hours while two settle: no mark is lost between them."""
    names = ["a", "b", "c"]
    for name in names:
        await site.sensor(name, interval_s=60.0)
    writing = True

    async def write(name: str, value: float) -> None:
        for first in range(0, 121, 5):
            await arrive(site, name, every(1, 5, value, AT + timedelta(minutes=first)))

    async def keep_settling() -> None:
        while writing:
            await settle(site, 3)
            await asyncio.sleep(0)

    settling = [asyncio.create_task(keep_settling()) for _ in range(2)]
    try:
        await asyncio.gather(*(write(name, 18.0 + 2 * n) for n, name in enumerate(names)))
    finally:
        writing = False
        await asyncio.gather(*settling)
    await settle(site)
    async with site.store.read() as uow:
        assert await touched_hours_left(uow) == 0
    hours = await site.hours()
    for at in (AT, AT + HOUR):
        assert hours[at].temp_coverage == pytest.approx(1.0)
        assert hours[at].temp_mean_c == pytest.approx(20.0)
        assert (hours[at].temp_min_c, hours[at].temp_max_c) == (18.0, 22.0)


async def test_a_calibration_factor_and_own_limits_count(site: Site) -> None:
    sensor_id = await site.sensor("par", "ppfd_umol", "klx", factor=1.1, valid_min=0.0, valid_max=1500.0)
    stored = await arrive(site, "par", [(AT, 54.0), (AT + HOUR, 80.0), (AT + 2 * HOUR, -0.1)])
    assert (stored.readings, stored.dead_letters) == (1, 1)
    async with site.store.read() as uow:
        (row,) = await readings_page(uow, sensor_id)
    assert row.value == pytest.approx(1100.0)
    (letter,) = await site.dead_letters()
    assert (letter.reason, letter.sensor_id) == ("out_of_range", sensor_id)
    assert "80 becomes 1629.63, which is outside 0 to 1500" in letter.detail


async def test_a_sensor_that_is_not_there_is_refused_and_nothing_stored(site: Site) -> None:
    await site.sensor("a")
    known = await stream(site, "a")
    gone = Stream(**{name: getattr(known, name) for name in known.__slots__} | {"sensor_id": 999_999})
    arrival = Arrival("t", b"", NOW, 0, [Sample(known, AT, 20.0), Sample(gone, AT, 20.0)])
    with pytest.raises(Refused):
        async with site.store.write() as uow:
            await store_arrivals(uow, [arrival], LIMITS)
    assert await site.readings() == 0


async def test_the_directory_is_read_again_only_when_a_sensor_changed(site: Site) -> None:
    sensor_id = await site.sensor("a")
    async with site.store.read() as uow:
        first = await load_directory(uow, Directory())
    async with site.store.read() as uow:
        assert await load_directory(uow, first) is first
    async with site.store.write() as uow:
        (await uow.session.get_one(Sensor, sensor_id)).factor = 2.0
    async with site.store.read() as uow:
        second = await load_directory(uow, first)
    assert second.of(site.topic("a"))[0].scale == 2.0
