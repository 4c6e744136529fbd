"""How long the seed in stock lasts, and what to order when: a read, and the tasks it becomes.

What is sown comes from the plan that was accepted, that is its open tasks to seed; after the last of them, and where
there are none, from the programmes of the successions. How many seeds go into a cell is what was sown of late, one if
nothing was, or as said.

Seed that is ordered is written down as a lot with the day on which it is expected; it counts from that day on, so that
it is not ordered twice.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from service.agronomy import seed
from service.agronomy import seed_supply as science
from service.agronomy.seed_supply import Need, SeedOrder, Stock, Terms
from service.clock import Clock
from service.records import planning as plan_records
from service.records import seed_stock as records
from service.records.places import houses_of
from service.records.store import UnitOfWork
from service.records.tables import Cultivar, Succession, Task
from service.work import fields, saving
from service.work.access import Access
from service.work.errors import FieldProblem, impossible
from service.work.fields import Field, checked_new, each
from service.work.places import get_farm
from service.work.seed_fitness import Condition, conditions
from service.work.seed_stock import FORMS, farm_day
from service.work.tasks import SEED_NOTE, cultivar_to_order, of_seed_list

WEEKS = 26
MOST_WEEKS = 52
RECENT_DAYS = 183  # of which the seeds a cell are learned
OVERDUE_DAYS = 14  # a seeding that is not ticked off is still to come for so long
_TAKEN = FieldProblem("", "there is such a task already")


def _packs(value: Any) -> list[int]:
    right = isinstance(value, list) and all(type(n) is int and 1 <= n <= 10_000_000 for n in value)
    if not right or not 1 <= len(value) <= 20:
        raise ValueError("it must be a list of 1 to 20 whole numbers of seeds")
    return sorted(set(value))


_TERMS = {
    "lead_days": Field(fields.whole(0, 365)),
    "pack_sizes": Field(_packs),
}
_SUPPLY = {
    "cultivar_id": Field(fields.reference, required=True),
    "supplier": Field(fields.text(), nullable=True),
    "form": Field(fields.one_of(*FORMS)),
    "seeds_per_cell": Field(fields.number(0, 100, "seeds a cell", above=True)),
    **_TERMS,
}
_WISH = {
    "weeks": Field(fields.whole(1, MOST_WEEKS)),
    "ahead_days": Field(fields.whole(0, 60)),
    "cover_days": Field(fields.whole(61, science.COVER_DAYS)),
    **_TERMS,
    "supplies": each("supplies", _SUPPLY),
}


@dataclass(frozen=True)
class Supply:
    """Stock and orders of one cultivar."""

    cultivar_id: int
    cultivar: str
    supplier: str | None
    in_stock: int
    """Seeds of lots that are fit."""
    expected: int
    """Seeds of lots that are on their way."""
    unfit: int
    """Seeds of lots that are not to be sown."""
    needed: int
    """Seeds to be sown in the time looked at."""
    seeds_per_cell: float
    days_left: int | None
    runs_out_on: date | None
    too_old: int
    """Seeds that turn too old before they are sown."""
    missing: tuple[Need, ...]
    """Seedings for which no order comes in time."""
    orders: tuple[SeedOrder, ...]
    """That go out in the time looked at."""
    sentence: str


@dataclass(frozen=True)
class OrderList:
    """What to order when, for a farm."""

    farm_id: int
    made_on: date
    ends_on: date
    supplies: tuple[Supply, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class OrderTasks:
    """What following an order list did to the list of tasks."""

    created: int
    changed: int
    unchanged: int
    withdrawn: int
    tasks: tuple[Task, ...] = field(default=())


async def seed_orders(
    uow: UnitOfWork, clock: Clock, access: Access, farm_id: int, values: Mapping[str, Any] | None = None
) -> OrderList:
    """Say how long the seed of a farm lasts, by cultivar, and what to order when.

    ``lead_days`` and ``pack_sizes`` hold for all cultivars but those in ``supplies``.

    Raises
    ------
    NotFound
        If there is no such farm.
    Impossible
        If a value is wrong, or a supply is of another farm's cultivar.
    """
    wish = checked_new(_WISH, values or {})
    await get_farm(uow, access, farm_id)
    today = await farm_day(uow, clock, farm_id)
    cultivars = await plan_records.cultivar_names(uow, farm_id)
    supplies: dict[int, dict[str, Any]] = {}
    for at, supply in enumerate(wish.get("supplies", ())):
        cultivar_id = supply["cultivar_id"]
        if cultivar_id not in cultivars:
            raise impossible(f"supplies/{at}/cultivar_id", f"there is no cultivar {cultivar_id} of this farm")
        if cultivar_id in supplies:
            raise impossible(f"supplies/{at}/cultivar_id", "this cultivar is there twice")
        supplies[cultivar_id] = supply
    ends_on = today + timedelta(days=7 * wish.get("weeks", WEEKS) - 1)
    # An order that goes out on the last day must know all that it is to cover.
    last = ends_on + timedelta(days=2 * science.COVER_DAYS)
    cells, notes = await _cells(uow, farm_id, today, last)
    learned = await records.seeds_a_cell(uow, farm_id, today - timedelta(days=RECENT_DAYS))
    lots = await records.lots_of_farm(uow, farm_id)
    by_cultivar: dict[int, list[Condition]] = {}
    for condition in await conditions(uow, clock, farm_id, lots):
        by_cultivar.setdefault(condition.lot.lot.cultivar_id, []).append(condition)
    found = []
    for cultivar_id in sorted({*cells, *by_cultivar}):
        supply = supplies.get(cultivar_id, {})
        per_cell = supply.get("seeds_per_cell", learned.get(cultivar_id, 1.0))
        needs = [Need(on, math.ceil(n * per_cell - 1e-9)) for on, n in cells.get(cultivar_id, ())]
        found.append(
            _supply(
                cultivar_id,
                cultivars[cultivar_id],
                supply,
                wish,
                per_cell,
                needs,
                by_cultivar.get(cultivar_id, []),
                today,
                ends_on,
            )
        )
    return OrderList(farm_id, today, ends_on, tuple(found), tuple(notes))


def _supply(
    cultivar_id: int,
    cultivar: str,
    supply: Mapping[str, Any],
    wish: Mapping[str, Any],
    per_cell: float,
    needs: Sequence[Need],
    lots: Sequence[Condition],
    today: date,
    ends_on: date,
) -> Supply:
    forms = [c.lot.lot.form for c in lots]
    form = supply.get("form", forms[-1] if forms else "raw")
    terms = Terms(
        lead_days=supply.get("lead_days", wish.get("lead_days", science.LEAD_DAYS)),
        ahead_days=wish.get("ahead_days", science.AHEAD_DAYS),
        cover_days=min(wish.get("cover_days", science.COVER_DAYS), seed.KEEPING[form].limit_days),
        packs=tuple(supply.get("pack_sizes", wish.get("pack_sizes", (1,)))),
    )
    stock = [stock_of(c, today) for c in lots if c.fit or coming(c)]
    outlook = science.look_ahead(today, stock, needs, terms)
    orders = tuple(o for o in outlook.orders if o.order_on <= ends_on)
    runs_out = outlook.runs_out_on
    days_left = outlook.days_left
    if runs_out is not None and runs_out > ends_on + timedelta(days=science.COVER_DAYS):
        runs_out, days_left = None, None
    found = Supply(
        cultivar_id=cultivar_id,
        cultivar=cultivar,
        supplier=supply.get("supplier") or next((c.lot.lot.supplier for c in reversed(lots)), None),
        in_stock=sum(c.lot.remaining for c in lots if c.fit),
        expected=sum(c.lot.remaining for c in lots if coming(c)),
        unfit=sum(c.lot.remaining for c in lots if not c.fit and not coming(c)),
        needed=sum(n.seeds for n in needs if n.on <= ends_on),
        seeds_per_cell=per_cell,
        days_left=days_left,
        runs_out_on=runs_out,
        too_old=outlook.too_old,
        missing=tuple(n for n in outlook.missing if n.on <= ends_on),
        orders=orders,
        sentence="",
    )
    return Supply(**{**vars(found), "sentence": _sentence(found, today)})


def coming(condition: Condition) -> bool:
    """Return whether a lot is on its way and nothing else is wrong with it."""
    return [f.kind for f in condition.faults if f.unfit] == ["not_here"]


def stock_of(condition: Condition, today: date) -> Stock:
    """Return a lot as stock."""
    return Stock(condition.lot.remaining, max(today, condition.lot.lot.received_on), condition.use_by)


def _seedings(many: int) -> str:
    return "1 seeding" if many == 1 else f"{many} seedings"


def _sentence(supply: Supply, today: date) -> str:
    name = supply.cultivar
    if not supply.needed and supply.runs_out_on is None:
        return f"Nothing of {name} is to be sown."
    if supply.runs_out_on is None:
        return f"The seed of {name} covers all that is to be sown."
    if supply.days_left == 0:
        said = f"There is not enough seed of {name} for today."
    else:
        said = f"The seed of {name} lasts {supply.days_left} days, until before the seeding on {supply.runs_out_on}."
    if supply.missing:
        short = sum(n.seeds for n in supply.missing)
        said += f" Ordered today it comes too late for {_seedings(len(supply.missing))}, {short} seeds."
    if supply.orders:
        first = supply.orders[0]
        when = "today" if first.order_on <= today else f"on {first.order_on}"
        said += f" Order {first.seeds} seeds {when}, to arrive on {first.arrive_on}."
    return said


# --------------------------------------------------------------------------- what is to be sown


async def _cells(
    uow: UnitOfWork, farm_id: int, today: date, last: date
) -> tuple[dict[int, list[tuple[date, int]]], list[str]]:
    """Return the cells to be sown with seed of each cultivar, by day, and what cannot be told."""
    house_ids = await plan_records.house_ids_of(uow, farm_id)
    successions = {i: s for i, (s, _) in (await plan_records.successions_of_houses(uow, house_ids)).items()}
    cultivars = await records.cultivars_of_farm(uow, farm_id)
    seeded = await records.last_seedings(uow, successions)
    tasks: dict[int, list[Task]] = {i: [] for i in successions}
    since = today - timedelta(days=OVERDUE_DAYS)
    for task in await plan_records.seed_tasks(uow, house_ids, since, last):
        if task.succession_id is not None:
            tasks[task.succession_id].append(task)
    found: dict[int, list[tuple[date, int]]] = {}
    notes: list[str] = []
    for i, succession in sorted(successions.items()):
        days = seedings(succession, tasks[i], seeded.get(i), today, last)
        members: list[int | None] = [m.cultivar_id for m in succession.cultivars]
        for member in members or [succession.cultivar_id]:
            if member is None:
                if days:
                    notes.append(f"{succession.name} names no cultivar: the seed it takes is not counted.")
                continue
            found.setdefault(member, []).extend(
                (on, cells) for on, cells in days if _in_season(cultivars[member], on)
            )
    return found, notes


def seedings(
    succession: Succession, tasks: Iterable[Task], last_seeded: date | None, today: date, last: date
) -> list[tuple[date, int]]:
    """Return (day, cells) to be sown for a succession: its open tasks, and its programme after the last of them."""
    found = []
    reached = last_seeded
    for task in tasks:
        if task.done_at is None and (last_seeded is None or task.due_on > last_seeded):
            found.append((max(today, task.due_on), task.cells or succession.cells_per_seeding))
        reached = task.due_on if reached is None else max(reached, task.due_on)
    if not succession.active:
        return found
    interval = timedelta(days=succession.seeding_interval_days)
    due = today - interval if reached is None else reached
    steps = 1
    while True:
        # Counted from one day, so that a fraction of a day adds up.
        on = due + timedelta(days=math.floor(steps * interval / timedelta(days=1)))
        steps += 1
        on = max(on, today)
        while on.isoweekday() not in succession.seeding_weekdays:
            on += timedelta(days=1)
        if on > last:
            return found
        if not found or on > found[-1][0]:
            found.append((on, succession.cells_per_seeding))


def _in_season(cultivar: Cultivar, on: date) -> bool:
    return cultivar.season_months is None or on.month in cultivar.season_months


# --------------------------------------------------------------------------- tasks


async def propose_orders(
    uow: UnitOfWork, clock: Clock, access: Access, farm_id: int, values: Mapping[str, Any] | None = None
) -> OrderTasks:
    """Turn an order list into dated tasks of kind "order"; doing it again changes nothing.

    Open tasks of an earlier list that are no longer in it are withdrawn. Tasks that people wrote, changed the note of,
    or have done, stay as they are.
    """
    await get_farm(uow, access, farm_id)
    await plan_records.lock_farm(uow, farm_id)
    wanted = await seed_orders(uow, clock, access, farm_id, values)
    houses = await records.houses_growing(uow, farm_id)
    every = [house.id for house in await houses_of(uow, farm_id)]
    open_ = await records.open_order_tasks(uow, every)
    listed = of_seed_list(open_)
    own = [task for task in open_ if task.id in listed]
    spare = {(t.house_id, t.due_on, t.note): t for t in own}
    counts = dict.fromkeys(("created", "changed", "unchanged"), 0)
    tasks = []
    for house_id, on, note, title in _proposals(wanted, houses, every):
        task = spare.pop((house_id, on, note), None)
        if task is None:
            task = Task(house_id=house_id, kind="order", due_on=on, title=title, note=note)
            await saving.insert(uow, task, _TAKEN)
            counts["created"] += 1
        elif task.title != title:
            await saving.update(uow, task, {"title": title}, None, _TAKEN)
            counts["changed"] += 1
        else:
            counts["unchanged"] += 1
        tasks.append(task)
    kept, decided = {task.id for task in tasks}, set(of_seed_list(tasks).values())
    gone = [task.id for task in own if task.id not in kept]
    # What the list says goes before the order that nobody asked for.
    gone += [task.id for task in open_ if task.id not in listed and cultivar_to_order(task) in decided]
    if gone:
        await plan_records.drop_tasks(uow, gone)
    return OrderTasks(**counts, withdrawn=len(gone), tasks=tuple(tasks))


def _proposals(
    wanted: OrderList, growing: Mapping[int, int], houses: Sequence[int]
) -> Iterable[tuple[int, date, str, str]]:
    """Yield house, day, note and title of the tasks that an order list asks for, one a cultivar and day."""
    for supply in wanted.supplies:
        for on in sorted({order.order_on for order in supply.orders}):
            house_id = growing.get(supply.cultivar_id, houses[0] if houses else 0)
            if house_id:
                yield house_id, on, task_note(supply), task_title(supply, on)


def task_title(supply: Supply, on: date) -> str:
    """Return what a task says to order on a day."""
    orders = [order for order in supply.orders if order.order_on == on]
    seeds, arrive_on = sum(o.seeds for o in orders), min(o.arrive_on for o in orders)
    return f"Order {seeds} seeds of {supply.cultivar}, to arrive by {arrive_on}"


def task_note(supply: Supply) -> str:
    """Return the note of a task to order, by which it is known again."""
    whom = f" from {supply.supplier}" if supply.supplier else ""
    return (
        f"{SEED_NOTE}: cultivar {supply.cultivar_id}{whom}. Once ordered, write it down as a seed lot with the day on"
        " which it is expected."
    )
