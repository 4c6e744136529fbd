"""How long seed lasts, and what to order when."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from litestar import post
from litestar.params import JSONBody
from msgspec import UNSET, Meta, UnsetType

from service.api.bodies import Body, View, view
from service.api.operations import CHANGE, READ, Asker, Now, RowId, Uow
from service.api.seed_lots import FormWord
from service.api.tasks import TaskView
from service.work import seed_orders

LeadDays = Annotated[
    int, Meta(description="Days from order to arrival. 7 if not said (assumed).", examples=[10])
]
PackSizes = Annotated[
    list[int],
    Meta(description="Seeds in the packs there are. Any number if not said.", examples=[[1000, 5000]]),
]


class SupplyTerms(Body):
    """How seed of one cultivar is bought and sown."""

    cultivar_id: Annotated[int, Meta(description="The cultivar, of the same farm.", examples=[1])]
    supplier: (
        Annotated[
            str | None,
            Meta(description="Who sells it; that of the newest lot if not said.", examples=["Seed house"]),
        ]
        | UnsetType
    ) = UNSET
    form: (
        Annotated[FormWord, Meta(description="Form that is ordered; that of the newest lot if not said.")]
        | UnsetType
    ) = UNSET
    seeds_per_cell: (
        Annotated[
            float,
            Meta(description="Seeds a cell; what was sown of late if not said, else 1.", examples=[1.0]),
        ]
        | UnsetType
    ) = UNSET
    lead_days: LeadDays | UnsetType = UNSET
    pack_sizes: PackSizes | UnsetType = UNSET


class SeedOrderWish(Body):
    """How seed is bought; all of it can be left out."""

    weeks: (
        Annotated[int, Meta(description="How far ahead orders are listed, 1 to 52 weeks. 26 if not said.")]
        | UnsetType
    ) = UNSET
    ahead_days: (
        Annotated[
            int,
            Meta(description="Days that seed arrives before it is needed, 0 to 60. 14 if not said."),
        ]
        | UnsetType
    ) = UNSET
    cover_days: (
        Annotated[
            int,
            Meta(
                description="Days from its arrival that an order covers at most, 61 to 183. 183 if not said; primed"
                " seed keeps 92."
            ),
        ]
        | UnsetType
    ) = UNSET
    lead_days: LeadDays | UnsetType = UNSET
    pack_sizes: PackSizes | UnsetType = UNSET
    supplies: Annotated[list[SupplyTerms], Meta(description="What differs by cultivar.")] | UnsetType = UNSET


class SeedNeedView(View):
    """Seed sown on a day."""

    on: date
    seeds: int


class SeedOrderView(View):
    """Seed to be ordered."""

    order_on: date
    arrive_on: date
    needed_on: Annotated[date, Meta(description="First seeding that needs it.")]
    seeds: int
    packs: Annotated[
        list[tuple[int, int]], Meta(description="Seeds in a pack, and how many packs; largest first.")
    ]
    covers_to: Annotated[date, Meta(description="Last seeding that it covers, with what is here.")]
    left_over: Annotated[
        int,
        Meta(description="Of it, too old before it is sown: the smallest packs hold more than is needed."),
    ]
    days_late: Annotated[
        int, Meta(description="By so many days it arrives less than the wished time ahead, ordered today.")
    ]


class SupplyView(View):
    """Stock and orders of one cultivar."""

    cultivar_id: int
    cultivar: str
    supplier: str | None
    in_stock: Annotated[int, Meta(description="Seeds of lots that are fit.")]
    expected: Annotated[int, Meta(description="Seeds of lots on their way.")]
    unfit: Annotated[int, Meta(description="Seeds of lots not to be sown.")]
    needed: Annotated[int, Meta(description="Seeds to be sown in the time listed.")]
    seeds_per_cell: float
    days_left: Annotated[
        int | None, Meta(description="Days that the seed lasts; null: beyond what is known.")
    ]
    runs_out_on: Annotated[date | None, Meta(description="First seeding that it does not cover.")]
    too_old: Annotated[int, Meta(description="Seeds that turn too old before they are sown.")]
    missing: Annotated[
        list[SeedNeedView],
        Meta(description="Seedings for which no order comes in time, and seeds they lack."),
    ]
    orders: list[SeedOrderView]
    sentence: str


class OrderListView(View):
    """What to order when."""

    farm_id: int
    made_on: date
    ends_on: date
    supplies: list[SupplyView]
    notes: Annotated[list[str], Meta(description="What cannot be told.")]


class OrderTasksView(View):
    """What following an order list did to the list of tasks."""

    created: int
    changed: int
    unchanged: int
    withdrawn: Annotated[int, Meta(description="Open tasks of an earlier list that are no longer in it.")]
    tasks: list[TaskView]


@post(
    "/farms/{farm_id:int}/seed-orders",
    operation_id="listSeedOrders",
    opt={"changes_nothing": True},
    tags=["Seeds"],
    responses=READ,
    status_code=200,
    scope="read",
)
async def list_seed_orders(
    uow: Uow, clock: Now, access: Asker, farm_id: RowId, data: JSONBody[SeedOrderWish]
) -> OrderListView:
    """Say how long the seed of a farm lasts and what to order when, from its plan. Nothing is kept."""
    return view(OrderListView, await seed_orders.seed_orders(uow, clock, access, farm_id, data.given()))


@post(
    "/farms/{farm_id:int}/seed-orders/accept",
    operation_id="acceptSeedOrders",
    tags=["Seeds"],
    responses=CHANGE,
    status_code=200,
)
async def accept_seed_orders(
    uow: Uow, clock: Now, access: Asker, farm_id: RowId, data: JSONBody[SeedOrderWish]
) -> OrderTasksView:
    """Put what is to be ordered on the list of tasks. Doing it again changes nothing."""
    return view(OrderTasksView, await seed_orders.propose_orders(uow, clock, access, farm_id, data.given()))
