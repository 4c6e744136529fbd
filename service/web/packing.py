"""Packing: harvests into lots, lots to buyers; a packed lot's own page, which the code on its label opens."""

from __future__ import annotations

from datetime import date
from typing import Any

from litestar import Response, get, post
from litestar.params import FromPath

from service.records.tables import Order, PackedLot
from service.web.forms import Form, Forms
from service.web.frame import Web, access_of, clock_of, frame_of, house_of, reading, see_other, writing
from service.web.texts import Formats, catalogue
from service.work.crops import list_crops
from service.work.deliveries import change_delivery, create_delivery, get_delivery, list_deliveries
from service.work.errors import FieldProblem, Impossible, NotFound, WorkError
from service.work.listing import MAX_LIMIT
from service.work.orders import list_orders, next_days
from service.work.packing import (
    change_packed_lot,
    create_packed_lot,
    get_packed_lot,
    list_packed_lots,
    open_harvests,
)
from service.work.trace import trace

_SHOWN = 50


@get("/houses/{house_id:int}/packing")
async def show_packing(request: Web, house_id: FromPath[int]) -> Response[str]:
    """Show what was cut and is not packed, and the lots that were packed."""
    return await _packing(request, house_id, Forms())


async def _packing(request: Web, house_id: int, forms: Forms, status: int = 200) -> Response[str]:
    async with reading(request) as uow:
        frame = await frame_of(uow, request, house_id)
        harvests = await open_harvests(uow, clock_of(request), frame.access, house_id)
        lots, _ = await list_packed_lots(uow, frame.access, house_id=house_id, limit=_SHOWN)
        crops, _ = await list_crops(uow, frame.access, farm_id=house_of(frame).farm_id, limit=MAX_LIMIT)
    by_crop: dict[int, list[Any]] = {}
    for harvest in harvests:
        by_crop.setdefault(harvest.crop_id, []).append(harvest)
    return frame.page(
        "packing.html",
        status,
        by_crop=list(by_crop.items()),
        lots=lots,
        crops={crop.id: crop.name for crop in crops},
        forms_sent=forms,
    )


