"""What ingest does when it is killed, and when its database or its broker goes: nothing lost, nothing doubled.

What must be there is what the broker acknowledged to the publisher.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sqlite3
import sys
from collections.abc import AsyncIterator, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select

from ingest.broker import BrokerHandle, find_mosquitto, running_broker
from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Reading
from service.settings import Settings
from tests import services
from tests.conftest import open_store
from tests.ingest.rig import NOW, Site, ingesting, make_site, publish, until

pytestmark = pytest.mark.mosquitto

SCRIPT = Path(__file__).with_name("ingest_process.py")
ROOT = Path(__file__).parents[2]
START = datetime(2026, 1, 1, tzinfo=UTC)
CLOCK = FixedClock(NOW)


@pytest.fixture
async def broker(mosquitto_url: str, tmp_path: Path) -> AsyncIterator[BrokerHandle]:
    """Have a mosquitto as we ship it, with a session queue without bound."""
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed here")
    async with running_broker(Settings(data_dir=tmp_path, mqtt_bind="127.0.0.1:0")) as handle:
        yield handle


@pytest.fixture
async def site(store: Store) -> Site:
    return await make_site(store)


@dataclass
class IngestProcess:
    """Ingest in a process of its own, which can be killed and started again."""

    database_url: str
    broker_url: str
    site: Site
    process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        self.process = await asyncio.create_subprocess_exec(
            sys.executable,
            str(SCRIPT),
            self.database_url,
            self.broker_url,
            f"{self.site.prefix}/#",
            self.client_id,
            cwd=ROOT,
            env={"PYTHONPATH": str(ROOT)},
        )

    @property
    def client_id(self) -> str:
        return f"{self.site.prefix}-process"

    async def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        await self.process.wait()

    async def stop(self) -> int:
        assert self.process is not None
        self.process.terminate()
        return await self.process.wait()


@contextlib.asynccontextmanager
async def ingest_process(database_url: str, broker: BrokerHandle, site: Site) -> AsyncIterator[IngestProcess]:
    """Have an ingest process whose session with the broker is already there; it is not running yet."""
    own = IngestProcess(database_url, broker.url, site)
    await own.start()
    try:

        async def through() -> bool:
            await asyncio.to_thread(publish, broker.url, [(site.topic("probe"), b"0")])
            return bool(await site.dead_letters())

        await until(through, pause_s=0.2)
        assert await own.stop() == 0
        yield own
    finally:
        if own.process is not None and own.process.returncode is None:
            await own.kill()


def backlog(site: Site, count: int) -> list[tuple[str, bytes]]:
    """Return messages of ten sensors, each with a moment and value of its own."""
    return [
        (
            site.topic(f"s{number % 10}"),
            json.dumps(
                {"t": (START + timedelta(minutes=number // 10)).isoformat(), "v": value_of(number)}
            ).encode(),
        )
        for number in range(count)
    ]


def value_of(number: int) -> float:
    return 10.0 + (number * 7919 % 20_000) / 1000


async def check_all_there_once(site: Site, sensor_ids: Sequence[int], count: int) -> None:
    async with site.store.read() as uow:
        total = (await uow.session.execute(select(func.count()).select_from(Reading))).scalar_one()
        rows = (await uow.session.execute(select(Reading.sensor_id, Reading.at, Reading.value))).all()
    assert total == count
    assert {(sensor_id, at): value for sensor_id, at, value in rows} == {
        (sensor_ids[number % 10], START + timedelta(minutes=number // 10)): value_of(number)
        for number in range(count)
    }
    assert [letter for letter in await site.dead_letters() if letter.reason != "unknown_topic"] == []


@pytest.mark.parametrize("count", [5000, pytest.param(50_000, marks=pytest.mark.slow)])
async def test_killed_in_a_backlog_it_loses_and_doubles_nothing(
    site: Site, broker: BrokerHandle, database_url: str, count: int
) -> None:
    sensor_ids = [await site.sensor(f"s{n}", interval_s=60.0) for n in range(10)]
    async with ingest_process(database_url, broker, site) as process:
        acknowledged = await asyncio.to_thread(publish, broker.url, backlog(site, count))
        assert acknowledged == count
        for share in (0.05, 0.3, 0.6):
            await process.start()

            async def far_enough(least: float = share * count) -> bool:
                return await site.readings() >= least

            await until(far_enough, 60.0, pause_s=0.03)
            await process.kill()
        killed_at = await site.readings()
        await process.start()

        async def complete() -> bool:
            return await site.readings() >= count and await site.settled()

        await until(complete, 120.0, pause_s=0.2)
        assert await process.stop() == 0
    assert killed_at < count or count == 5000, "a large backlog is not through by the third kill"
    await check_all_there_once(site, sensor_ids, count)
    hours = await site.hours()
    assert len(hours) >= count // 600
    assert hours[START + timedelta(hours=1)].temp_coverage == pytest.approx(1.0)


@pytest.fixture
def own_postgresql(
    postgresql_server: object, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[services.LocalPostgresql]:
    """Have a PostgreSQL of one's own, which can be stopped."""
    folder = tmp_path_factory.mktemp("postgresql")
    for parent in folder.parents[:3]:
        parent.chmod(0o755)  # so that the account that PostgreSQL runs under gets there
    server = services.LocalPostgresql(folder)
    try:
        server.start()
    except services.Unavailable as reason:
        pytest.skip(f"a PostgreSQL that can be stopped: {reason}")
    yield server
    server.stop()


