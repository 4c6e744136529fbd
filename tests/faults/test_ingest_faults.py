"""What ingest does when it is killed, and when its database or its broker goes: nothing lost, nothing doubled.

What must be there is what the broker acknowledged to the publisher.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from sqlalchemy import func, select

from ingest.broker import BrokerHandle, find_mosquitto, running_broker
from ingest.listener import BrokerAddress
from service.clock import FixedClock
from service.records.slots import slot_rows
from service.records.store import Store
from service.records.tables import Reading
from service.settings import Settings
from tests import services
from tests.conftest import GIVEN, open_store
from tests.ingest.flood import flood
from tests.ingest.mosquitto import Broker
from tests.ingest.rig import NOW, Site, ingesting, make_site, publish, until

pytestmark = pytest.mark.mosquitto

WHOLE = bool(GIVEN.get("EVENLEAF_TEST_WHOLE"))
"""Whether faults are tried at their whole size; otherwise at a twentieth."""
COUNT = 300_000 if WHOLE else 15_000
BATCH = 4000 if WHOLE else 200
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
def broker_server(mosquitto_url: str, tmp_path: Path) -> Iterator[Broker]:
    """Have a mosquitto as we ship it, which can be stopped and started again."""
    folder = tmp_path / "broker"
    folder.mkdir()
    server = Broker(folder)
    try:
        server.start()
    except services.Unavailable as reason:
        pytest.skip(str(reason))
    yield server
    server.stop()


@pytest.fixture
async def site(store: Store) -> Site:
    return await make_site(store)


@dataclass
class IngestProcess:
    """Ingest in a process of its own, which can be killed and started again."""

    database_url: str
    broker_url: str
    site: Site
    slots: int = 0
    process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        self.process = await asyncio.create_subprocess_exec(
            sys.executable,
            str(SCRIPT),
            self.database_url,
            self.broker_url,
            f"{self.site.prefix}/#",
            self.client_id,
            str(self.slots),
            str(BATCH),
            cwd=ROOT,
            env={"PYTHONPATH": str(ROOT)},
        )

    @property
    def client_id(self) -> str:
        return f"{self.site.prefix}-process-0"

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


def more_than(site: Site, least: int) -> Callable[[], Awaitable[bool]]:
    async def more() -> bool:
        return await site.readings() > least

    return more


def complete(site: Site, count: int) -> Callable[[], Awaitable[bool]]:
    async def all_there() -> bool:
        try:
            return await site.readings() >= count and await site.settled()
        except Exception:  # noqa: BLE001 - a driver whose server went raises many things
            return False

    return all_there


async def test_killed_five_times_in_a_backlog_it_loses_and_doubles_nothing(
    site: Site, broker: BrokerHandle, database_url: str
) -> None:
    sensor_ids = [await site.sensor(f"s{n}", interval_s=60.0) for n in range(10)]
    async with ingest_process(database_url, broker, site) as process:
        assert await asyncio.to_thread(flood, broker.url, backlog(site, COUNT)) == COUNT
        before = 0
        for _ in range(5):
            await process.start()
            await until(more_than(site, before), 60.0, pause_s=0.01)
            await process.kill()
            before = await site.readings()
        assert before < COUNT, "it is not through by the fifth kill"
        await process.start()
        await until(complete(site, COUNT), 300.0, pause_s=0.2)
        assert await process.stop() == 0
    await check_all_there_once(site, sensor_ids, COUNT)
    hours = await site.hours()
    assert len(hours) >= COUNT // 600
    assert hours[START + timedelta(hours=1)].temp_coverage == pytest.approx(1.0)


@pytest.mark.postgresql
async def test_two_slots_of_which_one_is_killed(
    postgresql_store: Store, postgresql_url: str, broker: BrokerHandle
) -> None:
    site = await make_site(postgresql_store)
    sensor_ids = [await site.sensor(f"s{n}", interval_s=60.0) for n in range(10)]
    processes = [IngestProcess(postgresql_url, broker.url, site, slots=2) for _ in range(2)]

    async def both_hold() -> bool:
        async with site.store.read() as uow:
            rows = await slot_rows(uow)
        return len({row.holder for row in rows if row.holder is not None}) == 2

    try:
        for process in processes:
            await process.start()
        await until(both_hold, 60.0, pause_s=0.1)
        await asyncio.sleep(1.0)  # until both have subscribed
        publishing = asyncio.create_task(asyncio.to_thread(flood, broker.url, backlog(site, COUNT)))
        await until(more_than(site, 0), 60.0, pause_s=0.01)
        await processes[0].kill()
        killed_at = await site.readings()
        assert await publishing == COUNT
        await until(complete(site, COUNT), 300.0, pause_s=0.2)
        assert await processes[1].stop() == 0
    finally:
        for process in processes:
            if process.process is not None and process.process.returncode is None:
                await process.kill()
    assert killed_at < COUNT
    await check_all_there_once(site, sensor_ids, COUNT)


@pytest.fixture
def own_postgresql(postgresql_server: object) -> Iterator[services.LocalPostgresql]:
    """Have a PostgreSQL of one's own, which can be stopped."""
    # Not in pytest's folder, which the account that PostgreSQL runs under may not enter.
    with TemporaryDirectory(prefix="evenleaf-postgresql-") as folder:
        server = services.LocalPostgresql(Path(folder))
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

    count = COUNT
    async with open_store(own_postgresql.url) as store:
        await upgrade(store)
        site = await make_site(store)
        sensor_ids = [await site.sensor(f"s{n}", interval_s=60.0) for n in range(10)]
        messages = backlog(site, count)
        async with ingesting(site, CLOCK, broker):
            publishing = asyncio.create_task(asyncio.to_thread(flood, broker.url, messages[: count // 2]))

            async def begun() -> bool:
                return await site.readings() > 0

            await until(begun, pause_s=0.01)
            await asyncio.to_thread(own_postgresql.stop)
            assert await publishing == count // 2
            assert await asyncio.to_thread(flood, broker.url, messages[count // 2 :]) == count - count // 2
            await asyncio.sleep(20.0 if WHOLE else 2.0)
            await asyncio.to_thread(own_postgresql.start)

            await until(complete(site, count), 300.0)
        await check_all_there_once(site, sensor_ids, count)
    assert "Readings cannot be stored now, trying again" in caplog.text


async def test_sqlite_locked_by_someone_else(sqlite_store: Store, broker: BrokerHandle) -> None:
    site = await make_site(sqlite_store)
    sensor_ids = [await site.sensor(f"s{n}", interval_s=60.0) for n in range(10)]
    async with ingesting(site, CLOCK, broker):
        async with sqlite_store.write() as uow:
            await uow.session.execute(select(1))  # takes the lock
            assert await asyncio.to_thread(flood, broker.url, backlog(site, COUNT)) == COUNT
            await asyncio.sleep(10.0 if WHOLE else 1.0)
            assert await site.readings() == 0
        await until(complete(site, COUNT), 300.0, pause_s=0.1)
    await check_all_there_once(site, sensor_ids, COUNT)


async def test_a_broker_that_is_stopped_in_the_middle_of_a_stream(site: Site, broker_server: Broker) -> None:
    sensor_ids = [await site.sensor(f"s{n}", interval_s=60.0) for n in range(10)]
    messages = backlog(site, COUNT)
    handle = BrokerHandle(broker_server.url, "external", mqtt5=True, redelivers=True)
    async with ingesting(site, CLOCK, handle):
        sent, cut = 0, 0
        for _ in range(3):
            # What the broker did not acknowledge is sent again, as devices do.
            rest = messages[sent:]
            publishing = asyncio.create_task(asyncio.to_thread(flood, handle.url, rest, 50))
            under_way = more_than(site, sent)
            while not publishing.done() and not await under_way():  # noqa: ASYNC110 - whichever comes first
                await asyncio.sleep(0.01)
            await asyncio.to_thread(broker_server.stop)
            acknowledged = await publishing
            sent += acknowledged
            cut += acknowledged < len(rest)
            await asyncio.to_thread(broker_server.start)
        assert cut, "it was stopped while messages came"
        sent += await asyncio.to_thread(flood, handle.url, messages[sent:])
        assert sent == COUNT
        await until(complete(site, COUNT), 300.0, pause_s=0.1)
    await check_all_there_once(site, sensor_ids, COUNT)


async def test_a_network_that_is_cut_in_the_middle_of_batches(site: Site, broker: BrokerHandle) -> None:
    sensor_ids = [await site.sensor(f"s{n}", interval_s=60.0) for n in range(10)]
    async with cutting_proxy(broker, every_bytes=COUNT * 20) as (proxied, cuts):
        async with ingesting(site, CLOCK, proxied):
            assert await asyncio.to_thread(flood, broker.url, backlog(site, COUNT)) == COUNT
            await until(complete(site, COUNT), 300.0, pause_s=0.1)
        assert len(cuts) >= 3
    await check_all_there_once(site, sensor_ids, COUNT)


@contextlib.asynccontextmanager
async def cutting_proxy(
    broker: BrokerHandle, every_bytes: int
) -> AsyncIterator[tuple[BrokerHandle, list[int]]]:
    """Have a way to the broker that breaks, without a word, whenever so many more bytes came from it."""
    address = BrokerAddress.parse(broker.url)
    cuts: list[int] = []

    async def pass_on(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            from_broker, to_broker = await asyncio.open_connection(address.host, address.port)
        except OSError:
            writer.transport.abort()
            return
        left = every_bytes

        async def pump(source: asyncio.StreamReader, sink: asyncio.StreamWriter, counted: bool) -> None:
            nonlocal left
            while data := await source.read(65536):
                if counted and len(cuts) < 5:
                    if len(data) >= left:
                        sink.write(data[:left])  # in the middle of a packet, as likely as not
                        cuts.append(left)
                        return
                    left -= len(data)
                sink.write(data)
                await sink.drain()

        pumps = [
            asyncio.create_task(pump(from_broker, writer, True)),
            asyncio.create_task(pump(reader, to_broker, False)),
        ]
        try:
            await asyncio.wait(pumps, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in pumps:
                task.cancel()
            await asyncio.gather(*pumps, return_exceptions=True)
            writer.transport.abort()
            to_broker.transport.abort()

    server = await asyncio.start_server(pass_on, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    try:
        yield replace(broker, url=f"mqtt://127.0.0.1:{port}"), cuts
    finally:
        server.close()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Have a disk of 24 MB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=24m", "tmpfs", str(folder)]
    if shutil.which("mount") is None or subprocess.run(command, check=False, capture_output=True).returncode:
        pytest.skip("a small disk cannot be mounted here")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


async def test_a_full_disk(
    small_disk: Path, sqlite_template: Path, broker: BrokerHandle, caplog: pytest.LogCaptureFixture
) -> None:
    file = small_disk / "evenleaf.sqlite3"
    shutil.copy(sqlite_template, file)
    async with open_store(f"sqlite+aiosqlite:///{file}") as store:
        site = await make_site(store)
        sensor_ids = [await site.sensor(f"s{n}", interval_s=60.0) for n in range(10)]
        async with ingesting(site, CLOCK, broker):
            ballast = small_disk / "ballast"
            with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as out:
                while True:
                    out.write(bytes(4096))
            assert await asyncio.to_thread(flood, broker.url, backlog(site, COUNT)) == COUNT

            async def full() -> bool:
                return "database or disk is full" in caplog.text or "disk I/O error" in caplog.text

            await until(full)
            await asyncio.sleep(5.0 if WHOLE else 1.0)
            assert await site.readings() < COUNT
            ballast.unlink()
            await until(complete(site, COUNT), 300.0, pause_s=0.1)
        await check_all_there_once(site, sensor_ids, COUNT)


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
