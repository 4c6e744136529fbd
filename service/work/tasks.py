"""Tasks: what is to be done in a house, on which day, and whether it was."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from typing import Any

from service.clock import Clock
from service.records import tasks as records
from service.records.listing import find
from service.records.places import sections_of
from service.records.store import UnitOfWork
from service.records.tables import Batch, Succession, Task
from service.work import fields, saving
from service.work.access import Access
from service.work.errors import FieldProblem, NotFound, impossible
from service.work.fields import Field, Merged, checked_changes, checked_new
from service.work.listing import DEFAULT_LIMIT, check_choice, check_page
from service.work.places import get_house, referred_house

WEIGHED_EARLY = timedelta(days=4)
"""How long before its day a weighing may be and still be the one that was called for."""

KINDS = ("seed", "wet", "count", "weigh", "transplant", "harvest", "discard", "order", "clean", "check")
PLAN_NOTE = "From the plan."
"""Note of the tasks that an accepted plan makes."""
SEED_NOTE = "From the seed stock"
"""How the note begins of tasks to order seed."""
ORDER_SUBJECT = "order:"
"""How the subject begins of those that nobody asked for."""

_MINUTES = fields.number(0, 1440, "min")

_TASK = {
    "house_id": Field(fields.reference, required=True, fixed=True),
    "kind": Field(fields.one_of(*KINDS), required=True),
    "due_on": Field(fields.day, required=True),
    "title": Field(fields.text(), required=True),
    "succession_id": Field(fields.reference, nullable=True),
    "batch_id": Field(fields.reference, nullable=True),
    "cells": Field(fields.whole(1), nullable=True),
    "plants": Field(fields.whole(1), nullable=True),
    "note": Field(fields.text(2000), nullable=True),
    "assigned_to": Field(fields.text(100), nullable=True),
    "section_id": Field(fields.reference, nullable=True),
    "minutes_estimated": Field(_MINUTES, nullable=True),
    "minutes_taken": Field(_MINUTES, nullable=True),
}
# Nothing about a task is one of a kind; a clash can only be a fault of ours.
_TAKEN = FieldProblem("", "there is such a task already")


async def create_task(uow: UnitOfWork, access: Access, values: Mapping[str, Any]) -> Task:
    """Put a task on a house's list."""
    task = Task(**checked_new(_TASK, values))
    await referred_house(uow, access, task.house_id)
    await _check_references(uow, task)
    await saving.insert(uow, task, _TAKEN)
    return task


async def get_task(uow: UnitOfWork, access: Access, task_id: int) -> Task:
    """Return a task."""
    task = await find(uow, Task, task_id)
    if task is None:
        raise NotFound(f"there is no task {task_id}")
    await get_house(uow, access, task.house_id)
    return task


async def list_tasks(
    uow: UnitOfWork,
    access: Access,
    *,
    house_id: int | None = None,
    kind: str | None = None,
    batch_id: int | None = None,
    due_from: date | None = None,
    due_to: date | None = None,
    open_: bool | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[Task], int | None]:
    """Return a page of tasks due on days from ``due_from`` to ``due_to``, both included, and the id to go on after."""
    check_page(after, limit, house_id=house_id, batch_id=batch_id)
    check_choice("kind", kind, KINDS)
    if due_from is not None and due_to is not None and due_to < due_from:
        raise impossible("due_to", "it must not be before due_from")
    return await records.page_tasks(
        uow,
        within_farm=access.farm_id,
        house_id=house_id,
        kind=kind,
        batch_id=batch_id,
        due_from=due_from,
        due_to=due_to,
        open_=open_,
        after=after,
        limit=limit,
    )


async def change_task(
    uow: UnitOfWork,
    access: Access,
    task_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> Task:
    """Change a task."""
    task = await get_task(uow, access, task_id)
    cleaned = checked_changes(_TASK, task, changes)
    await _check_references(uow, Merged(task, cleaned))
    await saving.update(uow, task, cleaned, expected_version, _TAKEN)
    return task


async def finish_task(
    uow: UnitOfWork,
    clock: Clock,
    access: Access,
    task_id: int,
    expected_version: int | None = None,
    minutes_taken: float | None = None,
) -> Task:
    """Tick a task off, with the minutes it took if said; of one that is done already, who did it and when stays."""
    task = await get_task(uow, access, task_id)
    done: dict[str, Any] = {}
    if task.done_at is None:
        done = {"done_at": clock.now(), "done_by": access.name}
    if minutes_taken is not None:
        done |= checked_changes(_TASK, task, {"minutes_taken": minutes_taken})
    await saving.update(uow, task, done, expected_version, _TAKEN)
    return task


async def reopen_task(
    uow: UnitOfWork, access: Access, task_id: int, expected_version: int | None = None
) -> Task:
    """Take a tick back; of a task that is open nothing changes."""
    task = await get_task(uow, access, task_id)
    await saving.update(
        uow, task, {"done_at": None, "done_by": None, "done_entry_id": None}, expected_version, _TAKEN
    )
    return task


def cultivar_to_order(task: Task) -> int | None:
    """Return the cultivar that a task says to order seed of; none if it is one that a person wrote.

    It stands in the subject where nobody asked for the task, and in the note where an accepted list made it.
    """
    if task.subject is None:
        said = re.match(rf"{SEED_NOTE}: cultivar (\d+)", task.note or "")
    else:
        said = re.match(rf"{ORDER_SUBJECT}(\d+):", task.subject)
    return int(said[1]) if said else None


def of_seed_list(tasks: Iterable[Task]) -> dict[int, int]:
    """Return the cultivar of each task that an accepted list of seed to order made, by the task's id."""
    cultivars = {task.id: cultivar_to_order(task) for task in tasks if task.subject is None}
    return {task_id: cultivar_id for task_id, cultivar_id in cultivars.items() if cultivar_id is not None}


async def _check_references(uow: UnitOfWork, task: Task | Merged) -> None:
    """Refuse a batch or succession of another house, and a batch of another succession."""
    if task.succession_id is not None:
        succession = await find(uow, Succession, task.succession_id)
        if succession is None or succession.house_id != task.house_id:
            raise impossible("succession_id", f"there is no succession {task.succession_id} in this house")
    if task.section_id is not None:
        sections = {section.id for section in await sections_of(uow, task.house_id)}
        if task.section_id not in sections:
            raise impossible("section_id", f"there is no section {task.section_id} in this house")
    if task.batch_id is not None:
        batch = await find(uow, Batch, task.batch_id)
        if batch is None or batch.house_id != task.house_id:
            raise impossible("batch_id", f"there is no batch {task.batch_id} in this house")
        if task.succession_id not in {None, batch.succession_id}:
            raise impossible("batch_id", f"batch {task.batch_id} is of succession {batch.succession_id}")
