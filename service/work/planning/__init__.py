"""The plan of a farm: dated seedings over the coming weeks against its orders, and what stands in the way.

Nothing of a plan is stored: it is made anew from what is known, with changes tried out if wished. Accepting one turns
its seedings into dated tasks; the next plan changes these only for a reason.

What the farm has ordered of a crop is what is wanted of it. A crop of which nothing is ordered is planned for what its
successions are for: their heads every harvest interval.

Of the outlook's members the plan takes the median, or so many groups of them from fast to slow, each with its own
medians. A seedling moved after the middle of its window is taken to be ready as much later, one moved before not
earlier; the cuts of a herb between the first and the last are taken to be evenly apart (both assumed).
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import Any

from service.agronomy import planning as science
from service.agronomy.planning import Problem
from service.clock import Clock
from service.records.store import Store
from service.work.access import Access
from service.work.errors import FieldProblem, Impossible, NotFound
from service.work.places import get_house
from service.work.planning.accept import Accepted, accept_plan
from service.work.planning.draft import Draft, demands_of, draw_up, standing_demand, wanted_of
from service.work.planning.given import WEEKS, FarmInput, read_farm
from service.work.planning.shown import FarmPlan, SiteValues, shown, values_of
from service.work.tasks import PLAN_NOTE

__all__ = [
    "PLAN_NOTE",
    "WEEKS",
    "Accepted",
    "FarmInput",
    "FarmPlan",
    "SiteValues",
    "accept_plan",
    "make_plan",
    "plan",
    "read_farm",
    "site_values",
]

GAP = 0.005
TIME_LIMIT_S = 30.0


async def make_plan(
    store: Store, clock: Clock, access: Access, farm_id: int, values: Mapping[str, Any]
) -> FarmPlan:
    """Make a plan of a farm, trying out changes; nothing is stored and no transaction is held while computing.

    Raises
    ------
    NotFound
        If there is no such farm.
    Impossible
        If what is wished cannot be: a horizon in the past, an order of another farm.
    """
    async with store.read() as uow:
        given = await read_farm(uow, clock, access, farm_id, values)
    return await asyncio.to_thread(plan, given)


async def site_values(
    store: Store, clock: Clock, access: Access, house_id: int, weeks: int = WEEKS
) -> SiteValues:
    """Say what each crop of a house earns for a week of a site; nothing is planned or stored.

    Prices are those of the farm's orders, durations of its seedings to come in this house, and sites are held as long
    as the forecast says.

    Raises
    ------
    NotFound
        If there is no such house.
    Impossible
        If the weeks are out of bounds.
    """
    async with store.read() as uow:
        house = await get_house(uow, access, house_id)
        farm = await read_farm(uow, clock, access, house.farm_id, {"weeks": weeks})
    own = [h for h in farm.houses if h.house.id == house_id]
    return await asyncio.to_thread(_site_values, replace(farm, houses=own))


def _site_values(given: FarmInput) -> SiteValues:
    [house] = given.houses
    draft = _drawn_up(given, house.today)
    wanted = wanted_of(given, house.today)
    grown = {s.crop_id for _, s in draft.successions}
    values = values_of(given, draft, wanted, None)
    sites = sum(zone.capacity for zone in house.zones.values() if zone.kind == "channels")
    notes = []
    if not grown:
        notes.append("No succession runs in this house: nothing grows whose value could be said.")
    notes += [
        f"{given.crops[crop_id].name} is not forecast to be ready within these weeks."
        for crop_id in sorted(grown - {v.crop_id for v in values})
    ]
    notes += [f"No order of {v.crop} says a price." for v in values if v.price_a_head is None]
    held = sum(v.sites_ordered for v in values)
    if values:
        notes.append(
            f"What is ordered of its crops, by all houses, holds {held:.0f} sites; this house has {sites}."
        )
    return SiteValues(
        house_id=house.house.id,
        made_at=given.now,
        starts_on=given.starts_on,
        ends_on=given.ends_on,
        sites=sites,
        values=values,
        notes=tuple(notes),
    )


def _drawn_up(given: FarmInput, today: date) -> Draft:
    try:
        return draw_up(given, today)
    except NotFound as error:  # a crop whose profile is not there
        raise Impossible(error.detail, FieldProblem("crop_id", error.detail)) from error


def plan(given: FarmInput) -> FarmPlan:
    """Make the plan. Pure: no clock, no database."""
    today = min((house.today for house in given.houses), default=given.starts_on)
    draft = _drawn_up(given, today)
    wanted = wanted_of(given, today)
    ordered = {order.crop_id for order in given.orders}
    for number, (_, succession) in enumerate(draft.successions):
        if succession.active and succession.crop_id not in ordered:
            standing = standing_demand(given, succession, number, draft)
            wanted += [standing] if standing else []
    demands, named = demands_of(draft, wanted)
    problem = Problem(
        days=draft.days,
        spaces=tuple(draft.spaces),
        programmes=tuple(draft.programmes),
        seedings=tuple(draft.seedings),
        demands=tuple(demands),
        standing=tuple(draft.standing),
        crews=tuple(draft.crews),
        keep_plan=bool(given.tasks),
    )
    found = science.solve(problem, gap=GAP, time_limit_s=TIME_LIMIT_S)
    return shown(given, draft, wanted, named, problem, found)
