"""Packed lots, deliveries, and what left against what was ordered."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated

from litestar import Controller, Response, get, patch, post
from litestar.params import JSONBody, QueryParameter
from msgspec import UNSET, Meta, UnsetType

from service.api.bodies import Body, Page, View, page, view
from service.api.operations import (
    CHANGE,
    CREATE,
    ETAG,
    LOCATION,
    PAGE,
    READ,
    After,
    Asker,
    FirstDay,
    From,
    IfMatch,
    LastDay,
    Limit,
    Now,
    OfCrop,
    OfFarm,
    OfHouse,
    RowId,
    To,
    Uow,
    made,
    moment,
    one,
    seen_version,
)
from service.api.orders import OrderView
from service.work import deliveries, fulfilment, packing
from service.work.fulfilment import FarmFulfilment, OrderFulfilment
from service.work.packing import LotView

HouseId = Annotated[int, Meta(description="The house that packs.", examples=[1])]
Code = Annotated[
    str,
    Meta(
        description="Lot code: 1 to 20 characters of GS1's AI 10. Made if not given: house code, local day of"
        " packing, running number.",
        examples=["N1-260914-01"],
    ),
]
PackedAt = Annotated[datetime, Meta(description="When it was packed.", examples=["2026-09-14T05:40:00Z"])]
LotWeightKg = Annotated[
    float | None, Meta(description="Net weight of the whole lot, kg; null: not weighed.", examples=[22.5])
]
Gtin = Annotated[
    str | None,
    Meta(
        description="GTIN of the product, 8, 12, 13 or 14 digits; its check digit is verified.",
        examples=["9521234543213"],
    ),
]
Description = Annotated[
    str | None, Meta(description="The product as packed.", examples=["Butterhead with root, sleeve of 1"])
]
CooledAt = Annotated[
    datetime | None, Meta(description="When it was cooled before packing.", examples=["2026-09-14T05:10:00Z"])
]
CooledWhere = Annotated[str | None, Meta(description="Where it was cooled.", examples=["Cold room 1"])]
PackedWhere = Annotated[
    str | None, Meta(description="Where it was packed.", examples=["Packing table, north"])
]
Reference = Annotated[
    str | None, Meta(description="Type and number of the document.", examples=["packing slip 4711"])
]
Note = Annotated[str | None, Meta(description="Anything worth keeping.", examples=[None])]


class HarvestPart(Body):
    """Heads of one harvest that go into a lot."""

    entry_id: Annotated[int, Meta(description="The ledger entry of the harvest.", examples=[12])]
    heads: Annotated[int, Meta(description="Heads of it, no more than are left.", examples=[90])]


class HarvestPartView(View):
    """Heads of one harvest that went into a lot."""

    entry_id: int
    heads: int


class PackedLotNew(Body):
    """Heads to be packed under one lot code."""

    house_id: HouseId
    harvests: Annotated[list[HarvestPart], Meta(description="What it is made from; of one crop.")]
    code: Code | UnsetType = UNSET
    packed_at: PackedAt | UnsetType = UNSET
    weight_kg: LotWeightKg | UnsetType = UNSET
    gtin: Gtin | UnsetType = UNSET
    description: Description | UnsetType = UNSET
    cooled_at: CooledAt | UnsetType = UNSET
    cooled_where: CooledWhere | UnsetType = UNSET
    packed_where: PackedWhere | UnsetType = UNSET
    reference: Reference | UnsetType = UNSET
    note: Note | UnsetType = UNSET


class PackedLotChange(Body):
    """What is to be different about a packed lot."""

    harvests: (
        Annotated[
            list[HarvestPart],
            Meta(description="What it is made from, all of it; an empty list takes the lot apart."),
        ]
        | UnsetType
    ) = UNSET
    packed_at: PackedAt | UnsetType = UNSET
    weight_kg: LotWeightKg | UnsetType = UNSET
    gtin: Gtin | UnsetType = UNSET
    description: Description | UnsetType = UNSET
    cooled_at: CooledAt | UnsetType = UNSET
    cooled_where: CooledWhere | UnsetType = UNSET
    packed_where: PackedWhere | UnsetType = UNSET
    reference: Reference | UnsetType = UNSET
    note: Note | UnsetType = UNSET


class PackedLotView(View):
    """Heads packed together under one lot code: what a buyer can name when something is wrong."""

    id: int
    farm_id: int
    house_id: HouseId
    crop_id: int
    code: Code
    heads: int
    delivered_heads: Annotated[int, Meta(description="Heads of it that left.")]
    left_heads: Annotated[int, Meta(description="Heads of it that are still there.")]
    harvests: list[HarvestPartView]
    packed_at: PackedAt
    weight_kg: LotWeightKg
    gtin: Gtin
    description: Description
    cooled_at: CooledAt
    cooled_where: CooledWhere
    packed_where: PackedWhere
    reference: Reference
    note: Note
    recorded_at: datetime
    recorded_by: str
    version: int


class PackedLotPage(Page):
    """Packed lots, newest first."""

    items: list[PackedLotView]


class PackedLots(Controller):
    """Packed lots."""

    path = "/packed-lots"
    tags = ("Trace",)

    @get(operation_id="listPackedLots", responses=READ)
    async def list_packed_lots(
        self,
        uow: Uow,
        access: Asker,
        farm_id: OfFarm = None,
        house_id: OfHouse = None,
        crop_id: OfCrop = None,
        code: Annotated[str | None, QueryParameter(description="Only with this lot code.")] = None,
        from_: From = None,
        to: To = None,
        after: After = None,
        limit: Limit = PAGE,
    ) -> PackedLotPage:
        """List packed lots, newest first; `from` and `to` are moments of packing."""
        lots, following = await packing.list_packed_lots(
            uow,
            access,
            farm_id=farm_id,
            house_id=house_id,
            crop_id=crop_id,
            code=code,
            since=moment("from", from_),
            before=moment("to", to),
            after=after,
            limit=limit,
        )
        return PackedLotPage(items=[lot_view(lot) for lot in lots], next=following)

    @post(operation_id="createPackedLot", responses=CREATE, response_headers=[ETAG, LOCATION])
    async def create_packed_lot(
        self, uow: Uow, clock: Now, access: Asker, data: JSONBody[PackedLotNew]
    ) -> Response[PackedLotView]:
        """Pack heads of one or several harvests. Never more than were harvested and are not packed yet."""
        lot = await packing.create_packed_lot(uow, clock, access, data.given())
        headers = {"ETag": f'"{lot.lot.version}"', "Location": f"/v1/packed-lots/{lot.lot.id}"}
        return Response(lot_view(lot), status_code=201, headers=headers)

    @get("/{lot_id:int}", operation_id="getPackedLot", responses=READ, response_headers=[ETAG])
    async def get_packed_lot(self, uow: Uow, access: Asker, lot_id: RowId) -> Response[PackedLotView]:
        """Read a packed lot."""
        return _one(await packing.get_packed_lot(uow, access, lot_id))

    @patch("/{lot_id:int}", operation_id="changePackedLot", responses=CHANGE, response_headers=[ETAG])
    async def change_packed_lot(
        self,
        uow: Uow,
        clock: Now,
        access: Asker,
        lot_id: RowId,
        data: JSONBody[PackedLotChange],
        if_match: IfMatch = None,
    ) -> Response[PackedLotView]:
        """Change what is said of a packed lot. Its code stays: it is on the crates."""
        version = seen_version(if_match)
        return _one(await packing.change_packed_lot(uow, clock, access, lot_id, data.given(), version))


def lot_view(shown: LotView) -> PackedLotView:
    """Return a packed lot as shown."""
    lot = shown.lot
    return PackedLotView(
        id=lot.id,
        farm_id=lot.farm_id,
        house_id=lot.house_id,
        crop_id=lot.crop_id,
        code=lot.code,
        heads=lot.heads,
        delivered_heads=shown.delivered,
        left_heads=lot.heads - shown.delivered,
        harvests=[HarvestPartView(entry_id=h.entry_id, heads=h.heads) for h in shown.harvests],
        packed_at=lot.packed_at,
        weight_kg=lot.weight_kg,
        gtin=lot.gtin,
        description=lot.description,
        cooled_at=lot.cooled_at,
        cooled_where=lot.cooled_where,
        packed_where=lot.packed_where,
        reference=lot.reference,
        note=lot.note,
        recorded_at=lot.recorded_at,
        recorded_by=lot.recorded_by,
        version=lot.version,
    )


def _one(shown: LotView) -> Response[PackedLotView]:
    return Response(lot_view(shown), headers={"ETag": f'"{shown.lot.version}"'})


# --------------------------------------------------------------------------- deliveries

ForOn = Annotated[
    date,
    Meta(
        description="The order's day that it counts towards, or the day it left; today if not said.",
        examples=["2026-09-15"],
    ),
]
DeliveredHeads = Annotated[int, Meta(description="Heads, no more than are left of the lot.", examples=[120])]
DeliveredWeightKg = Annotated[
    float | None,
    Meta(description="Net weight, kg; null: its share of the lot's weight is taken.", examples=[None]),
]
Recipient = Annotated[
    str | None,
    Meta(description="Who got it; must be said without an order.", examples=["Kitchen of the school"]),
]


class DeliveryNew(Body):
    """Heads of a packed lot that left."""

    packed_lot_id: Annotated[int, Meta(description="The packed lot.", examples=[1])]
    heads: DeliveredHeads
    order_id: (
        Annotated[int | None, Meta(description="The order, of the same crop.", examples=[1])] | UnsetType
    ) = UNSET
    for_on: ForOn | UnsetType = UNSET
    weight_kg: DeliveredWeightKg | UnsetType = UNSET
    recipient: Recipient | UnsetType = UNSET
    reference: Reference | UnsetType = UNSET
    note: Note | UnsetType = UNSET


class DeliveryChange(Body):
    """What is to be different about a delivery; 0 heads: it did not happen."""

    for_on: ForOn | UnsetType = UNSET
    heads: DeliveredHeads | UnsetType = UNSET
    weight_kg: DeliveredWeightKg | UnsetType = UNSET
    recipient: Recipient | UnsetType = UNSET
    reference: Reference | UnsetType = UNSET
    note: Note | UnsetType = UNSET


class DeliveryView(View):
    """Heads of a packed lot that left for a buyer."""

    id: int
    farm_id: int
    packed_lot_id: int
    order_id: int | None
    for_on: ForOn
    heads: DeliveredHeads
    weight_kg: DeliveredWeightKg
    recipient: Recipient
    reference: Reference
    note: Note
    recorded_at: datetime
    recorded_by: str
    version: int


class DeliveryPage(Page):
    """Deliveries, newest first."""

    items: list[DeliveryView]


class Deliveries(Controller):
    """Deliveries."""

    path = "/deliveries"
    tags = ("Trace",)

    @get(operation_id="listDeliveries", responses=READ)
    async def list_deliveries(
        self,
        uow: Uow,
        access: Asker,
        farm_id: OfFarm = None,
        packed_lot_id: Annotated[
            int | None, QueryParameter(name="packedLotId", description="Only of this packed lot.")
        ] = None,
        order_id: Annotated[
            int | None, QueryParameter(name="orderId", description="Only for this order.")
        ] = None,
        first: FirstDay = None,
        last: LastDay = None,
        after: After = None,
        limit: Limit = PAGE,
    ) -> DeliveryPage:
        """List deliveries, newest first."""
        rows = await deliveries.list_deliveries(
            uow,
            access,
            farm_id=farm_id,
            packed_lot_id=packed_lot_id,
            order_id=order_id,
            first=first,
            last=last,
            after=after,
            limit=limit,
        )
        return page(DeliveryPage, rows)

    @post(operation_id="createDelivery", responses=CREATE, response_headers=[ETAG, LOCATION])
    async def create_delivery(
        self, uow: Uow, clock: Now, access: Asker, data: JSONBody[DeliveryNew]
    ) -> Response[DeliveryView]:
        """Write down that heads of a packed lot left, for an order's day or for someone without an order."""
        return made(
            DeliveryView, await deliveries.create_delivery(uow, clock, access, data.given()), "/v1/deliveries"
        )

    @get("/{delivery_id:int}", operation_id="getDelivery", responses=READ, response_headers=[ETAG])
    async def get_delivery(self, uow: Uow, access: Asker, delivery_id: RowId) -> Response[DeliveryView]:
        """Read a delivery."""
        return one(DeliveryView, await deliveries.get_delivery(uow, access, delivery_id))

    @patch("/{delivery_id:int}", operation_id="changeDelivery", responses=CHANGE, response_headers=[ETAG])
    async def change_delivery(
        self,
        uow: Uow,
        access: Asker,
        delivery_id: RowId,
        data: JSONBody[DeliveryChange],
        if_match: IfMatch = None,
    ) -> Response[DeliveryView]:
        """Change a delivery; 0 heads: it did not happen."""
        row = await deliveries.change_delivery(uow, access, delivery_id, data.given(), seen_version(if_match))
        return one(DeliveryView, row)


