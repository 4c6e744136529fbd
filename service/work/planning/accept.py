"""Accepting a plan: its seedings become dated tasks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import planning as records
from service.records.store import UnitOfWork
from service.records.tables import Succession, Task
from service.work import fields, saving
from service.work.access import Access
from service.work.errors import FieldProblem, impossible
from service.work.fields import Field, checked_new, each
from service.work.places import get_farm
from service.work.tasks import PLAN_NOTE
from service.work.times import local_day
from service.work.work_list import propose_work

_SEEDING = {
    "succession_id": Field(fields.reference, required=True),
    "on": Field(fields.day, required=True),
    "cells": Field(fields.whole(1), required=True),
}
_TAKEN = FieldProblem("", "there is such a task already")


@dataclass(frozen=True)
class Accepted:
    """What accepting a plan did to the list of tasks."""

    created: int
    changed: int
    unchanged: int
    withdrawn: int
    tasks: tuple[Task, ...] = field(default=())


async def accept_plan(
    uow: UnitOfWork, clock: Clock, access: Access, farm_id: int, values: Mapping[str, Any]
) -> Accepted:
    """Turn the seedings of a plan into dated tasks; doing it again changes nothing.

    Open tasks of an earlier plan between the plan's first and last day that are no longer in it are withdrawn. Tasks
    that people wrote, changed the note of, or have done, stay as they are.

    Raises
    ------
    NotFound
        If there is no such farm.
    Impossible
        If a seeding is of another farm, on a day outside the plan or in the past, or there twice.
    """
    given = checked_new(
        {
            "starts_on": Field(fields.day, required=True),
            "ends_on": Field(fields.day, required=True),
            "seedings": each("seedings", _SEEDING, required=True),
        },
        values,
    )
    await get_farm(uow, access, farm_id)
    await records.lock_farm(uow, farm_id)
    house_ids = await records.house_ids_of(uow, farm_id)
    successions = await records.successions_of_houses(uow, house_ids)
    first, last = given["starts_on"], given["ends_on"]
    wanted: dict[tuple[int, date], int] = {}
    for at, seeding in enumerate(given["seedings"]):
        key = (seeding["succession_id"], seeding["on"])
        if key[0] not in successions:
            raise impossible(f"seedings/{at}/succession_id", f"there is no succession {key[0]} of this farm")
        zone = successions[key[0]][1]
        if key in wanted:
            raise impossible(f"seedings/{at}/on", "the succession is seeded twice on this day")
        if not first <= key[1] <= last:
            raise impossible(f"seedings/{at}/on", f"it is not from {first} to {last}, as the plan is")
        if key[1] < local_day(clock.now(), ZoneInfo(zone)):
            raise impossible(f"seedings/{at}/on", "it lies in the past")
        wanted[key] = seeding["cells"]
    accepted = await _settle_tasks(
        uow, successions, wanted, await records.seed_tasks(uow, house_ids, first, last)
    )
    for house_id in house_ids:  # what was advised to be seeded gives way to the plan
        await propose_work(uow, clock, access, house_id)
    return accepted


async def _settle_tasks(
    uow: UnitOfWork,
    successions: Mapping[int, tuple[Succession, str]],
    wanted: Mapping[tuple[int, date], int],
    there: Sequence[Task],
) -> Accepted:
    own: dict[tuple[int, date], Task] = {}
    spare: list[int] = []
    done = {(t.succession_id, t.due_on) for t in there if t.done_at is not None}
    for task in there:
        key = (task.succession_id or 0, task.due_on)
        if task.done_at is None and task.note == PLAN_NOTE:
            if key in wanted and key not in own:
                own[key] = task
            else:
                spare.append(task.id)
    counts = Counter[str]()
    tasks = []
    for key, cells in sorted(wanted.items(), key=lambda item: (item[0][1], item[0][0])):
        if key in done and key not in own:  # it was seeded meanwhile
            counts["unchanged"] += 1
            continue
        succession = successions[key[0]][0]
        title = f"Seed {cells} cells of {succession.name}"
        found = own.get(key)
        if found is None:
            found = Task(
                house_id=succession.house_id,
                kind="seed",
                due_on=key[1],
                title=title,
                succession_id=key[0],
                cells=cells,
                note=PLAN_NOTE,
            )
            await saving.insert(uow, found, _TAKEN)
            counts["created"] += 1
        elif found.cells != cells:
            await saving.update(uow, found, {"cells": cells, "title": title}, None, _TAKEN)
            counts["changed"] += 1
        else:
            counts["unchanged"] += 1
        tasks.append(found)
    if spare:
        await records.drop_tasks(uow, spare)
    return Accepted(counts["created"], counts["changed"], counts["unchanged"], len(spare), tuple(tasks))