@post("/houses/{house_id:int}/packed-lots")
async def pack_lot(request: Web, house_id: FromPath[int]) -> Response[Any]:
    """Pack heads of the harvests that say how many."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    try:
        async with writing(request) as uow:
            formats = (await frame_of(uow, request, house_id)).formats
            view = await create_packed_lot(
                uow, clock_of(request), access_of(request), _lot_values(form, formats, house_id)
            )
    except NotFound:
        raise
    except WorkError as refused:
        name = f"pack-{form.value('crop')}"
        return await _packing(request, house_id, Forms(name, form.refused(refused)), 422)
    return see_other(f"/packed-lots/{view.lot.id}", "lot_packed")


def _lot_values(form: Form, formats: Formats, house_id: int) -> dict[str, Any]:
    harvests = _harvests(form, formats)
    values = form.checked(
        house_id=house_id,
        code=form.text("code"),
        packed_at=form.moment("packed_at", formats),
        weight_kg=form.number("weight_kg"),
        gtin=form.text("gtin"),
        description=form.text("description"),
        cooled_at=form.moment("cooled_at", formats),
        cooled_where=form.text("cooled_where"),
        packed_where=form.text("packed_where"),
        reference=form.text("reference"),
        note=form.text("note"),
    )
    return {**values, "harvests": harvests}


def _harvests(form: Form, formats: Formats) -> list[dict[str, int]]:
    """Return the harvests of which a form says how many heads are packed."""
    taken = {
        name.removeprefix("heads-"): form.whole(name) for name in form.typed if name.startswith("heads-")
    }
    if not all(name.isascii() and name.isdecimal() and len(name) < 19 for name in taken):
        raise Impossible(formats.texts.text("form.unreadable"), FieldProblem("harvests", ""))
    return [{"entry_id": int(name), "heads": heads} for name, heads in taken.items() if heads]


# --------------------------------------------------------------------------- one lot


@get("/packed-lots/{lot_id:int}")
async def show_packed_lot(request: Web, lot_id: FromPath[int]) -> Response[str]:
    """Show a packed lot: what it was made from and where it went."""
    return await _lot_page(request, lot_id, Forms())


async def _lot_page(request: Web, lot_id: int, forms: Forms, status: int = 200) -> Response[str]:
    async with reading(request) as uow:
        view = await get_packed_lot(uow, access_of(request), lot_id)
        frame = await frame_of(uow, request, view.lot.house_id)
        way = await trace(uow, frame.access, f"packedLot:{lot_id}")
        deliveries, _ = await list_deliveries(uow, frame.access, packed_lot_id=lot_id, limit=MAX_LIMIT)
        orders, _ = await list_orders(
            uow, frame.access, farm_id=view.lot.farm_id, crop_id=view.lot.crop_id, limit=MAX_LIMIT
        )
        crops, _ = await list_crops(uow, frame.access, farm_id=view.lot.farm_id, limit=MAX_LIMIT)
    today = frame.formats.local(frame.now).date()
    batches = {batch.id: batch for batch in way.batches}
    made_of = [
        (h, batches[h.batch_id], link.heads)
        for link in (way.packed_lots[0].harvests if way.packed_lots else ())
        for h in way.harvests
        if h.entry_id == link.entry_id
    ]
    return frame.page(
        "packed_lot.html",
        status,
        lot=view.lot,
        left=view.lot.heads - view.delivered,
        crop=next((crop.name for crop in crops if crop.id == view.lot.crop_id), ""),
        harvests=made_of,
        seed_lots=way.seed_lots,
        deliveries=deliveries,
        orders={order.id: order for order in orders},
        wanted=_wanted(orders, view.lot, frame.formats, today),
        parts_shown={f"heads-{h.entry_id}": heads for h, _, heads in made_of},
        today=today,
        forms_sent=forms,
    )


def _wanted(orders: list[Order], lot: PackedLot, formats: Formats, today: date) -> list[tuple[str, str]]:
    """Return the days of orders that the lot could go to: value of a choice, and how it is shown."""
    since = min(today, formats.local(lot.packed_at).date())
    found = [
        (day, order.id, order.buyer) for order in orders if order.active for day in next_days(order, since, 4)
    ]
    return [
        (f"{order_id} {day}", formats.texts.text("packing.for_order", buyer=buyer, day=formats.day(day)))
        for day, order_id, buyer in sorted(found)
    ]


@post("/packed-lots/{lot_id:int}/deliveries")
async def add_delivery(request: Web, lot_id: FromPath[int]) -> Response[Any]:
    """Write down that heads of a lot left."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    order, _, day = form.value("order").partition(" ")
    if order:
        form.typed |= {"order_id": [order], "for_on": [day]}
    try:
        async with writing(request) as uow:
            values = form.checked(
                packed_lot_id=lot_id,
                order_id=form.whole("order_id"),
                for_on=form.day("for_on"),
                heads=form.whole("heads"),
                weight_kg=form.number("weight_kg"),
                recipient=form.text("recipient"),
                reference=form.text("reference"),
            )
            await get_packed_lot(uow, access_of(request), lot_id)
            await create_delivery(uow, clock_of(request), access_of(request), values)
    except NotFound:
        raise
    except WorkError as refused:
        names = {"order_id": "order", "for_on": "order"} if order else {}
        return await _lot_page(request, lot_id, Forms("deliver", form.refused(refused, names)), 422)
    return see_other(f"/packed-lots/{lot_id}", "delivery_added")


@post("/packed-lots/{lot_id:int}/correct")
async def correct_lot(request: Web, lot_id: FromPath[int]) -> Response[Any]:
    """Say anew how many heads of each harvest are in a lot, and what it weighs."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    try:
        async with writing(request) as uow:
            house_id = (await get_packed_lot(uow, access_of(request), lot_id)).lot.house_id
            harvests = _harvests(form, (await frame_of(uow, request, house_id)).formats)
            said = form.checked(weight_kg=form.number("weight_kg"), gtin=form.text("gtin"))
            changes = {"weight_kg": None, "gtin": None, **said, "harvests": harvests}
            await change_packed_lot(
                uow, clock_of(request), access_of(request), lot_id, changes, form.whole("version")
            )
    except NotFound:
        raise
    except WorkError as refused:
        return await _lot_page(request, lot_id, Forms("correct", form.refused(refused)), 422)
    return see_other(f"/packed-lots/{lot_id}", "corrected")


@post("/packed-lots/{lot_id:int}/deliveries/{delivery_id:int}/correct")
async def correct_delivery(request: Web, lot_id: FromPath[int], delivery_id: FromPath[int]) -> Response[Any]:
    """Say anew how many heads left; none: it did not happen."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    try:
        async with writing(request) as uow:
            delivery = await get_delivery(uow, access_of(request), delivery_id)
            if delivery.packed_lot_id != lot_id:
                raise NotFound(f"there is no delivery {delivery_id} of packed lot {lot_id}")
            values = form.checked(heads=form.whole("heads"))
            await change_delivery(uow, access_of(request), delivery_id, values, form.whole("version"))
    except NotFound:
        raise
    except WorkError as refused:
        forms = Forms(f"delivery-{delivery_id}", form.refused(refused))
        return await _lot_page(request, lot_id, forms, 422)
    return see_other(f"/packed-lots/{lot_id}", "corrected")
