"""The work list: a day's tasks of a house, made from the forecasts, the advice or the accepted plan, and house events.

Each task that follows from something has a subject that is one of a kind in its house, so that it is on the list once;
it moves when the forecast moves, unless a person has moved it, and goes when nothing calls for it any more. One that
is done stays done. What people wrote, and the seedings of an accepted plan, are left alone.

When something falls due (common practice, no source):

- the count of seedlings when nine in ten forecasts have the batch up, that of leaves when the window may open;
- the transplant when it is forecast; once the window has surely closed, the discard instead; what is left over after
  the transplant is discarded on the next day;
- heads are weighed two weeks and one week before they are expected to be ready, for nothing else says as much of when
  they will be; not where that was done within the days before;
- the harvest when it is forecast, but not within the waiting time of a treatment;
- seedings as the accepted plan says, else as advised; cubes are wetted on the day of the seeding;
- cleaning on its first day. On days when the house is closed nothing falls due: it waits for the next.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import batches as batch_records
from service.records import events as event_records
from service.records import places as place_records
from service.records import reforecast as concluded
from service.records import tasks as records
from service.records.store import UnitOfWork
from service.records.tables import Advice, Batch, Forecast, House, HouseEvent, Succession, Task
from service.work.access import Access
from service.work.events import closed_days
from service.work.ledger import LedgerState, derive
from service.work.places import get_house
from service.work.tasks import ORDER_SUBJECT, PLAN_NOTE, WEIGHED_EARLY
from service.work.times import local_day

AHEAD_DAYS = 14
"""How far ahead tasks are put on the list."""

WEIGHED_DAYS_BEFORE = (14, 7)
"""Days before heads are expected to be ready on which some are weighed; common practice, no source."""
WEIGHED_HEADS = 10
"""How many: heads of a stand differ by some 12 % (assumed), so that their mean is known to 4 %."""
SETTLED_DAYS = 5
"""How long after the transplant plants are not weighed; common practice, no source."""

LEARNED_FROM = 500  # tasks
_WEIGHT = 4.0
"""Tasks that the assumed minutes count for, against those of the house."""

ASSUMED_MINUTES: Mapping[str, float] = {
    "seed": 0.05,  # a cell
    "wet": 0.02,  # a cell
    "count": 15.0,  # a count
    "weigh": 15.0,  # a weighing
    "transplant": 0.1,  # a plant
    "harvest": 0.25,  # a head
    "discard": 0.03,  # a plant
    "order": 10.0,
    "clean": 60.0,
    "check": 10.0,
}
"""Minutes of a unit of work; assumed, no source, until a house has its own."""

_UNIT = {"seed": "cells", "wet": "cells", "transplant": "plants", "harvest": "plants", "discard": "plants"}
_A_DAY = timedelta(days=1)


@dataclass(frozen=True, kw_only=True)
class Proposal:
    """A task that something calls for."""

    subject: str
    kind: str
    due_on: date
    title: str
    batch_id: int | None = None
    succession_id: int | None = None
    cells: int | None = None
    plants: int | None = None
    note: str | None = None


@dataclass(frozen=True)
class Proposed:
    """What proposing did to the list."""

    created: int
    moved: int
    withdrawn: int


@dataclass(frozen=True)
class Work:
    """One task of a day, with the minutes it is estimated to take."""

    task: Task
    minutes: float


@dataclass(frozen=True)
class WorkDay:
    """What is to be done in a house on a day."""

    house_id: int
    on: date
    closed: bool
    work: list[Work]

    @property
    def minutes_left(self) -> float:
        """Estimated minutes of what is not done."""
        return sum(work.minutes for work in self.work if work.task.done_at is None)


@dataclass(frozen=True)
class _Live:
    """A batch that stands, what its ledger says, and its newest forecast."""

    batch: Batch
    state: LedgerState
    succession: Succession
    points: Mapping[str, Any]


# --------------------------------------------------------------------------- use cases


async def work_on(
    uow: UnitOfWork,
    clock: Clock,
    access: Access,
    house_id: int,
    on: date | None = None,
    person: str | None = None,
) -> WorkDay:
    """Return what is to be done in a house on a local day (today if not said), with what is overdue by then.

    With a person, only what is theirs or anyone's.

    Raises
    ------
    NotFound
        If there is no such house.
    """
    house = await get_house(uow, access, house_id)
    zone = ZoneInfo(house.time_zone)
    day = local_day(clock.now(), zone) if on is None else on
    begins, ends = (datetime.combine(d, time(), zone) for d in (day, day + _A_DAY))
    tasks = await records.tasks_on(uow, house.id, day, begins, ends)
    unit = await unit_minutes(uow, house.id)
    closed = closed_days(await event_records.events_of(uow, house.id))
    return WorkDay(
        house.id,
        day,
        day in closed,
        [
            Work(task, _minutes(unit, task.kind, task.cells, task.plants, task.minutes_estimated))
            for task in tasks
            if person is None or task.assigned_to in {None, person}
        ],
    )


async def propose_work(uow: UnitOfWork, clock: Clock, access: Access, house_id: int) -> Proposed:
    """Put on the list what the forecasts, the advice or plan, and the events of a house call for.

    Doing it again changes nothing until they change.

    Raises
    ------
    NotFound
        If there is no such house.
    """
    house = await get_house(uow, access, house_id)
    await concluded.lock_house(uow, house.id)
    today = local_day(clock.now(), ZoneInfo(house.time_zone))
    wanted = {proposal.subject: proposal for proposal in await _proposals(uow, house, today)}
    return await settle_proposals(uow, house.id, wanted)


async def settle_proposals(
    uow: UnitOfWork, house_id: int, wanted: dict[str, Proposal], *, orders: bool = False
) -> Proposed:
    """Make the open tasks of a house that follow from something match what is wanted, by subject.

    Those to order seed are settled apart from the others, by :mod:`service.work.order_tasks`.
    """
    unit = await unit_minutes(uow, house_id)
    there = [
        task
        for task in await records.tasks_of_subjects(uow, house_id)
        if (task.subject or "").startswith(ORDER_SUBJECT) == orders
    ]
    moved, obsolete = 0, []
    for task in there:
        proposal = wanted.pop(task.subject or "", None)
        if task.done_at is not None:
            continue
        if proposal is None:
            obsolete.append(task)
            continue
        due_on = task.due_on
        if task.due_on == task.proposed_on:  # else a person has moved it
            task.due_on = proposal.due_on
            task.proposed_on = proposal.due_on
        task.title, task.cells, task.plants = proposal.title, proposal.cells, proposal.plants
        task.minutes_estimated = _minutes(unit, task.kind, task.cells, task.plants)
        moved += task.due_on != due_on
    added = [
        Task(
            **vars(proposal),
            house_id=house_id,
            proposed_on=proposal.due_on,
            minutes_estimated=_minutes(unit, proposal.kind, proposal.cells, proposal.plants),
        )
        for proposal in wanted.values()
    ]
    await records.settle_tasks(uow, added, obsolete)
    return Proposed(len(added), moved, len(obsolete))


# --------------------------------------------------------------------------- what is called for


async def _proposals(uow: UnitOfWork, house: House, today: date) -> list[Proposal]:
    batches = await batch_records.live_batches(uow, house.id)
    ids = [batch.id for batch in batches]
    ledgers = await batch_records.entries_of(uow, ids)
    forecasts: dict[int, Forecast] = await concluded.latest_forecasts(uow, ids)
    successions = {s.id: s for s in await place_records.successions_of(uow, house.id)}
    advice = await concluded.latest_advice(uow, [s.id for s in successions.values() if s.active])
    events = await event_records.events_of(uow, house.id)
    zones = {zone.id: zone.name for zone in await place_records.zones_of(uow, house.id)}
    planned = await records.plan_seedings(uow, house.id, today, PLAN_NOTE)
    zone = ZoneInfo(house.time_zone)
    live = [
        _Live(
            batch,
            derive(ledgers[batch.id]),
            successions[batch.succession_id],
            forecasts[batch.id].points if batch.id in forecasts else {},
        )
        for batch in batches
    ]
    seeded = {(batch.succession_id, batch.seeded_on) for batch in batches}
    found: list[Proposal] = []
    for item in live:
        found += of_batch(item.batch, item.state, item.succession, item.points, today, zone)
    found += of_seedings(successions, advice, planned, seeded, today)
    found += of_events(events, zones, today)
    closed = closed_days(events)
    last = today + AHEAD_DAYS * _A_DAY
    return [p for p in (_opened(p, closed) for p in found) if p.due_on <= last]


def of_batch(
    batch: Batch,
    state: LedgerState,
    succession: Succession,
    points: Mapping[str, Any],
    today: date,
    zone: ZoneInfo,
) -> Iterator[Proposal]:
    """Yield what a batch calls for. Pure.

    Parameters
    ----------
    batch, state, succession
        The batch, what its ledger says, and what it is seeded by.
    points
        Its forecast: by event, 10, 50 and 90 % points as ISO moments; a batch that was never forecast has none.
    today
        Local day.
    zone
        Time zone of the house.
    """

    def day(event: str, *wished: str) -> date | None:
        said = points.get(event) or {}
        at = next((said[point] for point in wished if said.get(point) is not None), None)
        return None if at is None else local_day(datetime.fromisoformat(at), zone)

    about: dict[str, Any] = {"batch_id": batch.id, "succession_id": succession.id}
    keep = round(state.cells * succession.keep_share) - state.in_channels - state.harvested
    to_move = max(0, min(state.in_nursery, keep))
    up = day("emergence", "p90", "p50")
    if state.in_nursery and state.emerged is None and up is not None:
        yield Proposal(
            subject=f"count:{batch.id}:emergence",
            kind="count",
            due_on=up,
            title=f"Count the seedlings of {batch.code}",
            **about,
        )
    if state.in_nursery and (state.transplanted_at is None or to_move):
        yield from _of_seedlings(batch, state, to_move, day, today, zone, about)
    elif state.in_nursery and state.transplanted_at is not None:
        yield Proposal(
            subject=f"discard:{batch.id}",
            kind="discard",
            due_on=local_day(state.transplanted_at, zone) + _A_DAY,
            title=f"Discard the {state.in_nursery} seedlings of {batch.code} that are left over",
            plants=state.in_nursery,
            **about,
        )
    ready = day("harvest", "p50")
    if state.in_channels and ready is not None and state.harvest_begun_at is None:
        yield from _weighing(batch, state, ready, today, zone, about)
    if state.in_channels and ready is not None:
        times = len(state.harvests) + len(state.cuts)
        if state.harvests:  # what is left of a harvest waits for the next day
            ready = max(ready, local_day(state.harvests[-1][0], zone) + _A_DAY)
        if state.waiting_until is not None:
            ready = max(ready, local_day(state.waiting_until, zone))
        yield Proposal(
            subject=f"harvest:{batch.id}:{times + 1}",
            kind="harvest",
            due_on=ready,
            title=f"Harvest {state.in_channels} heads of {batch.code}",
            plants=state.in_channels,
            **about,
        )


def _weighing(
    batch: Batch,
    state: LedgerState,
    ready: date,
    today: date,
    zone: ZoneInfo,
    about: Mapping[str, Any],
) -> Iterator[Proposal]:
    """Yield the next weighing: the forecast may move after each."""
    days = [ready - before * _A_DAY for before in WEIGHED_DAYS_BEFORE]
    weighed = local_day(state.weighings[-1][0], zone) if state.weighings else date.min
    moved = local_day(state.transplanted_at, zone) if state.transplanted_at else date.min
    for before, due_on, following in zip(WEIGHED_DAYS_BEFORE, days, [*days[1:], ready], strict=True):
        # One that was left out until the next is due, or the heads are ready, is of no use any more.
        if following <= today or due_on <= weighed + WEIGHED_EARLY or due_on < moved + SETTLED_DAYS * _A_DAY:
            continue
        yield Proposal(
            subject=f"weigh:{batch.id}:{len(state.weighings)}:{before}",
            kind="weigh",
            due_on=due_on,
            title=f"Weigh {min(WEIGHED_HEADS, state.in_channels)} heads of {batch.code}",
            **about,
        )
        return


def _of_seedlings(
    batch: Batch,
    state: LedgerState,
    to_move: int,
    day: Any,
    today: date,
    zone: ZoneInfo,
    about: Mapping[str, Any],
) -> Iterator[Proposal]:
    opens, closes = day("window_open", "p10", "p50"), day("window_close", "p90", "p50")
    counted = local_day(state.leaf_counts[-1][0], zone) if state.leaf_counts else None
    if closes is not None and closes < today:
        yield Proposal(
            subject=f"discard:{batch.id}",
            kind="discard",
            due_on=closes + _A_DAY,
            title=f"{batch.code} is past its transplant window: transplant at once or discard",
            plants=state.in_nursery,
            **about,
        )
        return
    if opens is not None and (counted is None or counted < opens - 3 * _A_DAY) and not state.transplanted_at:
        yield Proposal(
            subject=f"count:{batch.id}:leaves",
            kind="count",
            due_on=opens,
            title=f"Count true leaves of {batch.code}",
            **about,
        )
    moves = day("transplant", "p50") or day("window_open", "p50")
    if moves is not None and to_move:
        if state.transplanted_at is not None:
            moves = max(moves, local_day(state.transplanted_at, zone) + _A_DAY)
        yield Proposal(
            # What is left to be transplanted is another task than what was.
            subject=f"transplant:{batch.id}:{state.in_channels + state.harvested}",
            kind="transplant",
            due_on=moves,
            title=f"Transplant {to_move} plants of {batch.code}",
            plants=to_move,
            **about,
        )


def of_seedings(
    successions: Mapping[int, Succession],
    advice: Mapping[int, Advice],
    planned: Sequence[Task],
    seeded: set[tuple[int, date]],
    today: date,
) -> Iterator[Proposal]:
    """Yield the seedings to come, and wetting for them: those of the plan, else those advised. Pure."""
    of_plan: dict[int, list[tuple[date, int]]] = {}
    for task in planned:
        if task.succession_id is not None:
            of_plan.setdefault(task.succession_id, []).append((task.due_on, task.cells or 0))
    for succession in successions.values():
        own = of_plan.get(succession.id)
        told = advice.get(succession.id)
        if own is None and (told is None or not succession.active):
            continue
        days = own or [
            (date.fromisoformat(s["on"]), int(s["cells"])) for s in (told.seedings if told else ())
        ]
        for on, cells in days:
            if on < today or (succession.id, on) in seeded or cells < 1:
                continue
            about: dict[str, Any] = {"succession_id": succession.id, "due_on": on, "cells": cells}
            yield Proposal(
                subject=f"wet:{succession.id}:{on}",
                kind="wet",
                title=f"Wet cubes for {cells} cells of {succession.name}",
                **about,
            )
            if own is None:
                yield Proposal(
                    subject=f"seed:{succession.id}:{on}",
                    kind="seed",
                    title=f"Seed {cells} cells of {succession.name}",
                    **about,
                )


def of_events(events: Iterable[HouseEvent], zones: Mapping[int, str], today: date) -> Iterator[Proposal]:
    """Yield the cleanings that are not over. Pure."""
    for event in events:
        if event.kind == "cleaning" and event.zone_id is not None and (event.ends_on or today) >= today:
            sites = "" if event.sites is None else f"{event.sites} sites of "
            yield Proposal(
                subject=f"clean:{event.id}",
                kind="clean",
                due_on=event.starts_on,
                title=f"Clean {sites}{zones[event.zone_id]}",
            )


def _opened(proposal: Proposal, closed: frozenset[date]) -> Proposal:
    """Return a task as due on the first day from its own on which the house is open."""
    if proposal.kind in {"seed", "wet"}:  # of which the closed days are left out already
        return proposal
    due_on = proposal.due_on
    while due_on in closed:
        due_on += _A_DAY
    return proposal if due_on == proposal.due_on else Proposal(**{**vars(proposal), "due_on": due_on})


# --------------------------------------------------------------------------- minutes


async def unit_minutes(uow: UnitOfWork, house_id: int) -> dict[str, float]:
    """Return minutes of a unit of each kind of work, learned from what a house's own took."""
    return learned_minutes(await records.minutes_taken(uow, house_id, LEARNED_FROM))