@pytest.mark.postgresql
async def test_postgresql_stopped_for_some_seconds(
    own_postgresql: services.LocalPostgresql, broker: BrokerHandle, caplog: pytest.LogCaptureFixture
) -> None:
    from service.records.migrate import upgrade

    count = 5000
    async with open_store(own_postgresql.url) as store:
        await upgrade(store)
        site = await make_site(store)
        sensor_ids = [await site.sensor(f"s{n}", interval_s=60.0) for n in range(10)]
        messages = backlog(site, count)
        async with ingesting(site, CLOCK, broker):
            publishing = asyncio.create_task(asyncio.to_thread(publish, broker.url, messages[: count // 2]))

            async def begun() -> bool:
                return await site.readings() > 0

            await until(begun, pause_s=0.01)
            await asyncio.to_thread(own_postgresql.stop)
            assert await publishing == count // 2
            assert await asyncio.to_thread(publish, broker.url, messages[count // 2 :]) == count - count // 2
            await asyncio.sleep(10.0)
            await asyncio.to_thread(own_postgresql.start)

            async def complete() -> bool:
                try:
                    return await site.readings() >= count and await site.settled()
                except Exception:  # noqa: BLE001 - a driver whose server went raises many things
                    return False

            await until(complete, 60.0)
        await check_all_there_once(site, sensor_ids, count)
    assert "Readings cannot be stored now, trying again" in caplog.text


async def test_sqlite_locked_by_someone_else(sqlite_store: Store, broker: BrokerHandle) -> None:
    site = await make_site(sqlite_store)
    await site.sensor("s0")
    async with ingesting(site, CLOCK, broker):
        async with sqlite_store.write() as uow:
            await uow.session.execute(select(1))  # takes the lock
            assert await asyncio.to_thread(publish, broker.url, backlog(site, 1)) == 1
            await asyncio.sleep(1.0)
            assert await site.readings() == 0

        async def complete() -> bool:
            return await site.readings() == 1

        await until(complete)


async def test_a_broker_that_is_started_again_is_found_again(
    site: Site, mosquitto_server: services.LocalMosquitto
) -> None:
    sensor_ids = [await site.sensor(f"s{n}", interval_s=60.0) for n in range(10)]
    count = 300
    messages = backlog(site, count)
    handle = BrokerHandle(mosquitto_server.url, "external", mqtt5=True, redelivers=True)
    async with ingesting(site, CLOCK, handle):
        assert await asyncio.to_thread(publish, handle.url, messages[:100]) == 100
        await asyncio.to_thread(mosquitto_server.kill)
        await asyncio.sleep(0.5)
        await asyncio.to_thread(mosquitto_server.start)
        # At once, while ingest may still be away: its session waits with the broker.
        assert await asyncio.to_thread(publish, handle.url, messages[100:200]) == 100

        async def two_thirds() -> bool:
            return await site.readings() >= 200

        await until(two_thirds, 60.0)
        await asyncio.to_thread(mosquitto_server.stop)
        await asyncio.to_thread(mosquitto_server.start)
        assert await asyncio.to_thread(publish, handle.url, messages[200:]) == 100

        async def complete() -> bool:
            return await site.readings() >= count

        await until(complete, 60.0)
    await check_all_there_once(site, sensor_ids, count)


async def test_a_commit_that_fails_is_tried_again(
    sqlite_store: Store,
    broker: BrokerHandle,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    site = await make_site(sqlite_store)
    await site.sensor("s0")
    failures = 3
    dialect = sqlite_store.engine.sync_engine.dialect
    commit = dialect.do_commit

    def fail(connection: Any) -> None:
        nonlocal failures
        if failures:
            failures -= 1
            raise sqlite3.OperationalError("database or disk is full")
        commit(connection)

    async with ingesting(site, CLOCK, broker):
        monkeypatch.setattr(dialect, "do_commit", fail)
        assert await asyncio.to_thread(publish, broker.url, backlog(site, 1)) == 1

        async def complete() -> bool:
            return await site.readings() == 1 and await site.settled()

        await until(complete)
        assert failures == 0
    assert "database or disk is full" in caplog.text
