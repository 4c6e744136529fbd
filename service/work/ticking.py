"""Tasks that are ticked off by writing down that it was done."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from service.records import seed_stock as seed_records
from service.records import tasks as records
from service.records.places import houses_of
from service.records.store import UnitOfWork
from service.records.tables import Batch, Entry, House, HouseLogEntry, SeedLot, Task
from service.work.access import Access
from service.work.tasks import WEIGHED_EARLY, cultivar_to_order
from service.work.times import local_day

_FULFILS = {
    "emergence_counted": ("count",),
    "leaves_counted": ("count",),
    "weighed": ("weigh",),
    "transplanted": ("transplant",),
    "harvested": ("harvest",),
    "discarded": ("discard",),
    "checked": ("check",),
}
"""Kinds of tasks that an entry of a kind fulfils."""
_OTHER_COUNT = {"emergence_counted": ":leaves", "leaves_counted": ":emergence"}
"""How the subject of a task to count ends that an entry of a kind does not fulfil."""
_A_DAY = timedelta(days=1)  # a seeding may be done on the eve of its day


async def tick_entry(
    uow: UnitOfWork,
    access: Access,
    now: datetime,
    house: House,
    batch: Batch,
    entry: Entry,
    minutes: float | None = None,
) -> None:
    """Tick off what an entry fulfils; one that is taken back opens again what it had ticked off.

    Of the tasks that people wrote, those due by the day of the fact; of those that follow from a forecast, any.
    """
    if entry.supersedes_id is not None:
        for task in await records.tasks_ticked_by(uow, entry.supersedes_id):
            if entry.void:
                task.done_at = task.done_by = task.done_entry_id = task.minutes_taken = None
            else:
                task.done_entry_id = entry.id
                task.minutes_taken = task.minutes_taken if minutes is None else minutes
        await uow.flush()
        return
    kinds = _FULFILS.get(entry.kind)
    if kinds is None:
        return
    day = local_day(entry.happened_at, ZoneInfo(house.time_zone))
    found = await records.open_tasks(uow, house.id, kinds, due_by=day, batch_id=batch.id)
    other = _OTHER_COUNT.get(entry.kind)
    fulfilled = [
        task
        for task in found
        if not (other and (task.subject or "").endswith(other))
        and (task.kind != "weigh" or task.due_on <= day + WEIGHED_EARLY)
    ]
    for number, task in enumerate(fulfilled):
        _tick(task, access, now, entry.id, minutes if number == 0 else None)
    await uow.flush()


async def tick_seeding(uow: UnitOfWork, access: Access, now: datetime, batch: Batch) -> None:
    """Tick off the task to seed a succession, and to wet for it, that is nearest to the day of a seeding."""
    found = await records.open_tasks(
        uow,
        batch.house_id,
        ("seed", "wet"),
        due_by=batch.seeded_on + _A_DAY,
        succession_id=batch.succession_id,
    )
    due = [task for task in found if task.due_on <= batch.seeded_on + _A_DAY]
    for kind in ("seed", "wet"):
        of_kind = [task for task in due if task.kind == kind]
        if of_kind:
            _tick(min(of_kind, key=lambda t: abs(t.due_on - batch.seeded_on)), access, now)
    await uow.flush()


def _tick(
    task: Task, access: Access, now: datetime, entry_id: int | None = None, minutes: float | None = None
) -> None:
    task.done_at, task.done_by, task.done_entry_id = now, access.name, entry_id
    if minutes is not None:
        task.minutes_taken = minutes


async def tick_order(uow: UnitOfWork, access: Access, now: datetime, lot: SeedLot) -> None:
    """Tick off the first task to order seed of the cultivar of which a lot was written down."""
    open_ = await seed_records.open_order_tasks(
        uow, [house.id for house in await houses_of(uow, lot.farm_id)]
    )
    for task in open_:
        if cultivar_to_order(task) == lot.cultivar_id:
            _tick(task, access, now)
            break
    await uow.flush()


async def tick_cleaning(
    uow: UnitOfWork, access: Access, now: datetime, entry: HouseLogEntry, day: date, minutes: float | None
) -> None:
    """Tick off the tasks to clean that a cleaning fulfils: due by its day, and of its section if they have one."""
    found = await records.open_tasks(uow, entry.house_id, ("clean",), due_by=day)
    zones = await records.zones_of_cleanings(uow, [task.subject for task in found if task.subject])
    number = 0
    for task in found:
        if task.due_on > day or task.section_id not in {None, entry.section_id}:
            continue
        if task.subject in zones and (
            entry.what != "channels" or entry.zone_id not in {None, zones[task.subject]}
        ):
            continue
        _tick(task, access, now, None, minutes if number == 0 else None)
        number += 1
    await uow.flush()
