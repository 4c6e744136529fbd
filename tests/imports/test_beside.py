"""While a file is read others write, and what they change is heeded."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from types import ModuleType
from typing import Any

import pytest
from sqlalchemy import select, text

from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import Crop, Order, Reading, Sensor, Zone
from service.work.access import SYSTEM
from service.work.errors import Impossible
from service.work.imports import batches, import_orders, orders, readings
from tests.imports.conftest import a_sensor, bring_batches, bring_readings
from tests.work.conftest import Place, make_place

READINGS = "sensor,time,value\ncanopy,2023-03-25T01:00Z,68\n"
BATCHES = (
    "batch,succession,kind,happened_at,plants,zone\n"
    'N1,"Butterhead, weekly",seeded,2025-03-03,200,\n'
    "N1,,emergence_counted,2025-03-10T09:00,190,\n"
)
ORDERS = "buyer,crop,heads,weekdays,starts_on\nCorner Shop,Butterhead,120,1,2026-09-14\n"


class Reads:
    """How often files were read, and a way to do something during the first time."""

    def __init__(self, read_table: Callable[[bytes], Any]) -> None:
        self.count = 0
        self._read_table = read_table
        self._begun, self._go_on = threading.Event(), threading.Event()

    def read_table(self, content: bytes) -> Any:
        """Read, the first time when let go on."""
        self.count += 1
        if self.count == 1:
            self._begun.set()
            assert self._go_on.wait(20.0)
        return self._read_table(content)

    @asynccontextmanager
    async def first(self) -> AsyncIterator[None]:
        """Be in the middle of the first time."""
        assert await asyncio.to_thread(self._begun.wait, 20.0)
        try:
            yield
        finally:
            self._go_on.set()


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> Callable[[ModuleType], Reads]:
    """Have the files that a module reads counted."""

    def of(module: Any) -> Reads:
        found = Reads(module.read_table)
        monkeypatch.setattr(module, "read_table", found.read_table)
        return found

    return of


async def write(store: Store, table: type[Any], row_id: int, **values: Any) -> None:
    """Change a row as another request does; not to wait for the file to be read."""
    async with asyncio.timeout(5.0), store.write() as uow:
        row = await uow.session.get_one(table, row_id)
        for name, value in values.items():
            setattr(row, name, value)


async def test_readings_are_read_again_if_a_sensor_was_changed_meanwhile(
    store: Store,
    clock: FixedClock,
    place: Place,
    thermometer: Sensor,
    reads: Callable[[ModuleType], Reads],
) -> None:
    seen = reads(readings)
    brought = asyncio.create_task(bring_readings(store, clock, place, READINGS))
    async with seen.first():
        await write(store, Sensor, thermometer.id, unit="degC", name="over the canopy")
        await write(store, Sensor, thermometer.id, name="canopy")
    with pytest.raises(Impossible, match="outside"):  # 68 degC; it was 68 degF when the file was first read
        await brought
    assert seen.count == 2
    async with store.read() as uow:
        assert (await uow.session.scalars(select(Reading))).all() == []


async def test_readings_are_read_once_if_something_else_was_changed_meanwhile(
    store: Store,
    clock: FixedClock,
    place: Place,
    thermometer: Sensor,
    reads: Callable[[ModuleType], Reads],
) -> None:
    seen = reads(readings)
    brought = asyncio.create_task(bring_readings(store, clock, place, READINGS))
    async with seen.first():
        await write(store, Crop, place.crop.id, name="Another crop")
    assert (await brought).new == 1
    assert seen.count == 1
    async with store.read() as uow:
        (reading,) = await uow.session.scalars(select(Reading))
        assert reading.value == pytest.approx(20.0)


async def test_batches_are_read_again_if_a_zone_was_changed_meanwhile(
    store: Store, clock: FixedClock, place: Place, reads: Callable[[ModuleType], Reads]
) -> None:
    seen = reads(batches)
    content = BATCHES + "N1,,discarded,2025-03-11T09:00,10,tables\n"
    brought = asyncio.create_task(bring_batches(store, clock, place, content))
    async with seen.first():
        await write(store, Zone, place.nursery.id, code="tables")
    assert (await brought).new == 3
    assert seen.count == 2


async def test_orders_are_read_again_if_a_crop_was_changed_meanwhile(
    store: Store, place: Place, reads: Callable[[ModuleType], Reads]
) -> None:
    seen = reads(orders)
    brought = asyncio.create_task(import_orders(store, SYSTEM, place.farm.id, ORDERS.encode()))
    async with seen.first():
        await write(store, Crop, place.crop.id, name="Oak leaf")
    with pytest.raises(Impossible, match="crop"):
        await brought
    assert seen.count == 2
    async with store.read() as uow:
        assert (await uow.session.scalars(select(Order))).all() == []


async def test_past_readings_go_to_months_of_their_own(postgresql_store: Store, clock: FixedClock) -> None:
    place = await make_place(postgresql_store, clock, "Alder Farm")
    await a_sensor(postgresql_store, place, name="canopy", quantity="temp_air_c", unit="degF")
    content = READINGS + "canopy,2023-06-25T01:00Z,68\n"
    faulty = content + "canopy,2023-05-01T00:00Z,warm\n"
    for file, dry_run in ((content, True), (faulty, True)):
        await bring_readings(postgresql_store, clock, place, file, dry_run=dry_run)
    with pytest.raises(Impossible):
        await bring_readings(postgresql_store, clock, place, faulty)
    assert await counts(postgresql_store) == {}, "nothing was to be stored, and no month made"
    await bring_readings(postgresql_store, clock, place, content)
    assert await counts(postgresql_store) == {"reading_2023_03": 1, "reading_2023_06": 1}


async def counts(store: Store) -> dict[str, int]:
    """Return the readings in each part that begins before 2024."""
    async with store.read() as uow:
        names = await uow.session.scalars(
            text(
                "SELECT CAST(relid AS text) FROM pg_partition_tree('reading') WHERE isleaf"
                " AND CAST(relid AS text) < 'reading_2024'"
            )
        )
        return {
            name: int(await uow.session.scalar(text(f"SELECT count(*) FROM {name}")) or 0) for name in names
        }
