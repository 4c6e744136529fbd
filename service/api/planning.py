"""The plan of a farm, and how much to sow."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Literal

from litestar import get, post
from litestar.datastructures import State
from litestar.params import JSONBody, QueryParameter
from msgspec import UNSET, Meta, UnsetType

from service.api.bodies import Body, View, view
from service.api.operations import CHANGE, READ, Asker, Now, RowId, Uow
from service.api.orders import OrderAdded
from service.api.tasks import TaskView
from service.records.store import Store
from service.work import planning, sowing

# --------------------------------------------------------------------------- what is asked


class OrderTried(Body):
    """An order as it might be."""

    order_id: Annotated[int, Meta(description="The order, of the same farm.", examples=[1])]
    heads: Annotated[int, Meta(description="Heads on each day, if it is of heads.")] | UnsetType = UNSET
    weight_kg: (
        Annotated[float, Meta(description="Weight on each day, kg, if it is of weight.")] | UnsetType
    ) = UNSET
    price: Annotated[float, Meta(description="Price of its unit, if it says one.")] | UnsetType = UNSET
    active: Annotated[bool, Meta(description="False: without it; true: with one called off.")] | UnsetType = (
        UNSET
    )


class ZoneTried(Body):
    """A zone as it might be."""

    zone_id: Annotated[int, Meta(description="The zone, of the same farm.", examples=[2])]
    capacity: Annotated[int, Meta(description="Cells of a nursery, sites of channels.", examples=[900])]
    starts_on: Annotated[date, Meta(description="From this day on; always if not said.")] | UnsetType = UNSET
    ends_on: Annotated[date, Meta(description="Up to this day; for good if not said.")] | UnsetType = UNSET


class HouseTried(Body):
    """A house as it might be."""

    house_id: Annotated[int, Meta(description="The house, of the same farm.", examples=[1])]
    lamp_hours: Annotated[float, Meta(description="Hours of lamps a day, from today on.")] | UnsetType = UNSET
    lamp_ppfd_umol: (
        Annotated[float, Meta(description="Light of the lamps at the canopy, µmol m⁻² s⁻¹.")] | UnsetType
    ) = UNSET
    labour_minutes: (
        Annotated[float, Meta(description="Minutes of labour there are a day; no limit if not said.")]
        | UnsetType
    ) = UNSET


class PlanWish(Body):
    """What plan is wanted; all of it can be left out."""

    weeks: Annotated[int, Meta(description="How far to plan, 1 to 52 weeks. 26 if not said.")] | UnsetType = (
        UNSET
    )
    starts_on: (
        Annotated[date, Meta(description="First day on which to seed; today if not said.")] | UnsetType
    ) = UNSET
    tray_cells: Annotated[int, Meta(description="Cells a tray. 20 if not said.")] | UnsetType = UNSET
    harvest_window_days: (
        Annotated[int, Meta(description="Days that a ready head may wait. 5 if not said.")] | UnsetType
    ) = UNSET
    turnaround_days: (
        Annotated[int, Meta(description="Days that a site stays empty after a head. 0 if not said.")]
        | UnsetType
    ) = UNSET
    groups: (
        Annotated[
            int,
            Meta(
                description="Futures that the plan is to suit, from fast to slow, 1 to 5. 1, the median, if not said."
            ),
        ]
        | UnsetType
    ) = UNSET
    seed_minutes_a_tray: Annotated[float, Meta(description="Labour of seeding.")] | UnsetType = UNSET
    move_minutes_a_plant: Annotated[float, Meta(description="Labour of transplanting.")] | UnsetType = UNSET
    cut_minutes_a_head: Annotated[float, Meta(description="Labour of cutting.")] | UnsetType = UNSET
    orders: Annotated[list[OrderTried], Meta(description="Orders to try otherwise.")] | UnsetType = UNSET
    new_orders: (
        Annotated[list[OrderAdded], Meta(description="Orders to try beside those there are.")] | UnsetType
    ) = UNSET
    zones: Annotated[list[ZoneTried], Meta(description="Zones to try otherwise.")] | UnsetType = UNSET
    houses: Annotated[list[HouseTried], Meta(description="Houses to try otherwise.")] | UnsetType = UNSET


class SeedingAccepted(Body):
    """A seeding of a plan."""

    succession_id: Annotated[int, Meta(description="What is seeded.", examples=[1])]
    on: Annotated[date, Meta(description="Local day of the house.", examples=["2026-09-14"])]
    cells: Annotated[int, Meta(description="How many cells.", examples=[200])]


class PlanAccepted(Body):
    """A plan to be followed: what its answer said."""

    starts_on: Annotated[date, Meta(description="First day of the plan.", examples=["2026-09-14"])]
    ends_on: Annotated[date, Meta(description="Its last day.", examples=["2027-03-14"])]
    seedings: Annotated[list[SeedingAccepted], Meta(description="All its seedings.")]


class CultivarWish(Body):
    """One cultivar of a sowing, and what is known of its seed."""

    name: Annotated[str, Meta(description="Its name, as it is to be answered.", examples=["Red leaf"])]
    wanted: (
        Annotated[int, Meta(description="Plants to transplant of it; not of cultivars in the same cell.")]
        | UnsetType
    ) = UNSET
    rate: Annotated[float, Meta(description="Share of cells that give a good plant.")] | UnsetType = UNSET
    good: Annotated[int, Meta(description="Good ones of a test or record.", examples=[92])] | UnsetType = (
        UNSET
    )
    tested: Annotated[int, Meta(description="Of how many.", examples=[100])] | UnsetType = UNSET


class SowingWish(Body):
    """What is wanted of a sowing, and what is known of the seed."""

    probability: Annotated[float, Meta(description="Of enough of them, above 0, below 1.", examples=[0.9])]
    wanted: (
        Annotated[
            int, Meta(description="Plants to transplant; of several cultivars, of each.", examples=[160])
        ]
        | UnsetType
    ) = UNSET
    rate: (
        Annotated[float, Meta(description="Share of cells that give a good plant, if it is known.")]
        | UnsetType
    ) = UNSET
    good: (
        Annotated[int, Meta(description="Good ones of a test, or of the house's own record.", examples=[92])]
        | UnsetType
    ) = UNSET
    tested: Annotated[int, Meta(description="Of how many.", examples=[100])] | UnsetType = UNSET
    keep_best: (
        Annotated[float, Meta(description="Share of the good ones that is planted: the best. 1 if not said.")]
        | UnsetType
    ) = UNSET
    tray_cells: Annotated[int, Meta(description="Cells a tray. 1 if not said.")] | UnsetType = UNSET
    cultivars: (
        Annotated[list[CultivarWish], Meta(description="Several cultivars, each with its own seed.")]
        | UnsetType
    ) = UNSET
    same_cell: (
        Annotated[
            bool, Meta(description="A seed of each cultivar in every cell; else each has cells of its own.")
        ]
        | UnsetType
    ) = UNSET
    least: (
        Annotated[
            int, Meta(description="Cultivars that must come up in a cell for it to be good; all if not said.")
        ]
        | UnsetType
    ) = UNSET


# --------------------------------------------------------------------------- what is answered


class DayView(View):
    """Plants or heads on a day."""

    on: date
    count: float


class SeedsView(View):
    """Seeds of one cultivar."""

    cultivar_id: int | None
    cultivar: str | None
    seeds: int


class PlannedSeedingView(View):
    """A seeding of the plan and what becomes of it."""

    house_id: int
    house: str
    succession_id: int
    succession: str
    on: Annotated[date, Meta(description="Local day of the house.")]
    trays: int
    cells: int
    cells_before: Annotated[int | None, Meta(description="In the plan accepted before; null: there is none.")]
    seeds: Annotated[list[SeedsView], Meta(description="A mix has a seed of each cultivar in every cell.")]
    transplants: list[DayView]
    harvests: list[DayView]


class BindingView(View):
    """What stands in the way, and how much more of it would be enough."""

    kind: Annotated[
        Literal["sites", "cells", "labour", "window", "trays"],
        Meta(description="`window`: nothing is ready on the day. `trays`: only that trays are whole."),
    ]
    house_id: int | None
    house: str | None
    zone_id: int | None
    zone: str | None
    first_on: date | None
    last_on: date | None
    amount: Annotated[float, Meta(description="Sites, cells, minutes a day; of `window` and `trays`, heads.")]
    sentence: str


class ExpectedView(View):
    """Heads wanted on a day, and those that will be there."""

    order_id: Annotated[
        int | None, Meta(description="Null: nothing is ordered of the crop, or it is tried out.")
    ]
    succession_id: Annotated[int | None, Meta(description="Whose heads they are, where nothing is ordered.")]
    crop_id: int
    crop: str
    buyer: str | None
    on: date
    heads: float
    planned: float
    short: float
    binding: list[BindingView]
    sentence: Annotated[str | None, Meta(description="Of a shortfall.")]


class CropValueView(View):
    """What a crop earns on a site, and how far orders support it."""

    crop_id: int
    crop: str
    price_a_head: Annotated[
        float | None,
        Meta(description="Mean of its orders; null: none says a price, or in several currencies."),
    ]
    currency: str | None
    days_on_site: Annotated[float, Meta(description="Mean, from transplant to the last cut.")]
    heads_a_site: Annotated[float, Meta(description="Heads or cuts of a planting.")]
    per_site_week: Annotated[float | None, Meta(description="Value of a site for a week.")]
    site_weeks_a_head: float
    heads_ordered_a_week: float
    sites_ordered: Annotated[float, Meta(description="Sites that what is ordered holds, on the mean.")]
    heads_planned_a_week: Annotated[float | None, Meta(description="Null: nothing was planned.")]


class SiteValuesView(View):
    """What the crops of a house earn on its sites."""

    house_id: int
    made_at: datetime
    starts_on: date
    ends_on: date
    sites: Annotated[int, Meta(description="Of all its channels.")]
    values: Annotated[list[CropValueView], Meta(description="Crops, best first.")]
    notes: Annotated[list[str], Meta(description="What else there is to know, in sentences.")]


class PlanView(View):
    """A plan: what to seed and when, and what comes of it."""

    farm_id: int
    made_at: datetime
    starts_on: date
    ends_on: date
    seedings: Annotated[list[PlannedSeedingView], Meta(description="By date.")]
    expected: Annotated[list[ExpectedView], Meta(description="What is wanted, by date.")]
    binding: Annotated[list[BindingView], Meta(description="All that binds, week by week.")]
    values: Annotated[list[CropValueView], Meta(description="Crops, best first.")]
    heads_wanted: float
    heads_planned: float
    heads_short: float
    plants_surplus: Annotated[float, Meta(description="Plants and heads raised for nobody.")]
    gap: Annotated[float, Meta(description="By how much a better plan may be better, as a share.")]
    within_gap: Annotated[bool, Meta(description="False: the time was up before the plan was good enough.")]
    notes: Annotated[list[str], Meta(description="What else there is to know, in sentences.")]


class AcceptedView(View):
    """What accepting a plan did to the list of tasks."""

    created: int
    changed: int
    unchanged: int
    withdrawn: Annotated[int, Meta(description="Open tasks of an earlier plan that are no longer in it.")]
    tasks: list[TaskView]


class CultivarSowingView(View):
    """How much to sow of one cultivar; in the same cell, the cells that all share."""

    name: str
    cells: int
    trays: int
    probability: float
    expected: float


class SowingView(View):
    """How much to sow."""

    cells: Annotated[int, Meta(description="The fewest that are enough.")]
    trays: Annotated[int, Meta(description="Whole trays that hold them.")]
    probability: Annotated[float, Meta(description="Of enough, if the trays are sown full.")]
    expected: Annotated[
        float, Meta(description="Good plants expected of full trays, before the best are kept.")
    ]
    cultivars: list[CultivarSowingView]


# --------------------------------------------------------------------------- operations


@post(
    "/farms/{farm_id:int}/plan",
    operation_id="makePlan",
    opt={"changes_nothing": True},
    tags=["Work"],
    responses=READ,
    status_code=200,
    scope="read",
)
async def make_plan(
    state: State, clock: Now, access: Asker, farm_id: RowId, data: JSONBody[PlanWish]
) -> PlanView:
    """Plan a farm's seedings against its orders, trying out changes if wished. Nothing is stored."""
    store: Store = state.store  # the plan takes its own transaction, and computes outside it
    return view(PlanView, await planning.make_plan(store, clock, access, farm_id, data.given()))


