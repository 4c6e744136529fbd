"""Orders."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from litestar import Controller, Response, get, patch, post
from litestar.params import JSONBody, QueryParameter
from msgspec import UNSET, Meta, UnsetType

from service.api.bodies import Body, Page, View, page
from service.api.operations import (
    CHANGE,
    CREATE,
    ETAG,
    LOCATION,
    PAGE,
    READ,
    After,
    Asker,
    IfMatch,
    Limit,
    OfCrop,
    OfFarm,
    RowId,
    Uow,
    made,
    one,
    seen_version,
)
from service.work import orders

PriceUnitWord = Literal["head", "kg"]

FarmId = Annotated[int, Meta(description="The farm that delivers.", examples=[1])]
CropId = Annotated[int, Meta(description="The crop, of the same farm.", examples=[1])]
Buyer = Annotated[str, Meta(description="Who ordered.", examples=["Market hall"])]
Heads = Annotated[
    int | None, Meta(description="Heads wanted on each day; either this or `weightKg`.", examples=[150])
]
WeightKg = Annotated[
    float | None, Meta(description="Weight wanted on each day, kg; either this or `heads`.", examples=[None])
]
Weekdays = Annotated[
    list[int] | None,
    Meta(
        description="Weekdays on which it is wanted, 1 Monday to 7 Sunday; either this or `dates`.",
        examples=[[2, 5]],
    ),
]
StartsOn = Annotated[
    date | None, Meta(description="First day of the weekdays; goes with them.", examples=["2026-09-01"])
]
EndsOn = Annotated[
    date | None,
    Meta(description="Last day of the weekdays; null: until called off.", examples=["2026-12-18"]),
]
Dates = Annotated[
    list[date] | None,
    Meta(description="Days on which it is wanted; either this or `weekdays`.", examples=[None]),
]
Price = Annotated[
    float | None, Meta(description="Price of one `priceUnit`; null: not said.", examples=[0.85])
]
PriceCurrency = Annotated[
    str | None, Meta(description="Currency (ISO 4217); goes with the price.", examples=["EUR"])
]
PriceUnit = Annotated[PriceUnitWord | None, Meta(description="What the price is of; goes with the price.")]
Note = Annotated[str | None, Meta(description="Anything worth keeping.", examples=["in crates of 12"])]
Active = Annotated[bool, Meta(description="False: called off. True if not said.")]


class OrderAdded(Body):
    """An order that is not there: taken, or tried out in a plan."""

    crop_id: CropId
    buyer: Buyer
    heads: Heads | UnsetType = UNSET
    weight_kg: WeightKg | UnsetType = UNSET
    weekdays: Weekdays | UnsetType = UNSET
    starts_on: StartsOn | UnsetType = UNSET
    ends_on: EndsOn | UnsetType = UNSET
    dates: Dates | UnsetType = UNSET
    price: Price | UnsetType = UNSET
    price_currency: PriceCurrency | UnsetType = UNSET
    price_unit: PriceUnit | UnsetType = UNSET


class OrderNew(OrderAdded, kw_only=True):
    """An order to be taken."""

    farm_id: FarmId
    note: Note | UnsetType = UNSET
    active: Active | UnsetType = UNSET


class OrderChange(Body):
    """What is to be different about an order."""

    buyer: Buyer | UnsetType = UNSET
    heads: Heads | UnsetType = UNSET
    weight_kg: WeightKg | UnsetType = UNSET
    weekdays: Weekdays | UnsetType = UNSET
    starts_on: StartsOn | UnsetType = UNSET
    ends_on: EndsOn | UnsetType = UNSET
    dates: Dates | UnsetType = UNSET
    price: Price | UnsetType = UNSET
    price_currency: PriceCurrency | UnsetType = UNSET
    price_unit: PriceUnit | UnsetType = UNSET
    note: Note | UnsetType = UNSET
    active: Active | UnsetType = UNSET


class OrderView(View):
    """What a buyer wants of a crop: so many heads, or so much weight, on weekdays or on dates."""

    id: int
    farm_id: FarmId
    crop_id: CropId
    buyer: Buyer
    heads: Heads
    weight_kg: WeightKg
    weekdays: Weekdays
    starts_on: StartsOn
    ends_on: EndsOn
    dates: Dates
    price: Price
    price_currency: PriceCurrency
    price_unit: PriceUnit
    note: Note
    active: Active
    version: int


class OrderPage(Page):
    """Orders."""

    items: list[OrderView]


class Orders(Controller):
    """Orders."""

    path = "/orders"
    tags = ("Work",)

    @get(operation_id="listOrders", responses=READ)
    async def list_orders(
        self,
        uow: Uow,
        access: Asker,
        farm_id: OfFarm = None,
        crop_id: OfCrop = None,
        active: Annotated[
            bool | None, QueryParameter(description="Only those that hold, or those called off.")
        ] = None,
        after: After = None,
        limit: Limit = PAGE,
    ) -> OrderPage:
        """List orders."""
        rows = await orders.list_orders(
            uow, access, farm_id=farm_id, crop_id=crop_id, active=active, after=after, limit=limit
        )
        return page(OrderPage, rows)

    @post(operation_id="createOrder", responses=CREATE, response_headers=[ETAG, LOCATION])
    async def create_order(self, uow: Uow, access: Asker, data: JSONBody[OrderNew]) -> Response[OrderView]:
        """Take an order."""
        return made(OrderView, await orders.create_order(uow, access, data.given()), "/v1/orders")

    @get("/{order_id:int}", operation_id="getOrder", responses=READ, response_headers=[ETAG])
    async def get_order(self, uow: Uow, access: Asker, order_id: RowId) -> Response[OrderView]:
        """Read an order."""
        return one(OrderView, await orders.get_order(uow, access, order_id))

    @patch("/{order_id:int}", operation_id="changeOrder", responses=CHANGE, response_headers=[ETAG])
    async def change_order(
        self, uow: Uow, access: Asker, order_id: RowId, data: JSONBody[OrderChange], if_match: IfMatch = None
    ) -> Response[OrderView]:
        """Change an order, or call it off. For another crop, take another order."""
        row = await orders.change_order(uow, access, order_id, data.given(), seen_version(if_match))
        return one(OrderView, row)