# --------------------------------------------------------------------------- against the orders


class DayFulfilmentView(View):
    """One day of an order. Amounts are heads, or kg if the order is by weight."""

    on: Annotated[date, Meta(description="Local day.", examples=["2026-09-15"])]
    due: Annotated[bool, Meta(description="Whether the day has come; only such days are judged.")]
    wanted: float
    delivered: Annotated[float | None, Meta(description="Null: its weight is not known.")]
    delivered_heads: int
    delivered_kg: float | None
    fill_rate: Annotated[float | None, Meta(description="Of what was wanted, 0 to 1.", examples=[0.96])]
    shortfall: float | None
    surplus: float | None
    value: Annotated[float | None, Meta(description="Price of what left, in the order's currency.")]


class OrderFulfilmentView(View):
    """What left against what an order wanted; sums are over the days that have come."""

    order: OrderView
    wanted: float
    delivered: float | None
    fill_rate: Annotated[
        float | None, Meta(description="Of what was wanted; a surplus of one day makes up for no other.")
    ]
    days_due: int
    days_filled: Annotated[int, Meta(description="Days on which all that was wanted left.")]
    shortfall: float | None
    surplus: float | None
    value: float | None
    days: list[DayFulfilmentView]


class CropFulfilmentView(View):
    """What became of the heads of a crop."""

    crop_id: int
    packed: Annotated[int, Meta(description="Heads packed in the span.")]
    undelivered: Annotated[int, Meta(description="Of those packed in the span, heads that have not left.")]
    delivered_for_orders: Annotated[int, Meta(description="Heads that left for orders' days of the span.")]
    delivered_otherwise: Annotated[int, Meta(description="Heads that left without an order.")]


