"""What a plan is made from: what is wished and tried out, and what is known of the farm."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from service.clock import Clock
from service.records import planning as records
from service.records.orders import orders_of
from service.records.store import UnitOfWork
from service.records.tables import Crop, Order, Task
from service.work import fields
from service.work.access import Access
from service.work.errors import Impossible, impossible
from service.work.fields import Field, checked_new, each
from service.work.orders import ORDER, check_together
from service.work.places import HOUSE, get_farm
from service.work.reforecast import HouseInput, read_house
from service.work.tasks import PLAN_NOTE

WEEKS = 26
MOST_WEEKS = 52
TRAY_CELLS = 20  # assumed
HARVEST_WINDOW_DAYS = 5  # that a ready head may wait; assumed
MEMBERS = 20  # of the outlook, of which medians are taken

_ORDER_CHANGE = {
    "order_id": Field(fields.reference, required=True),
    "heads": Field(fields.whole(1)),
    "weight_kg": Field(fields.number(0, 1e6, "kg", above=True)),
    "price": Field(fields.number(0, 1e6)),
    "active": Field(fields.flag),
}
_ZONE_CHANGE = {
    "zone_id": Field(fields.reference, required=True),
    "capacity": Field(fields.whole(0), required=True),
    "starts_on": Field(fields.day),
    "ends_on": Field(fields.day),
}
_HOUSE_CHANGE = {
    "house_id": Field(fields.reference, required=True),
    "lamp_hours": Field(HOUSE["lamp_hours"].check),
    "lamp_ppfd_umol": Field(HOUSE["lamp_ppfd_umol"].check),
    "labour_minutes": Field(fields.number(0, 1e6, "minutes a day")),
}


_WISH = {
    "weeks": Field(fields.whole(1, MOST_WEEKS)),
    "starts_on": Field(fields.day),
    "tray_cells": Field(fields.whole(1, 10_000)),
    "harvest_window_days": Field(fields.whole(0, 60)),
    "turnaround_days": Field(fields.whole(0, 30)),
    "groups": Field(fields.whole(1, 5)),
    "seed_minutes_a_tray": Field(fields.number(0, 1e4, "minutes")),
    "move_minutes_a_plant": Field(fields.number(0, 1e4, "minutes")),
    "cut_minutes_a_head": Field(fields.number(0, 1e4, "minutes")),
    "orders": each("orders", _ORDER_CHANGE),
    "new_orders": each("new_orders", {k: f for k, f in ORDER.items() if k not in ("farm_id", "active")}),
    "zones": each("zones", _ZONE_CHANGE),
    "houses": each("houses", _HOUSE_CHANGE),
}


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What plan is wanted, and what is to be tried out."""

    weeks: int = WEEKS
    starts_on: date | None = None
    tray_cells: int = TRAY_CELLS
    harvest_window_days: int = HARVEST_WINDOW_DAYS
    turnaround_days: int = 0
    groups: int = 1  # of members
    seed_minutes_a_tray: float = 0.0
    move_minutes_a_plant: float = 0.0
    cut_minutes_a_head: float = 0.0
    orders: Sequence[Mapping[str, Any]] = ()
    new_orders: Sequence[Mapping[str, Any]] = ()
    zones: Sequence[Mapping[str, Any]] = ()
    houses: Sequence[Mapping[str, Any]] = ()


@dataclass(frozen=True)
class FarmInput:
    """Everything a plan is made from."""

    farm_id: int
    now: datetime
    starts_on: date
    ends_on: date
    wish: Wish
    houses: Sequence[HouseInput]
    crops: Mapping[int, Crop]
    orders: Sequence[Order]  # those that are only tried out have ids below 0
    cultivars: Mapping[int, str]
    tasks: Sequence[Task]  # open seedings of the plan in force


async def read_farm(
    uow: UnitOfWork, clock: Clock, access: Access, farm_id: int, values: Mapping[str, Any]
) -> FarmInput:
    """Read all that a plan of the farm needs, as known now."""
    wish = Wish(**checked_new(_WISH, values))
    now = clock.now()
    await get_farm(uow, access, farm_id)
    house_ids = await records.house_ids_of(uow, farm_id)
    horizon = 7 * wish.weeks + ((wish.starts_on - now.date()).days if wish.starts_on else 0)
    houses = [await read_house(uow, clock, i, MEMBERS, max(1, horizon)) for i in house_ids]
    today = min((house.today for house in houses), default=now.date())
    starts_on = wish.starts_on or today
    if starts_on < today:
        raise impossible("starts_on", f"it lies in the past: today is {today}")
    if (starts_on - today).days > 7 * MOST_WEEKS:
        raise impossible("starts_on", f"it lies more than {MOST_WEEKS} weeks ahead")
    ends_on = starts_on + timedelta(days=7 * wish.weeks - 1)
    tasks = await records.seed_tasks(uow, house_ids, today, ends_on)
    crops = {c.id: c for c in await records.crops_of(uow, farm_id)}
    given = FarmInput(
        farm_id=farm_id,
        now=now,
        starts_on=starts_on,
        ends_on=ends_on,
        wish=wish,
        houses=houses,
        crops=crops,
        orders=[*await orders_of(uow, farm_id), *_new_orders(wish, farm_id, crops)],
        cultivars=await records.cultivar_names(uow, farm_id),
        tasks=[t for t in tasks if t.done_at is None and t.cells and t.note == PLAN_NOTE],
    )
    _check_changes(given)
    return given


def _new_orders(wish: Wish, farm_id: int, crops: Collection[int]) -> list[Order]:
    """Return orders that are only tried out."""
    found = []
    for at, values in enumerate(wish.new_orders):
        order = Order(farm_id=farm_id, active=True, **values)
        order.id = -1 - at
        try:
            if order.crop_id not in crops:
                raise impossible("crop_id", f"there is no crop {order.crop_id} of this farm")
            check_together(order)
        except Impossible as error:
            (problem,) = error.problems
            raise impossible(f"new_orders/{at}/{problem.field}", problem.problem) from None
        found.append(order)
    return found


def _check_changes(given: FarmInput) -> None:
    """Refuse changes of what is not the farm's."""
    zones = {zone.id: zone for house in given.houses for zone in house.zones.values()}
    known: dict[str, tuple[str, Collection[int]]] = {
        "orders": ("order", {o.id for o in given.orders}),
        "zones": ("zone", zones),
        "houses": ("house", {h.house.id for h in given.houses}),
    }
    for name, (thing, ids) in known.items():
        for at, change in enumerate(getattr(given.wish, name)):
            if change[f"{thing}_id"] not in ids:
                raise impossible(f"{name}/{at}/{thing}_id", f"there is no such {thing} of this farm")
    by_id = {order.id: order for order in given.orders}
    for at, change in enumerate(given.wish.orders):
        for name in ("heads", "weight_kg"):
            if name in change and getattr(by_id[change["order_id"]], name) is None:
                raise impossible(f"orders/{at}/{name}", "the order is not of that; change its other amount")
        if "price" in change and by_id[change["order_id"]].price is None:
            raise impossible(f"orders/{at}/price", "the order says no price, and so no currency and no unit")
