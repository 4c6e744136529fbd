"""Copies, restores and moves: nothing committed is lost, nothing is written over, what fails leaves nothing."""

from __future__ import annotations

import asyncio
import json
import sqlite3
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select, text

from service.cli import main
from service.clock import FixedClock
from service.records import backup
from service.records.backup import BackupError, back_up, restore
from service.records.conditions import save_hours, save_readings
from service.records.migrate import upgrade
from service.records.move import BLOCK, MoveError, move
from service.records.store import Store
from service.records.tables import Order, Reading, Sensor, metadata
from service.work.access import SYSTEM
from service.work.batches import append_entry, create_batch
from tests.conftest import PostgresqlServer, open_store
from tests.work.conftest import Place, make_place

NOW = datetime(2026, 9, 14, 6, tzinfo=UTC)
CLOCK = FixedClock(NOW)


def _names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


async def fill(store: Store) -> Place:
    """Write rows of many kinds, with the values that are easily lost on the way."""
    place = await make_place(store, CLOCK, "Alder Farm \N{SEEDLING}")
    async with store.write() as uow:
        values = {"succession_id": place.succession.id, "seeded_on": date(2026, 9, 1), "code": "B1"}
        batch = (await create_batch(uow, CLOCK, SYSTEM, values)).batch
        count = {"kind": "leaves_counted", "happened_at": NOW - timedelta(hours=1), "leaves": 2.5}
        await append_entry(uow, CLOCK, SYSTEM, batch.id, count)
        uow.session.add(
            Order(
                farm_id=place.farm.id,
                crop_id=place.crop.id,
                buyer="Shop",
                heads=50,
                dates=[date(2026, 11, 2)],
            )
        )
        sensor = Sensor(
            house_id=place.house.id,
            zone_id=place.nursery.id,
            name="Air",
            quantity="temp_air_c",
            unit="degC",
            topic="air",
        )
        uow.session.add(sensor)
        await uow.flush()
        # More than a block, over several months, to the microsecond.
        await save_readings(
            uow,
            [
                {
                    "sensor_id": sensor.id,
                    "at": NOW - timedelta(minutes=20 * n, microseconds=n),
                    "value": 20.0 + n / 7.0,
                }
                for n in range(BLOCK + 10)
            ],
        )
        row = {"temp_mean_c": None, "temp_min_c": None, "temp_max_c": None, "temp_coverage": 0.0}
        await save_hours(
            uow,
            [{"zone_id": place.nursery.id, "at": NOW, "light_mol": 1.25, "light_coverage": 1.0, **row}],
        )
    return place