class FulfilmentView(View):
    """A farm's orders over a span of days."""

    first: Annotated[date, Meta(description="First day, local.")]
    last: Annotated[date, Meta(description="Last day, local.")]
    orders: Annotated[list[OrderFulfilmentView], Meta(description="Those with a day in the span.")]
    crops: list[CropFulfilmentView]


@get("/orders/{order_id:int}/fulfilment", operation_id="getOrderFulfilment", tags=["Work"], responses=READ)
async def get_order_fulfilment(
    uow: Uow, clock: Now, access: Asker, order_id: RowId, first: FirstDay = None, last: LastDay = None
) -> OrderFulfilmentView:
    """Read what left against what an order wanted, by day: fill rate, surplus, price. Four weeks if not said."""
    return _fulfilled(await fulfilment.order_fulfilment(uow, clock, access, order_id, first, last))


@get("/farms/{farm_id:int}/fulfilment", operation_id="getFulfilment", tags=["Work"], responses=READ)
async def get_fulfilment(
    uow: Uow, clock: Now, access: Asker, farm_id: RowId, first: FirstDay = None, last: LastDay = None
) -> FulfilmentView:
    """Read what left against what all orders of a farm wanted, and what became of what was packed."""
    farm = await fulfilment.farm_fulfilment(uow, clock, access, farm_id, first, last)
    return _farm(farm)


def _farm(farm: FarmFulfilment) -> FulfilmentView:
    return FulfilmentView(
        first=farm.first,
        last=farm.last,
        orders=[_fulfilled(order) for order in farm.orders],
        crops=[view(CropFulfilmentView, crop) for crop in farm.crops],
    )


def _fulfilled(shown: OrderFulfilment) -> OrderFulfilmentView:
    return view(OrderFulfilmentView, shown)
