"""Limits of a zone's solution and flow."""

from __future__ import annotations

from typing import Annotated, Literal

from litestar import delete, get, put
from litestar.params import FromPath, JSONBody
from msgspec import Meta

from service.api.bodies import Body, View, view
from service.api.operations import CHANGE, READ, Asker, RowId, Uow
from service.work import watch_limits

QuantityWord = Literal["temp_solution_c", "ph", "ec_ms_cm", "oxygen_mg_l", "flow_l_min", "pressure_kpa"]

Low = Annotated[float | None, Meta(description="Below it there is an alert; null: no limit.", examples=[5.5])]
High = Annotated[
    float | None, Meta(description="Above it there is an alert; null: no limit.", examples=[6.5])
]
UrgentLow = Annotated[float | None, Meta(description="Below it the alert is urgent.", examples=[5.0])]
UrgentHigh = Annotated[float | None, Meta(description="Above it the alert is urgent.", examples=[7.2])]
After = Annotated[
    float,
    Meta(
        description="Minutes that it must last; with a pump on a timer more than its longest pause. At most 170.",
        examples=[15.0],
    ),
]


class LimitsNew(Body):
    """Limits to be set, in the unit in which the quantity is kept."""

    low: Low = None
    high: High = None
    urgent_low: UrgentLow = None
    urgent_high: UrgentHigh = None
    after_minutes: After = 15.0


class LimitsView(View):
    """Limits of a quantity in a zone. They help to notice; they are no safety system."""

    quantity: QuantityWord
    unit: Annotated[str, Meta(examples=["pH"])]
    low: Low
    high: High
    urgent_low: UrgentLow
    urgent_high: UrgentHigh
    after_minutes: After
    is_set: Annotated[
        bool,
        Meta(
            description="False: common practice. Of flow and pressure that is a fifth of the most of the last day, and"
            " shown as null."
        ),
    ]


class LimitsList(View):
    """Limits of a zone."""

    items: list[LimitsView]


@get("/zones/{zone_id:int}/limits", operation_id="listLimits", tags=["Conditions"], responses=READ)
async def list_limits(uow: Uow, access: Asker, zone_id: RowId) -> LimitsList:
    """List the limits that hold in a zone."""
    rows = await watch_limits.list_limits(uow, access, zone_id)
    return LimitsList(items=[view(LimitsView, row) for row in rows])


@put(
    "/zones/{zone_id:int}/limits/{quantity:str}",
    operation_id="setLimits",
    tags=["Conditions"],
    responses=CHANGE,
)
async def set_limits(
    uow: Uow, access: Asker, zone_id: RowId, quantity: FromPath[str], data: JSONBody[LimitsNew]
) -> LimitsView:
    """Set the limits of a quantity in a zone, in place of those that held."""
    return view(LimitsView, await watch_limits.set_limits(uow, access, zone_id, quantity, data.given()))


@delete(
    "/zones/{zone_id:int}/limits/{quantity:str}",
    operation_id="forgetLimits",
    tags=["Conditions"],
    responses=CHANGE,
    status_code=200,
)
async def forget_limits(uow: Uow, access: Asker, zone_id: RowId, quantity: FromPath[str]) -> LimitsView:
    """Go back to the limits of common practice."""
    return view(LimitsView, await watch_limits.forget_limits(uow, access, zone_id, quantity))