async def contents(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    """Return every row of every table."""
    found = {}
    async with store.read() as uow:
        for table in metadata.sorted_tables:
            rows = await uow.session.execute(select(table).order_by(*table.primary_key.columns))
            found[table.name] = [tuple(row) for row in rows]
    return found


async def test_a_restored_copy_holds_all_that_was_committed_before(
    store: Store, database_url: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    place = await fill(store)
    before = await contents(store)
    written: list[int] = []
    stop = asyncio.Event()

    async def write_on() -> None:
        """Write while the copy is made, as a service in use does."""
        while not stop.is_set():
            async with store.write() as uow:
                house = await uow.session.get_one(type(place.house), place.house.id)
                house.co2_ppm = 400.0 + len(written)
            written.append(1)
            await asyncio.sleep(0.001)

    writing = asyncio.create_task(write_on())
    await asyncio.sleep(0.05)
    file = tmp_path / "copy"
    size = await back_up(database_url, file)
    stop.set()
    await writing
    assert size == file.stat().st_size > 0
    assert file.stat().st_mode & 0o077 == 0
    assert written
    with pytest.raises(BackupError, match="already"):
        await back_up(database_url, file)
    with pytest.raises(BackupError, match=r"already|not empty"):
        await restore(database_url, file)

    async def restored(url: str) -> None:
        await restore(url, file)
        async with open_store(url) as again:
            after = await contents(again)
            houses = {row[0]: row for row in after.pop("house")}
            assert 400.0 <= houses[place.house.id][9] <= 400.0 + len(written)
            assert after.pop("change_mark")
            logged = before.pop("change")
            assert after.pop("change")[: len(logged)] == logged
            assert after == {
                name: rows for name, rows in before.items() if name not in ("house", "change_mark")
            }
            async with again.write() as uow:  # and it goes on
                uow.session.add(Order(farm_id=1, crop_id=1, buyer="Next", heads=1, dates=[date(2026, 12, 1)]))

    if database_url.startswith("sqlite"):
        await restored(f"sqlite+aiosqlite:///{tmp_path / 'new' / 'evenleaf.sqlite3'}")
    else:
        server: PostgresqlServer = request.getfixturevalue("postgresql_server")
        with server.database(migrated=False) as url:
            await restored(url)
    assert "copy.part" not in _names(tmp_path)


async def test_what_is_no_copy_is_not_restored(tmp_path: Path) -> None:
    url = f"sqlite+aiosqlite:///{tmp_path / 'evenleaf.sqlite3'}"
    file = tmp_path / "file"
    with pytest.raises(BackupError, match="No such file"):
        await restore(url, file)
    file.write_bytes(b"nothing of ours")
    with pytest.raises(BackupError, match="no copy of a store"):
        await restore(url, file)
    file.write_bytes(b"PGDMP...")
    with pytest.raises(BackupError, match="other kind"):
        await restore(url, file)
    file.unlink()
    sqlite3.connect(file).executescript("CREATE TABLE other (x); INSERT INTO other VALUES (1)").close()
    with pytest.raises(BackupError, match="not one of Evenleaf's"):
        await restore(url, file)
    assert _names(tmp_path) == ["file"]


async def test_without_postgresql_tools_it_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(backup.shutil, "which", lambda _tool: None)
    with pytest.raises(BackupError, match="pg_dump is not installed"):
        await back_up("postgresql+asyncpg://nobody@127.0.0.1/none", tmp_path / "copy")
    assert _names(tmp_path) == []


@pytest.mark.postgresql
async def test_a_moved_store_is_the_same_row_by_row(
    sqlite_store: Store, postgresql_server: PostgresqlServer
) -> None:
    await fill(sqlite_store)
    before = await contents(sqlite_store)
    with postgresql_server.database() as url:
        async with open_store(url) as target:
            moved = {one.table: one.rows for one in await move(sqlite_store, target)}
            assert moved == {name: len(rows) for name, rows in before.items()}
            assert await contents(target) == before
            async with (
                target.read() as uow
            ):  # readings lie by month, and no JSON null became of a missing value
                assert await uow.session.scalar(text("SELECT count(*) FROM reading_default")) == 0
                nulls = text('SELECT count(*) FROM "order" WHERE weekdays IS NULL AND dates IS NOT NULL')
                assert await uow.session.scalar(nulls) == 1
            async with target.write() as uow:  # the next ids follow
                order = Order(farm_id=1, crop_id=1, buyer="Next", heads=1, dates=[date(2026, 12, 1)])
                uow.session.add(order)
                await uow.flush()
                assert order.id == len(before["order"]) + 1
            with pytest.raises(MoveError, match="not empty"):
                await move(sqlite_store, target)


@pytest.mark.postgresql
async def test_a_move_that_loses_something_keeps_nothing(
    sqlite_store: Store, postgresql_server: PostgresqlServer
) -> None:
    await fill(sqlite_store)
    with postgresql_server.database() as url:
        async with open_store(url) as target:
            async with target.engine.begin() as connection:
                await connection.execute(
                    text(
                        "CREATE FUNCTION lose() RETURNS trigger LANGUAGE plpgsql AS $$BEGIN RETURN NULL; END$$"
                    )
                )
                await connection.execute(
                    text("CREATE TRIGGER lose BEFORE INSERT ON hour FOR EACH ROW EXECUTE FUNCTION lose()")
                )
            with pytest.raises(MoveError, match="hour: figure 1 is 0 and was 1"):
                await move(sqlite_store, target)
            async with target.read() as uow:
                assert await uow.session.scalar(select(func.count()).select_from(Reading)) == 0
                assert await uow.session.scalar(select(func.count()).select_from(Order)) == 0


@pytest.mark.postgresql
def test_the_commands(
    tmp_path: Path,
    postgresql_server: PostgresqlServer,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("EVENLEAF_DATA_DIR", str(tmp_path / "one"))
    assert main(["migrate", "--json"]) == 0
    revision = json.loads(capsys.readouterr().out)["revision"]
    assert main(["backup", str(tmp_path / "copy"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["bytes"] > 0
    assert main(["restore", str(tmp_path / "copy")]) == 1
    assert "already" in capsys.readouterr().err
    with postgresql_server.database(migrated=False) as url:
        secret = tmp_path / "url"
        secret.write_text(url + "\n")
        assert main(["migrate", "--to", f"@{secret}", "--json"]) == 0
        assert json.loads(capsys.readouterr().out)["rows"] == 0
        assert main(["migrate", "--to", "mysql://nowhere"]) == 2
        assert "postgresql+asyncpg" in capsys.readouterr().err
    monkeypatch.setenv("EVENLEAF_DATA_DIR", str(tmp_path / "two"))
    assert main(["restore", str(tmp_path / "copy"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["revision"], told["upToDate"]) == (revision, True)
    assert main(["migrate", "--to", "postgresql+asyncpg://nobody@127.0.0.1:1/none"]) == 1


async def test_a_copy_of_an_older_schema_says_what_to_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    url = f"sqlite+aiosqlite:///{tmp_path / 'old.sqlite3'}"
    async with open_store(url) as old:
        await upgrade(old, "0006")
    await back_up(url, tmp_path / "copy")
    monkeypatch.setenv("EVENLEAF_DATABASE_URL", f"sqlite+aiosqlite:///{tmp_path / 'new.sqlite3'}")
    assert await asyncio.to_thread(main, ["restore", str(tmp_path / "copy")]) == 0
