"""Calibrations, clocks, retention, dead letters read again, adopted topics, readings over HTTP: on each database."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import text

from ingest.batch import BatchDecoder
from ingest.reader import Delivery
from service import scheduler
from service.clock import FixedClock
from service.records import partitions, retention
from service.records.conditions import (
    active_sensors,
    add_dead_letters,
    count_unknown_topics,
    unknown_topics_total,
)
from service.records.partitions import InUse, keep_months
from service.records.sensors import add_lags, lags_since, readings_from, sensor_hours_page
from service.records.store import Store, UnitOfWork
from service.records.tables import Farm, House, Reading, Sensor
from service.scheduler import watching_sensors
from service.settings import Settings
from service.work import retention as work_retention
from service.work.access import SYSTEM, Access
from service.work.conditions import Directory, Limits, keep_lags, load_directory, store_decoded
from service.work.dead_letters import replay_dead_letters, trim_dead_letters
from service.work.errors import Conflict, Impossible
from service.work.imports import settle_all
from service.work.measurements import list_dead_letters
from service.work.payloads import MAX_PAYLOAD_BYTES
from service.work.pushing import push_readings
from service.work.retention import drop_readings
from service.work.sensor_calibrations import add_calibration, change_calibration
from service.work.sensor_health import sensor_health
from service.work.sensors import change_sensor, create_sensor
from tests.ingest.rig import NOW, Site, make_site, until

LIMITS = Limits(timedelta(minutes=5), timedelta(days=400))
HOUR = timedelta(hours=1)
CLOCK = FixedClock(NOW)


async def take(site: Site, messages: Sequence[tuple[str, bytes, datetime]]) -> Directory:
    """Take messages (topic, payload, arrival) as ingest does."""
    async with site.store.write() as uow:
        directory = await load_directory(uow, Directory())
        deliveries = [
            Delivery(site.topic(name), payload, len(payload), int(at.timestamp() * 1e6), 1, n, 1, False)
            for n, (name, payload, at) in enumerate(messages)
        ]
        (decoded,) = [d for d in BatchDecoder(directory).decode(deliveries) if d is not None]
        await store_decoded(uow, decoded, LIMITS)
    return directory


async def push(site: Site, sensor_id: int, payload: str, at: datetime = NOW) -> int:
    async with site.store.write() as uow:
        stored = await push_readings(uow, FixedClock(at), SYSTEM, sensor_id, payload.encode(), LIMITS)
    await settle_all(site.store)
    return stored.readings


def steady(value: float, start: datetime, hours: float = 1.0, minutes: int = 5) -> str:
    count = int(hours * 60 / minutes) + 1
    rows = [f'["{(start + n * timedelta(minutes=minutes)).isoformat()}", {value}]' for n in range(count)]
    return f"[{','.join(rows)}]"


async def values(site: Site, sensor_id: int) -> dict[datetime, float]:
    async with site.store.read() as uow:
        rows = await uow.session.execute(
            Reading.__table__.select().where(Reading.sensor_id == sensor_id).order_by(Reading.at)
        )
        return {row.at: row.value for row in rows}


# --------------------------------------------------------------------------- several quantities


async def test_several_quantities_in_one_object(site: Site) -> None:
    """Three sensors of one topic, each with its pointer and unit; what is missing of one is no fault of the others."""
    topic = site.topic("box")
    at = NOW - HOUR
    temp = await site.sensor("t", topic=topic, value_pointer="/t", time_pointer="/at", unit="degF")
    light = await site.sensor(
        "l", "ppfd_umol", "klx", topic=topic, value_pointer="/in/klx", time_pointer="/at"
    )
    ec = await site.sensor("e", "ec_ms_cm", "uS cm-1", topic=topic, value_pointer="/ec", time_pointer="/at")
    stamp = at.isoformat()
    await take(
        site,
        [
            ("box", f'{{"at": "{stamp}", "t": 68, "in": {{"klx": 54}}, "ec": 1800}}'.encode(), NOW),
            ("box", f'{{"at": "{(at + HOUR).isoformat()}", "t": 86, "ec": 1900}}'.encode(), NOW),
            (
                "box",
                f'[{{"at": "{(at - HOUR).isoformat()}", "t": 50, "in": {{"klx": 0}}, "ec": 1700}}]'.encode(),
                NOW,
            ),
        ],
    )
    assert list((await values(site, temp)).values()) == pytest.approx([10.0, 20.0, 30.0])
    assert list((await values(site, light)).values()) == pytest.approx(
        [0.0, 1000.0]
    )  # 54 lx a umol of sunlight
    assert list((await values(site, ec)).values()) == pytest.approx([1.7, 1.8, 1.9])
    assert await site.dead_letters() == []


# --------------------------------------------------------------------------- calibrations


async def calibrate(site: Site, sensor_id: int, **given: Any) -> Any:
    async with site.store.write() as uow:
        row, hours = await add_calibration(uow, CLOCK, SYSTEM, sensor_id, given)
        found = (row.id, hours)
    await settle_all(site.store)
    return found


async def test_a_calibration_holds_in_its_span_and_can_be_taken_back(site: Site) -> None:
    sensor_id = await site.sensor("t")
    start = NOW - 6 * HOUR
    await push(site, sensor_id, steady(20.0, start, hours=4))
    calibration_id, hours = await calibrate(
        site, sensor_id, from_at=start + HOUR, until_at=start + 2 * HOUR, factor=1.05, offset=0.5
    )
    assert hours >= 2
    found = await site.hours()
    assert found[start].temp_mean_c == pytest.approx(20.0, abs=0.1)
    assert found[start + HOUR].temp_mean_c == pytest.approx(21.5, abs=0.1)
    assert found[start + HOUR].temp_max_c == pytest.approx(21.5)
    assert found[start + 3 * HOUR].temp_mean_c == pytest.approx(20.0)
    assert set((await values(site, sensor_id)).values()) == {20.0}, "readings stay as measured"
    async with site.store.write() as uow:
        await change_calibration(uow, SYSTEM, calibration_id, {"active": False})
    await settle_all(site.store)
    assert (await site.hours())[start + HOUR].temp_mean_c == pytest.approx(20.0)


async def test_a_calibrated_running_total_has_no_step(site: Site) -> None:
    sensor_id = await site.sensor("sum", "ppfd_umol", "mol m-2", sampling="total")
    start = NOW - 4 * HOUR
    rows = [f'["{(start + n * timedelta(minutes=5)).isoformat()}", {10 + 0.1 * n}]' for n in range(37)]
    await push(site, sensor_id, f"[{','.join(rows)}]")
    await calibrate(site, sensor_id, from_at=start + HOUR, factor=1.1)
    found = await site.hours()
    assert found[start].light_mol == pytest.approx(1.2 * (11 / 12) + 1.2 * 1.1 / 12, rel=0.01)
    assert found[start + HOUR].light_mol == pytest.approx(1.2 * 1.1)
    with pytest.raises(Impossible, match="factor only"):
        await calibrate(site, sensor_id, from_at=start - HOUR, until_at=start, offset=1.0)


async def test_calibrations_do_not_overlap(site: Site) -> None:
    sensor_id = await site.sensor("t")
    await calibrate(site, sensor_id, from_at=NOW - 2 * HOUR, factor=1.1)
    with pytest.raises(Conflict, match="end that one first"):
        await calibrate(site, sensor_id, from_at=NOW - HOUR, factor=1.2)
    await calibrate(site, sensor_id, from_at=NOW - 5 * HOUR, until_at=NOW - 2 * HOUR, factor=1.2)
    with pytest.raises(Impossible, match="later than"):
        await calibrate(site, sensor_id, from_at=NOW - 8 * HOUR, until_at=NOW - 9 * HOUR)


# --------------------------------------------------------------------------- clocks


async def test_the_lag_of_messages_is_kept_by_the_hour(site: Site) -> None:
    ahead, own = await site.sensor("ahead", value_pointer="/v"), await site.sensor("own")
    deep = await site.sensor("deep", value_pointer="/a/b")
    messages = []
    for n in range(30):
        at = NOW + n * timedelta(minutes=1)
        stamp = (at + HOUR - timedelta(seconds=n % 3)).isoformat()
        late = (at - timedelta(seconds=1)).isoformat()
        messages += [
            ("ahead", f'{{"v": 20, "t": "{stamp}"}}'.encode(), at),
            ("own", b"20.5", at),
            ("deep", f'{{"a": {{"b": 20}}, "t": "{late}"}}'.encode(), at),
        ]
    directory = await take(site, messages)
    async with site.store.write() as uow:
        await keep_lags(uow, directory, NOW)
        await keep_lags(uow, directory, NOW + timedelta(minutes=2))
        await keep_lags(uow, directory, NOW + timedelta(minutes=4))
    async with site.store.read() as uow:
        found = {r.sensor_id: r for r in await lags_since(uow, [ahead, own, deep], NOW - HOUR)}
    assert own not in found, "a message without a time says nothing of a clock"
    assert (found[ahead].low_s, found[ahead].high_s, found[ahead].messages) == (-3600.0, -3598.0, 30)
    assert (found[deep].low_s, found[deep].high_s, found[deep].messages) == (1.0, 1.0, 30)
    assert {letter.reason for letter in await site.dead_letters()} == {"in_the_future"}


async def test_a_clock_correction_moves_times_and_lets_letters_be_replayed(site: Site) -> None:
    sensor_id = await site.sensor("t")
    stamp = (NOW + HOUR).isoformat()
    await take(site, [("t", f'{{"v": 20, "t": "{stamp}"}}'.encode(), NOW), ("t", b"21", NOW + HOUR)])
    assert len(await site.dead_letters()) == 1
    async with site.store.write() as uow:
        await change_sensor(uow, SYSTEM, sensor_id, {"clock_correction_s": -3600.0})
    async with site.store.write() as uow:
        done = await replay_dead_letters(uow, SYSTEM, LIMITS, sensor_id=sensor_id)
    assert (done.looked_at, done.gone, done.readings, done.next) == (1, 1, 1, None)
    await take(site, [("t", f'{{"v": 22, "t": "{(NOW + 2 * HOUR).isoformat()}"}}'.encode(), NOW + 3 * HOUR)])
    # The value without a time is of its arrival: no clock but ours was asked. It came before, and is overwritten.
    assert await values(site, sensor_id) == {NOW: 20.0, NOW + HOUR: 22.0}


# --------------------------------------------------------------------------- dead letters


async def test_replay_takes_what_parses_now_and_keeps_the_rest_with_its_reason(site: Site) -> None:
    sensor_id = await site.sensor("t", value_pointer="/wrong")
    at = (NOW - HOUR).isoformat()
    await take(
        site,
        [
            ("t", f'{{"right": 20, "t": "{at}"}}'.encode(), NOW),
            ("t", b'{"right": 900}', NOW),
            ("t", b"{nonsense", NOW),
            ("other", b"1", NOW),
        ],
    )
    assert [x.reason for x in await site.dead_letters()] == [
        "no_value",
        "no_value",
        "malformed",
        "unknown_topic",
    ]
    async with site.store.write() as uow:
        await change_sensor(uow, SYSTEM, sensor_id, {"value_pointer": "/right"})
    async with site.store.write() as uow:
        first = await replay_dead_letters(uow, SYSTEM, LIMITS, topic=site.topic("t"), limit=1)
        rest = await replay_dead_letters(uow, SYSTEM, LIMITS, topic=site.topic("t"), after=first.next)
    assert (first.looked_at, first.gone) == (1, 1)
    assert (rest.looked_at, rest.gone, rest.next) == (2, 0, None)
    letters = await site.dead_letters()
    assert [letter.reason for letter in letters] == ["out_of_range", "malformed", "unknown_topic"]
    assert "900" in letters[0].detail
    assert letters[0].sensor_id == sensor_id
    assert await values(site, sensor_id) == {NOW - HOUR: 20.0}
    await settle_all(site.store)
    async with site.store.write() as uow:
        with pytest.raises(Impossible, match="say which"):
            await replay_dead_letters(uow, SYSTEM, LIMITS)


async def test_replay_does_not_overwrite_what_came_since(site: Site) -> None:
    sensor_id = await site.sensor("t", value_pointer="/wrong")
    await take(site, [("t", f'{{"v": 20, "t": "{NOW.isoformat()}"}}'.encode(), NOW)])
    async with site.store.write() as uow:
        await change_sensor(uow, SYSTEM, sensor_id, {"value_pointer": "/v"})
    await take(site, [("t", f'{{"v": 25, "t": "{NOW.isoformat()}"}}'.encode(), NOW)])
    async with site.store.write() as uow:
        assert (await replay_dead_letters(uow, SYSTEM, LIMITS, reason="no_value")).gone == 1
    assert await values(site, sensor_id) == {NOW: 25.0}


async def test_replay_of_a_farm_leaves_other_farms_alone(site: Site) -> None:
    await site.sensor("t")
    await take(site, [("t", b"900", NOW)])
    other = Access("tablet", frozenset({"write"}), 999)
    async with site.store.write() as uow:
        assert (await replay_dead_letters(uow, other, LIMITS, reason="out_of_range")).looked_at == 0


async def test_a_sensor_made_of_a_topic_takes_its_last_payload_over(site: Site) -> None:
    await take(site, [("new", b"19.5", NOW - HOUR), ("new", b"20.5", NOW)])
    body = {
        "house_id": site.house_id,
        "zone_id": site.nursery_id,
        "name": "new",
        "quantity": "temp_air_c",
        "unit": "degC",
        "topic": site.topic("new"),
    }
    async with site.store.write() as uow:
        sensor_id = (await create_sensor(uow, SYSTEM, body)).id
        assert await unknown_topics_total(uow) == 0
    assert await values(site, sensor_id) == {NOW: 20.5}
    async with site.store.write() as uow:
        done = await replay_dead_letters(uow, SYSTEM, LIMITS, sensor_id=sensor_id)
    assert done.gone == 2
    assert await values(site, sensor_id) == {NOW - HOUR: 19.5, NOW: 20.5}


async def test_a_payload_that_cannot_be_taken_over_is_no_hindrance(site: Site) -> None:
    async with site.store.write() as uow:
        row = {"first_seen_at": NOW, "last_seen_at": NOW, "messages": 1}
        await count_unknown_topics(
            uow,
            [
                {**row, "topic": site.topic("long"), "last_payload": b"1" * 4096},
                {**row, "topic": site.topic("odd"), "last_payload": b"\xff{"},
            ],
        )
    for name in ("long", "odd"):
        async with site.store.write() as uow:
            body = {"house_id": site.house_id, "name": name, "quantity": "ph", "unit": "pH"}
            await create_sensor(uow, SYSTEM, {**body, "topic": site.topic(name)})
    assert await site.readings() == 0


async def test_dead_letters_are_bounded_by_age_and_number(site: Site) -> None:
    rows = [
        {
            "topic": "a",
            "payload": b"",
            "size_bytes": 0,
            "received_at": NOW - timedelta(days=200 - n),
            "reason": "malformed",
            "detail": str(n),
            "sensor_id": None,
        }
        for n in range(200)
    ]
    async with site.store.write() as uow:
        await add_dead_letters(uow, rows)
    assert await trim_dead_letters(site.store, NOW, 150.5, 1000) == 50
    assert await trim_dead_letters(site.store, NOW, 150.5, 100) == 50
    assert await trim_dead_letters(site.store, NOW, 150.5, 100) == 0
    assert [int(x.detail) for x in await site.dead_letters()] == list(range(100, 200))


# --------------------------------------------------------------------------- over HTTP


async def test_pushed_readings_are_all_stored_or_none(site: Site) -> None:
    sensor_id = await site.sensor("t", unit="degF")
    assert await push(site, sensor_id, steady(68.0, NOW - 2 * HOUR)) == 13
    assert (await site.hours())[NOW - 2 * HOUR].temp_mean_c == pytest.approx(20.0)
    for payload in ("[[1789362000, 70], [1789362060, 900]]", "{", '{"x": 1}', "[]"):
        with pytest.raises(Impossible):
            await push(site, sensor_id, payload)
    assert await site.readings() == 13
    assert await site.dead_letters() == []
    async with site.store.write() as uow:
        sensor = await uow.session.get(Sensor, sensor_id)
        assert sensor is not None
        sensor.active = False
    with pytest.raises(Impossible, match="retired"):
        await push(site, sensor_id, "70")


# --------------------------------------------------------------------------- retention

OLD = datetime(2026, 3, 10, 6, tzinfo=UTC)


async def old_readings(site: Site) -> tuple[int, int]:
    """Have half a year old readings: three hours of temperature and of pH."""
    temp, ph = await site.sensor("t"), await site.sensor("ph", "ph", "pH")
    await push(site, temp, steady(20.0, OLD, hours=3))
    await push(site, ph, steady(5.8, OLD, hours=3))
    await push(site, temp, steady(25.0, NOW - 2 * HOUR, hours=1))
    async with site.store.write() as uow:
        while await keep_months(uow, NOW):
            pass
    return temp, ph


async def test_old_readings_go_and_their_hours_stay(site: Site) -> None:
    temp, ph = await old_readings(site)
    before = await site.hours()
    assert await drop_readings(site.store, NOW, 100) == 74
    assert await drop_readings(site.store, NOW, 100) == 0
    assert await site.readings() == 13, "the new ones"
    after = await site.hours()
    assert {at: h.temp_mean_c for at, h in after.items()} == {at: h.temp_mean_c for at, h in before.items()}
    async with site.store.read() as uow:
        kept_from = await readings_from(uow)
        assert kept_from is not None
        assert OLD + 3 * HOUR < kept_from <= NOW - timedelta(days=90)
        left = await sensor_hours_page(uow, ph)
        assert [(h.at, h.readings) for h in left] == [(OLD + n * HOUR, 12 if n < 3 else 1) for n in range(4)]
        assert [h.mean for h in left] == pytest.approx([5.8] * 4)
        assert len(await sensor_hours_page(uow, temp)) == 4


async def test_a_late_reading_does_not_undo_an_hour_whose_readings_are_gone(site: Site) -> None:
    temp, _ = await old_readings(site)
    await drop_readings(site.store, NOW, 100)
    whole = {at: (h.temp_mean_c, h.temp_coverage) for at, h in (await site.hours()).items()}
    # Two readings of an hour that was known as a whole; and a whole hour of which nothing was.
    await push(site, temp, steady(30.0, OLD + HOUR + timedelta(minutes=10), hours=0.1))
    await push(site, temp, steady(17.0, OLD - 5 * HOUR, hours=1))
    found = await site.hours()
    for at, known in whole.items():
        assert (found[at].temp_mean_c, found[at].temp_coverage) == known
    assert found[OLD - 5 * HOUR].temp_mean_c == pytest.approx(17.0)
    # And once these have gone too, everything stays as it is, however often it is computed again.
    assert await drop_readings(site.store, NOW, 100) == 15
    await calibrate(site, temp, from_at=OLD - 9 * HOUR, factor=2.0, until_at=NOW - timedelta(days=60))
    again = await site.hours()
    assert {at: h.temp_mean_c for at, h in again.items()} == {at: h.temp_mean_c for at, h in found.items()}


async def test_an_hour_of_which_more_is_known_now_is_computed_from_that(site: Site) -> None:
    temp = await site.sensor("t")
    await push(site, temp, steady(20.0, OLD, hours=0.5))
    await drop_readings(site.store, NOW, 100)
    await push(site, temp, steady(22.0, OLD, hours=1))
    hour = (await site.hours())[OLD]
    assert (hour.temp_mean_c, hour.temp_coverage) == (pytest.approx(22.0), pytest.approx(1.0))


async def test_hours_that_wait_are_computed_before_their_readings_go(site: Site) -> None:
    temp = await site.sensor("t")
    async with site.store.write() as uow:  # stored, and nobody settles
        await push_readings(uow, CLOCK, SYSTEM, temp, steady(20.0, OLD, hours=2).encode(), LIMITS)
    assert await drop_readings(site.store, NOW, 100) == 25
    hours = await site.hours()
    assert hours[OLD].temp_mean_c == pytest.approx(20.0)
    assert hours[OLD + HOUR].temp_coverage == pytest.approx(1.0)


async def test_readings_are_stored_while_others_are_dropped(site: Site) -> None:
    temp, _ = await old_readings(site)
    written = asyncio.gather(
        *(push(site, temp, steady(21.0 + n, NOW - (20 + n) * HOUR, hours=0.5)) for n in range(8))
    )
    dropped = await drop_readings(site.store, NOW, 100)
    await written
    await settle_all(site.store)
    assert dropped == 74
    assert await site.readings() == 13 + 8 * 7


async def test_a_month_goes_as_a_whole_on_postgresql(site: Site) -> None:
    await old_readings(site)
    await drop_readings(site.store, NOW, 100)
    if site.store.dialect == "postgresql":
        async with site.store.read() as uow:
            assert await uow.session.scalar(text("SELECT to_regclass('reading_2026_03')")) is None


async def test_nobody_waits_while_a_month_is_dropped_and_nothing_that_comes_late_is_lost(
    postgresql_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = await make_site(postgresql_store)
    temp, _ = await old_readings(site)
    thinned: list[str] = []

    async def thin(uow: UnitOfWork, table: str, start: datetime, end: datetime) -> None:
        await thin_(uow, table, start, end)
        thinned.append(table)
        if len(thinned) > 1:
            return
        async with asyncio.timeout(2.0):
            async with site.store.read() as other:
                assert await readings_from(other) == datetime(2026, 4, 1, tzinfo=UTC), "written down before"
                assert [sensor.id for sensor in await active_sensors(other)]
            await push(site, temp, steady(21.0, NOW - 4 * HOUR, hours=0.5))
            await push(site, temp, steady(17.0, OLD - 5 * HOUR, hours=1))

    thin_ = retention._thin
    monkeypatch.setattr(retention, "_thin", thin)
    assert await drop_readings(site.store, NOW, 100) == 74 + 13
    assert thinned == ["reading_dropping_2026_03", "reading_default"]
    assert await site.readings() == 13 + 7
    assert (await site.hours())[OLD - 5 * HOUR].temp_mean_c == pytest.approx(17.0)
    async with site.store.read() as uow:
        assert sum(h.readings for h in await sensor_hours_page(uow, temp)) == 37 + 13
        names = await uow.session.scalars(
            text("SELECT tablename FROM pg_tables WHERE tablename LIKE '%2026_03'")
        )
        assert names.all() == []


async def test_a_month_that_was_taken_out_and_not_dropped_is_dropped_the_next_time(
    postgresql_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = await make_site(postgresql_store)
    temp, _ = await old_readings(site)

    async def fail(*_: object) -> None:
        raise LookupError

    with monkeypatch.context() as patched:
        patched.setattr(retention, "_thin", fail)
        with pytest.raises(LookupError):
            await drop_readings(site.store, NOW, 100)
    async with site.store.write() as uow:
        await keep_months(uow, NOW)
    await push(site, temp, steady(17.0, OLD - 5 * HOUR, hours=1))
    async with site.store.write() as uow:
        assert await keep_months(uow, NOW) == [OLD.date().replace(day=1)], (
            "late ones may have that month again"
        )
    assert await drop_readings(site.store, NOW, 100) == 74 + 13
    assert await site.readings() == 13


async def test_a_dump_is_not_pressed(
    postgresql_store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(partitions, "LOCK_TIMEOUT_MS", 50)
    monkeypatch.setattr(scheduler, "SHORTEST_INTERVAL_S", 0.05)
    caplog.set_level("INFO")
    site = await make_site(postgresql_store)
    await old_readings(site)
    async with site.store.read() as uow:
        await uow.session.execute(text("LOCK TABLE reading IN ACCESS SHARE MODE"))
        with pytest.raises(InUse):
            await drop_readings(site.store, NOW, 100)
        settings = Settings(reading_days=100)
        async with watching_sensors(site.store, CLOCK, settings, 1e-3):
            await until(lambda: said(caplog, "dropped later"))
    assert not await said(caplog, "failed")
    assert await site.readings() == 74 + 13
    async with watching_sensors(site.store, CLOCK, settings, 1e-3):
        await until(lambda: said(caplog, "dropped 74 old readings"))


async def test_lags_of_long_ago_go_though_readings_stay_for_ever(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(scheduler, "SHORTEST_INTERVAL_S", 0.05)
    monkeypatch.setattr(work_retention, "_LAGS_AT_ONCE", 7)
    sensor_id = await site.sensor("t")
    hours = [NOW - n * 24 * HOUR for n in range(40)]
    async with site.store.write() as uow:
        lag = {"sensor_id": sensor_id, "low_s": 1.0, "high_s": 2.0, "messages": 3}
        await add_lags(uow, [{**lag, "at": at} for at in hours])

    async def trimmed() -> bool:
        async with site.store.read() as uow:
            return len(await lags_since(uow, [sensor_id], hours[-1])) < 40

    settings = Settings()
    assert settings.reading_days == 0
    async with watching_sensors(site.store, CLOCK, settings, 1e-3):
        await until(trimmed)
    async with site.store.read() as uow:
        assert [lag.at for lag in await lags_since(uow, [sensor_id], hours[-1])] == hours[14::-1]


async def said(caplog: pytest.LogCaptureFixture, words: str) -> bool:
    """Tell whether something was logged."""
    return words in caplog.text


async def test_readings_are_not_dropped_too_soon(site: Site) -> None:
    with pytest.raises(ValueError, match="90 days"):
        await drop_readings(site.store, NOW, 30)


# --------------------------------------------------------------------------- whose a dead letter is


async def _another_house(site: Site, *, farm: bool) -> int:
    """Add a house, of another farm or of the same; returns it."""
    async with site.store.write() as uow:
        first = await uow.session.get_one(House, site.house_id)
        farm_id = first.farm_id
        if farm:
            other = Farm(name="Other", created_at=NOW)
            uow.session.add(other)
            await uow.flush()
            farm_id = other.id
        house = House(farm_id=farm_id, name="Second", code="h2", latitude_deg=50.0, longitude_deg=8.0)
        uow.session.add(house)
        await uow.flush()
        return house.id


async def test_what_cannot_be_read_is_put_down_to_the_sensor_of_the_topic(site: Site) -> None:
    own = await site.sensor("t")
    first = await site.sensor("a", topic=site.topic("shared"), value_pointer="/a")
    await site.sensor("b", topic=site.topic("shared"), value_pointer="/b")
    large = b"1" * (MAX_PAYLOAD_BYTES + 1)
    both_wrong = b'{"a": "x", "b": "y", "time": "2026-09-14T05:00:00Z"}'
    topics = ("t", "t", "shared", "shared", "nobody")
    payloads = (b"not json", large, b"not json", both_wrong, b"1")
    await take(site, [(name, payload, NOW) for name, payload in zip(topics, payloads, strict=True)])
    letters = [(x.reason, x.sensor_id) for x in await site.dead_letters()]
    assert letters == [
        ("malformed", own),
        ("oversized", own),
        ("malformed", first),
        ("no_value", first),
        ("unknown_topic", None),
    ]
    async with site.store.write() as uow:
        house = await uow.session.get_one(House, site.house_id)
        assert (await sensor_health(uow, CLOCK, SYSTEM, own)).refused == {"malformed": 1, "oversized": 1}
        grower = Access("Robin", frozenset({"read"}), house.farm_id)
        seen, _ = await list_dead_letters(uow, grower)
    assert len(seen) == 4, "who is limited to the farm sees them"
    async with site.store.write() as uow:
        await replay_dead_letters(uow, SYSTEM, LIMITS, topic=site.topic("t"))
    assert [x.sensor_id for x in await site.dead_letters()][:2] == [own, own], (
        "read again, it is still whose it was"
    )


@pytest.mark.parametrize("farm", [False, True])
async def test_what_came_on_a_shared_topic_is_put_down_to_one_only_within_a_farm(
    site: Site, farm: bool
) -> None:
    first = await site.sensor("a", topic=site.topic("shared"), value_pointer="/a")
    house_id = await _another_house(site, farm=farm)
    async with site.store.write() as uow:
        uow.session.add(
            Sensor(
                house_id=house_id,
                name="b",
                quantity="temp_air_c",
                unit="degC",
                topic=site.topic("shared"),
                value_pointer="/b",
                interval_s=300.0,
            )
        )
    await take(site, [("shared", b"not json", NOW)])
    assert [x.sensor_id for x in await site.dead_letters()] == [None if farm else first]
