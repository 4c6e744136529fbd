"""The months of the readings: one partition each on PostgreSQL, one table on SQLite."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from itertools import chain, pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import event, text

from service.clock import FixedClock
from service.records import conditions
from service.records import partitions as partitions_
from service.records.partitions import (
    MONTHS_AHEAD,
    InUse,
    ensure_months,
    is_partition,
    keep_months,
    month_after,
    month_of,
    months_between,
    move_strays,
    prepare_months,
)
from service.records.store import Store, UnitOfWork
from service.scheduler import running_scheduler
from service.work.reforecast import Reforecaster
from tests.store.test_store import add_sensor

LONG_AGO = datetime(2021, 11, 20, tzinfo=UTC)


@pytest.fixture
async def second_store(postgresql_store: Store) -> AsyncIterator[Store]:
    """Have the same database as another process sees it."""
    other = Store.open(postgresql_store.engine.url.render_as_string(hide_password=False))
    yield other
    await other.close()


# --------------------------------------------------------------------------- months

moments = st.datetimes(datetime(2000, 1, 1), datetime(2200, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001


@given(moments, moments)
def test_every_moment_between_lies_in_one_of_the_months(one: datetime, two: datetime) -> None:
    first, last = sorted((one, two))
    months = months_between(first, last)
    assert months[0] == month_of(first)
    assert months[-1] == month_of(last)
    assert all(month.day == 1 for month in months)
    for month, following in pairwise(months):
        assert month_after(month) == following
        assert timedelta(days=28) <= following - month <= timedelta(days=31)


@given(st.dates(date(2000, 1, 1), date(2200, 1, 1)), st.integers(0, 300))
def test_so_many_months_later_is_as_many_times_the_next(day: date, months: int) -> None:
    month = day.replace(day=1)
    stepped = month
    for _ in range(months):
        stepped = month_after(stepped)
    assert month_after(month, months) == stepped


def test_a_month_is_one_of_utc() -> None:
    assert month_of(datetime.fromisoformat("2026-11-01T00:30:00+01:00")) == date(2026, 10, 1)
    assert months_between(datetime(2026, 12, 5, tzinfo=UTC), datetime(2027, 2, 1, tzinfo=UTC)) == [
        date(2026, 12, 1),
        date(2027, 1, 1),
        date(2027, 2, 1),
    ]


def test_only_parts_of_the_readings_count_as_such() -> None:
    assert is_partition("reading_2026_11")
    assert is_partition("reading_default")
    assert all(
        map(
            is_partition,
            ("reading_moving", "reading_moving_default", "reading_late", "reading_dropping_2026_11"),
        )
    )
    assert not any(is_partition(name) for name in ("reading", "readings_2026_11", "reading_2026_11_x"))


# --------------------------------------------------------------------------- partitions


async def test_a_new_store_is_ready_for_the_coming_months(postgresql_store: Store) -> None:
    now = datetime.now(UTC)
    coming = [month_after(month_of(now), n) for n in range(MONTHS_AHEAD + 1)]
    assert set(await partitions(postgresql_store)) >= {name_of(month) for month in coming}
    async with postgresql_store.write() as uow:
        assert await keep_months(uow, now) == []


async def test_missing_months_are_made_and_their_readings_moved_there(postgresql_store: Store) -> None:
    sensor_id = await add_sensor(postgresql_store)
    border = datetime(2021, 12, 1, tzinfo=UTC)
    times = [LONG_AGO, border - timedelta(microseconds=1), border, border + timedelta(days=31)]
    await save(postgresql_store, sensor_id, times)
    assert await partitions(postgresql_store, "reading_default") == {"reading_default": times}

    async with postgresql_store.write() as uow:
        assert await ensure_months(uow, LONG_AGO, border) == [date(2021, 11, 1), date(2021, 12, 1)]
    found = await partitions(postgresql_store, "reading_2021_11", "reading_2021_12", "reading_default")
    assert found == {
        "reading_2021_11": times[:2],
        "reading_2021_12": times[2:3],
        "reading_default": times[3:],
    }
    assert await stored(postgresql_store, sensor_id) == [(at, 20.0 + n) for n, at in enumerate(times)]

    # From now on they go where they belong, and one that is there already is found there.
    await save(postgresql_store, sensor_id, [border, border + timedelta(hours=1)], first=50.0)
    assert (await partitions(postgresql_store))["reading_2021_12"] == [border, border + timedelta(hours=1)]
    assert (border, 50.0) in await stored(postgresql_store, sensor_id)


async def test_a_month_made_later_is_like_the_others(postgresql_store: Store) -> None:
    async with postgresql_store.write() as uow:
        await ensure_months(uow, LONG_AGO, LONG_AGO)
    made, other = "reading_2021_11", name_of(month_of(datetime.now(UTC)))

    found = await described(postgresql_store, made)
    assert found == await described(postgresql_store, other)
    assert not any("FOREIGN KEY" in row for row in found), "it would be checked with every row"
    assert any("PRIMARY KEY (sensor_id, at)" in row for row in found)
    assert any("USING brin (at)" in row for row in found)


async def test_months_that_are_there_cost_one_look(postgresql_store: Store) -> None:
    now = datetime.now(UTC)
    with statements(postgresql_store) as sent:
        async with postgresql_store.write() as uow:
            assert await ensure_months(uow, now, now + timedelta(days=40)) == []
    assert len(sent) == 1
    assert "pg_inherits" in sent[0]


async def test_keeping_makes_the_coming_months_and_the_first_that_lies_in_the_default(
    postgresql_store: Store,
) -> None:
    sensor_id = await add_sensor(postgresql_store)
    later = datetime.now(UTC) + timedelta(days=200)
    await save(postgresql_store, sensor_id, [LONG_AGO, later])
    async with postgresql_store.write() as uow:
        made = await keep_months(uow, later)
    coming = [month_after(month_of(later), n) for n in range(MONTHS_AHEAD + 1)]
    assert made == [month_of(LONG_AGO), *coming]
    found = await partitions(postgresql_store)
    assert found["reading_default"] == []
    assert found["reading_2021_11"] == [LONG_AGO]
    assert found[name_of(month_of(later))] == [later]


async def test_a_running_service_keeps_the_months(postgresql_store: Store) -> None:
    sensor_id = await add_sensor(postgresql_store)
    times = [LONG_AGO, LONG_AGO + timedelta(days=100), LONG_AGO + timedelta(days=200)]
    await save(postgresql_store, sensor_id, times)
    clock = FixedClock(datetime(2031, 4, 10, tzinfo=UTC))
    reforecaster = Reforecaster(postgresql_store, clock, members=10, horizon_days=30)
    async with asyncio.timeout(20), running_scheduler(postgresql_store, reforecaster, clock, minutes=15.0):
        while (await partitions(postgresql_store))["reading_default"]:  # noqa: ASYNC110 - seen from outside
            await asyncio.sleep(0.05)
    found = await partitions(postgresql_store)
    assert {name_of(date(2031, month, 1)) for month in (4, 5, 6, 7)} <= set(found)
    assert [found[name_of(month_of(at))] for at in times] == [[at] for at in times]
    assert await stored(postgresql_store, sensor_id) == [(at, 20.0 + n) for n, at in enumerate(times)]


async def test_processes_that_make_the_same_months_make_them_once(
    postgresql_store: Store, second_store: Store
) -> None:
    async def make(store: Store) -> list[date]:
        async with store.write() as uow:
            return await ensure_months(uow, LONG_AGO, LONG_AGO + timedelta(days=100))

    made = await asyncio.gather(*(make(store) for store in (postgresql_store, second_store) * 3))
    assert sorted(chain.from_iterable(made)) == months_between(LONG_AGO, LONG_AGO + timedelta(days=100))


async def test_readings_stored_meanwhile_are_all_there(postgresql_store: Store, second_store: Store) -> None:
    sensor_id = await add_sensor(postgresql_store)
    times = [LONG_AGO + timedelta(hours=n) for n in range(24 * 40)]
    storing = True

    async def store_all() -> None:
        nonlocal storing
        try:
            for start in range(0, len(times), 24):
                await save(second_store, sensor_id, times[start : start + 24], first=20.0 + start)
        finally:
            storing = False

    async def keep() -> int:
        made = 0
        while storing:
            async with postgresql_store.write() as uow:
                made += len(await keep_months(uow, datetime.now(UTC)))
        return made

    _, made = await asyncio.gather(store_all(), keep())
    assert made == 2
    assert await stored(postgresql_store, sensor_id) == [(at, 20.0 + n) for n, at in enumerate(times)]
    found = await partitions(postgresql_store)
    assert len(found["reading_2021_11"]) == 24 * 11
    assert found["reading_default"] == []


async def test_what_fails_leaves_the_readings_where_they_were(postgresql_store: Store) -> None:
    sensor_id = await add_sensor(postgresql_store)
    await save(postgresql_store, sensor_id, [LONG_AGO])

    async def make_and_fail() -> None:
        async with postgresql_store.write() as uow:
            await ensure_months(uow, LONG_AGO, LONG_AGO)
            raise LookupError

    with pytest.raises(LookupError):
        await make_and_fail()
    assert "reading_2021_11" not in await partitions(postgresql_store)
    assert await stored(postgresql_store, sensor_id) == [(LONG_AGO, 20.0)]


async def test_many_strays_are_moved_while_others_store_and_none_is_lost(
    postgresql_store: Store, second_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(partitions_, "FEW", 10)
    monkeypatch.setattr(partitions_, "_COPIED_AT_ONCE", 20)
    sensor_id = await add_sensor(postgresql_store)
    times = [LONG_AGO + timedelta(hours=n) for n in range(24 * 14)]  # of November and December
    await save(postgresql_store, sensor_id, times)
    expected = {at: 20.0 + n for n, at in enumerate(times)}
    copied = 0

    async def copy_bite(uow: UnitOfWork, last: Any) -> Any:
        # While a bite is being copied, others overwrite, add and remove readings of the same month.
        nonlocal copied
        found = await copy(uow, last)
        async with asyncio.timeout(2.0), second_store.write() as other:
            await other.session.execute(text("SET LOCAL lock_timeout = '1s'"))
            behind, ahead, new = times[copied], times[-1 - copied], times[copied] + timedelta(minutes=5)
            other_month = LONG_AGO - timedelta(days=300, hours=copied)
            expected.update({behind: 1.0, ahead: 2.0, new: 3.0, other_month: 4.0})
            rows = [
                {"sensor_id": sensor_id, "at": at, "value": expected[at]}
                for at in (behind, ahead, new, other_month)
            ]
            await conditions.save_readings(other, rows)
            gone = times[100 + copied]
            del expected[gone]
            await other.session.execute(text("DELETE FROM reading WHERE at = :at"), {"at": gone})
        copied += 1
        return found

    copy = partitions_._copy_bite
    monkeypatch.setattr(partitions_, "_copy_bite", copy_bite)
    async with postgresql_store.write() as uow:
        assert await ensure_months(uow, LONG_AGO, LONG_AGO) == [], "not while everybody waits"
    assert await move_strays(postgresql_store) == [date(2021, 11, 1), date(2021, 12, 1)]
    assert copied > 10
    assert dict(await stored(postgresql_store, sensor_id)) == expected
    found = await partitions(postgresql_store)
    for month in (date(2021, 11, 1), date(2021, 12, 1)):
        assert found[name_of(month)] == sorted(at for at in expected if month_of(at) == month)
    # What came of other months is where it was, and goes the next time.
    assert found["reading_default"] == sorted(at for at in expected if month_of(at) < date(2021, 11, 1))
    assert await move_strays(postgresql_store) == [date(2021, 1, 1)]
    assert (await partitions(postgresql_store))["reading_default"] == []
    assert await move_strays(postgresql_store) == []
    assert await described(postgresql_store, "reading_2021_11") == await described(
        postgresql_store, name_of(month_of(datetime.now(UTC)))
    )
    assert await tables(postgresql_store) == set(await partitions(postgresql_store))


async def test_a_move_that_was_broken_off_is_done_anew(
    postgresql_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    sensor_id = await add_sensor(postgresql_store)
    times = [LONG_AGO + timedelta(hours=n) for n in range(50)]
    await save(postgresql_store, sensor_id, times)

    async def fail(*_: object) -> None:
        raise LookupError

    with monkeypatch.context() as patched:
        patched.setattr(partitions_, "_take_places", fail)
        with pytest.raises(LookupError):
            await move_strays(postgresql_store)
    assert len(await stored(postgresql_store, sensor_id)) == 50, "none is seen twice"
    stopping = asyncio.Event()
    stopping.set()
    assert await move_strays(postgresql_store, stopping) == []
    assert await tables(postgresql_store) == set(await partitions(postgresql_store)), "nothing is left about"
    assert await move_strays(postgresql_store) == [month_of(LONG_AGO)]
    assert await stored(postgresql_store, sensor_id) == [(at, 20.0 + n) for n, at in enumerate(times)]


async def test_two_processes_that_move_strays_do_not_spoil_each_others_work(
    postgresql_store: Store, second_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(partitions_, "_COPIED_AT_ONCE", 5)
    sensor_id = await add_sensor(postgresql_store)
    times = [LONG_AGO + timedelta(hours=n) for n in range(50)]
    await save(postgresql_store, sensor_id, times)
    results = await asyncio.gather(
        move_strays(postgresql_store), move_strays(second_store), return_exceptions=True
    )
    assert [result for result in results if not isinstance(result, list | InUse)] == []
    await move_strays(postgresql_store)
    assert (await partitions(postgresql_store))["reading_default"] == []
    assert await stored(postgresql_store, sensor_id) == [(at, 20.0 + n) for n, at in enumerate(times)]


async def test_months_are_made_later_where_somebody_reads_for_long(
    postgresql_store: Store, second_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(partitions_, "LOCK_TIMEOUT_MS", 50)
    async with second_store.read() as uow:
        await uow.session.execute(text("LOCK TABLE reading IN ACCESS SHARE MODE"))  # as a dump does
        with pytest.raises(InUse):
            async with postgresql_store.write() as other:
                await ensure_months(other, LONG_AGO, LONG_AGO)
        await prepare_months(postgresql_store, [month_of(LONG_AGO)])
        assert "reading_2021_11" not in await partitions(postgresql_store)
    await prepare_months(postgresql_store, [month_of(LONG_AGO)])
    assert "reading_2021_11" in await partitions(postgresql_store)


async def test_a_span_is_looked_for_in_its_months_only(postgresql_store: Store) -> None:
    async with postgresql_store.write() as uow:
        await ensure_months(uow, LONG_AGO, LONG_AGO + timedelta(days=100))
        query = (
            "EXPLAIN (FORMAT JSON) SELECT * FROM reading WHERE sensor_id = 1"
            " AND at >= '2021-11-20Z' AND at <= '2021-12-05Z'"
        )
        plan = json.dumps(await uow.session.scalar(text(query)))
    assert "reading_2021_11" in plan
    assert "reading_2021_12" in plan
    assert plan.count('"Relation Name"') == 2


async def test_there_is_nothing_to_do_on_sqlite(sqlite_store: Store) -> None:
    with statements(sqlite_store) as sent:
        async with sqlite_store.read() as uow:
            assert await ensure_months(uow, LONG_AGO, datetime.now(UTC)) == []
            assert await keep_months(uow, datetime.now(UTC)) == []
        assert await move_strays(sqlite_store) == []
        await prepare_months(sqlite_store, [month_of(LONG_AGO)])
    assert sent == []


# --------------------------------------------------------------------------- helpers


def name_of(month: date) -> str:
    return f"reading_{month:%Y_%m}"


async def described(store: Store, table: str) -> list[str]:
    """Return the indexes and constraints of a part of the readings, by whatever name it goes."""
    query = (
        "SELECT indexdef FROM pg_indexes WHERE tablename = :table"
        " UNION ALL SELECT conname || ' ' || pg_get_constraintdef(oid) FROM pg_constraint"
        " WHERE conrelid = CAST(:table AS regclass)"
    )
    async with store.read() as uow:
        rows = await uow.session.scalars(text(query), {"table": table})
        return sorted(row.replace(table, "reading_X") for row in rows)


async def tables(store: Store) -> set[str]:
    """Return the tables that are parts of the readings, or are beside them."""
    async with store.read() as uow:
        names = await uow.session.scalars(
            text("SELECT tablename FROM pg_tables WHERE tablename LIKE 'reading_%'")
        )
        return {name for name in names if is_partition(name)}


async def save(store: Store, sensor_id: int, times: list[datetime], first: float = 20.0) -> None:
    async with store.write() as uow:
        rows = [{"sensor_id": sensor_id, "at": at, "value": first + n} for n, at in enumerate(times)]
        await conditions.save_readings(uow, rows)


async def stored(store: Store, sensor_id: int) -> list[tuple[datetime, float]]:
    async with store.read() as uow:
        rows = await conditions.readings_page(uow, sensor_id, limit=10_000)
        return [(row.at, row.value) for row in rows]


async def partitions(store: Store, *only: str) -> dict[str, list[datetime]]:
    """Return the parts of the readings with the moments in each."""
    async with store.read() as uow:
        tree = "SELECT CAST(relid AS text) FROM pg_partition_tree('reading') WHERE isleaf"
        names = [name for name in await uow.session.scalars(text(tree)) if not only or name in only]
        return {
            name: list(await uow.session.scalars(text(f"SELECT at FROM {name} ORDER BY at")))
            for name in names
        }


@contextmanager
def statements(store: Store) -> Iterator[list[str]]:
    """Collect what is sent to the database, but for transactions."""
    sent: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        if not statement.startswith("BEGIN"):
            sent.append(statement)

    event.listen(store.engine.sync_engine, "before_cursor_execute", note)
    try:
        yield sent
    finally:
        event.remove(store.engine.sync_engine, "before_cursor_execute", note)
