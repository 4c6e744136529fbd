"""Acting on advice: its seedings become tasks, its interval becomes the succession's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import planning as planning_records
from service.records import reforecast as records
from service.records.places import house_of
from service.records.store import UnitOfWork
from service.records.tables import Advice, Succession, Task
from service.work import saving
from service.work.access import Access
from service.work.errors import Conflict, FieldProblem
from service.work.programme import get_succession
from service.work.times import local_day

ADVICE_NOTE = "from the advice"
"""Marks the tasks that come from an accepted advice; one whose note was changed is the grower's own."""
AHEAD_DAYS = 42
"""Seedings further ahead are left to later advice, which will know more."""

_TAKEN = FieldProblem("", "there is such a task already")


@dataclass(frozen=True)
class AcceptedAdvice:
    """What accepting an advice did."""

    succession: Succession
    created: int
    withdrawn: int
    interval_changed: bool


def left_to_accept(advice: Advice, tasks: Sequence[Task], today: date) -> tuple[dict[date, int], list[int]]:
    """Return what accepting would do to a succession's seeding tasks: cells of new ones by day, ids of those to go."""
    last = today + timedelta(days=AHEAD_DAYS)
    wanted = {
        on: int(seeding["cells"])
        for seeding in advice.seedings
        if today <= (on := date.fromisoformat(seeding["on"])) <= last
    }
    spare = []
    for task in tasks:
        own = task.done_at is None and task.note == ADVICE_NOTE
        if wanted.get(task.due_on) == task.cells or not own:
            wanted.pop(task.due_on, None)
        else:
            spare.append(task.id)
    return wanted, spare


async def accept_advice(
    uow: UnitOfWork, clock: Clock, access: Access, succession_id: int, advice_id: int
) -> AcceptedAdvice:
    """Follow the advice in force for a succession; doing it again changes nothing.

    Its seedings of the next six weeks become tasks. Open seeding tasks that came from an earlier advice and are no
    longer in it are withdrawn; tasks that people wrote or have done stay, and a day that has one gets no second.
    The succession's seeding interval becomes the one advised, so that advice goes on from there. Its cells stay: fewer
    are advised while sites are short, and no longer than that.

    Raises
    ------
    NotFound
        If there is no such succession.
    Conflict
        If the advice is no longer the one in force: what is followed must be what was read.
    """
    succession = await get_succession(uow, access, succession_id)
    await records.lock_house(uow, succession.house_id)
    advice = (await records.latest_advice(uow, [succession.id])).get(succession.id)
    if advice is None or advice.id != advice_id:
        raise Conflict("this advice is no longer in force; read the one that is and accept that")
    house = await house_of(uow, succession.house_id)
    today = local_day(clock.now(), ZoneInfo(house.time_zone))
    there = [
        task
        for task in await planning_records.seed_tasks(uow, [succession.house_id], today, date.max)
        if task.succession_id == succession.id
    ]
    wanted, spare = left_to_accept(advice, there, today)
    if spare:
        await planning_records.drop_tasks(uow, spare)
    for on, cells in sorted(wanted.items()):
        await saving.insert(
            uow,
            Task(
                house_id=succession.house_id,
                kind="seed",
                due_on=on,
                title=f"Seed {cells} cells of {succession.name}",
                succession_id=succession.id,
                cells=cells,
                note=ADVICE_NOTE,
            ),
            _TAKEN,
        )
    changed = succession.seeding_interval_days != advice.advised_interval_days
    if changed:
        changes = {"seeding_interval_days": advice.advised_interval_days}
        await saving.update(uow, succession, changes, None, _TAKEN)
    return AcceptedAdvice(succession, len(wanted), len(spare), changed)