def learned_minutes(taken: Sequence[tuple[str, int | None, int | None, float]]) -> dict[str, float]:
    """Return minutes of a unit of each kind of work.

    Parameters
    ----------
    taken
        (kind, cells, plants, minutes) of tasks done.

    Returns
    -------
    dict
        By kind: the median of the house, drawn towards the assumed value as if that were four tasks more. A median,
        so that one stop-watch left running does no harm.
    """
    units = {}
    for kind, assumed in ASSUMED_MINUTES.items():
        own = [
            minutes / amount
            for of, cells, plants, minutes in taken
            if of == kind and (amount := _amount(kind, cells, plants)) is not None
        ]
        middle = statistics.median(own) if own else assumed
        units[kind] = (len(own) * middle + _WEIGHT * assumed) / (len(own) + _WEIGHT)
    return units


def _amount(kind: str, cells: int | None, plants: int | None) -> int | None:
    """Return how many units of work a task is; None: it does not say."""
    unit = _UNIT.get(kind)
    return 1 if unit is None else cells if unit == "cells" else plants


def _minutes(
    unit: Mapping[str, float],
    kind: str,
    cells: int | None,
    plants: int | None,
    said: float | None = None,
) -> float:
    amount = _amount(kind, cells, plants)
    return said if said is not None else round(unit[kind] * (1 if amount is None else amount), 1)