@post(
    "/farms/{farm_id:int}/plan/accept",
    operation_id="acceptPlan",
    tags=["Work"],
    responses=CHANGE,
    status_code=200,
)
async def accept_plan(
    uow: Uow, clock: Now, access: Asker, farm_id: RowId, data: JSONBody[PlanAccepted]
) -> AcceptedView:
    """Follow a plan: its seedings become tasks. Doing it again changes nothing."""
    return view(AcceptedView, await planning.accept_plan(uow, clock, access, farm_id, data.given()))


@get("/houses/{house_id:int}/site-values", operation_id="getSiteValues", tags=["Work"], responses=READ)
async def get_site_values(
    state: State,
    clock: Now,
    access: Asker,
    house_id: RowId,
    weeks: Annotated[int, QueryParameter(description="Over how many weeks to come, 1 to 52.")] = 26,
) -> SiteValuesView:
    """Say what each crop of a house earns for a week of a site, and how far orders support it.

    Forecast at each asking, from the moment of asking on, so no two answers are the same.
    """
    store: Store = state.store
    return view(SiteValuesView, await planning.site_values(store, clock, access, house_id, weeks))


@post(
    "/sowings",
    operation_id="planSowing",
    opt={"changes_nothing": True},
    tags=["Seeds"],
    responses=READ,
    status_code=200,
    scope="read",
    sync_to_thread=False,
)
def plan_sowing(data: JSONBody[SowingWish]) -> SowingView:
    """Say how many cells to sow for enough good plants, with a stated probability. Nothing is kept."""
    return view(SowingView, sowing.plan_sowing(data.given()))
