"""Deliveries: heads of packed lots that left, for an order's day or for someone without one.

A delivery that did not happen is one of no heads: it stays, with its changes counted.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import packing as records
from service.records.listing import find, known
from service.records.store import UnitOfWork
from service.records.tables import Delivery, House, Order, PackedLot
from service.work import fields, saving
from service.work.access import Access, require
from service.work.errors import FieldProblem, NotFound, impossible
from service.work.fields import Field, Merged, checked_changes, checked_new
from service.work.listing import DEFAULT_LIMIT, check_page
from service.work.orders import is_a_day_of, next_days
from service.work.times import local_day

_FIXED = "it cannot be changed; set heads to 0 and write down another delivery"
_DELIVERY = {
    "packed_lot_id": Field(fields.reference, required=True, fixed=True, why_fixed=_FIXED),
    "order_id": Field(fields.reference, nullable=True, fixed=True, why_fixed=_FIXED),
    "for_on": Field(fields.day),
    "heads": Field(fields.whole(0), required=True),
    "weight_kg": Field(fields.number(0, 100_000, "kg"), nullable=True),
    "recipient": Field(fields.text(), nullable=True),
    "reference": Field(fields.text(), nullable=True),
    "note": Field(fields.text(2000), nullable=True),
}
_TAKEN = FieldProblem("", "there is such a delivery already")


async def create_delivery(
    uow: UnitOfWork, clock: Clock, access: Access, values: Mapping[str, Any]
) -> Delivery:
    """Write down that heads of a packed lot left; ``for_on`` is today (local) if it is not said.

    Raises
    ------
    Impossible
        If the lot has fewer heads left, is of another crop or farm than the order, or the day is none of the
        order's; without an order, if it is not said who got it.
    """
    cleaned = checked_new(_DELIVERY, values)
    lot = await records.lock_lot(uow, cleaned["packed_lot_id"])
    if lot is None or access.farm_id not in {None, lot.farm_id}:
        raise impossible("packed_lot_id", f"there is no packed lot {cleaned['packed_lot_id']}")
    order = await _order(uow, lot, cleaned.get("order_id"))
    if cleaned["heads"] == 0:
        raise impossible("heads", "it must be at least 1")
    house = await known(uow, House, lot.house_id)
    cleaned.setdefault("for_on", local_day(clock.now(), ZoneInfo(house.time_zone)))
    delivery = Delivery(**cleaned, farm_id=lot.farm_id, recorded_at=clock.now(), recorded_by=access.name)
    await _check(uow, delivery, lot, order, house, already=0)
    await saving.insert(uow, delivery, _TAKEN)
    return delivery


async def get_delivery(uow: UnitOfWork, access: Access, delivery_id: int) -> Delivery:
    """Return a delivery."""
    delivery = await find(uow, Delivery, delivery_id)
    if delivery is None:
        raise NotFound(f"there is no delivery {delivery_id}")
    require(access, delivery.farm_id)
    return delivery


async def list_deliveries(
    uow: UnitOfWork,
    access: Access,
    *,
    farm_id: int | None = None,
    packed_lot_id: int | None = None,
    order_id: int | None = None,
    first: date | None = None,
    last: date | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[Delivery], int | None]:
    """Return a page of deliveries, newest first, and the id to go on after."""
    check_page(after, limit, farm_id=farm_id, packed_lot_id=packed_lot_id, order_id=order_id)
    return await records.page_deliveries(
        uow,
        within_farm=access.farm_id,
        farm_id=farm_id,
        lot_id=packed_lot_id,
        order_id=order_id,
        first=first,
        last=last,
        after=after,
        limit=limit,
    )


async def change_delivery(
    uow: UnitOfWork,
    access: Access,
    delivery_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> Delivery:
    """Change what is said of a delivery; 0 heads: it did not happen."""
    delivery = await get_delivery(uow, access, delivery_id)
    lot = await records.lock_lot(uow, delivery.packed_lot_id)
    if lot is None:
        raise NotFound(f"there is no packed lot {delivery.packed_lot_id}")
    await uow.session.refresh(delivery)  # another may have changed it before the lot was ours
    cleaned = checked_changes(_DELIVERY, delivery, changes)
    saving.check_version(delivery, expected_version)
    order = await _order(uow, lot, delivery.order_id)
    house = await known(uow, House, lot.house_id)
    after = Merged(delivery, cleaned)
    same_day = after.for_on == delivery.for_on
    await _check(uow, after, lot, None if same_day else order, house, already=delivery.heads)
    await saving.update(uow, delivery, cleaned, expected_version, _TAKEN)
    return delivery


async def _order(uow: UnitOfWork, lot: PackedLot, order_id: int | None) -> Order | None:
    if order_id is None:
        return None
    order = await find(uow, Order, order_id)
    if order is None or order.farm_id != lot.farm_id:
        raise impossible("order_id", f"there is no order {order_id} of this farm")
    if order.crop_id != lot.crop_id:
        raise impossible("order_id", f"order {order_id} is of another crop than packed lot {lot.code}")
    return order


async def _check(
    uow: UnitOfWork,
    delivery: Delivery | Merged,
    lot: PackedLot,
    order: Order | None,
    house: House,
    *,
    already: int,
) -> None:
    """Refuse more heads than are left, a day that the order is not for, and heads that went to nobody."""
    if delivery.order_id is None and delivery.recipient is None:
        raise impossible("recipient", "it is missing: without an order it must be said who got the heads")
    gone = (await records.delivered_from(uow, [lot.id])).get(lot.id, 0) - already
    if delivery.heads > lot.heads - gone:
        raise impossible(
            "heads",
            f"{delivery.heads} heads are to leave, and of {lot.heads} in packed lot {lot.code}"
            f" {lot.heads - gone} are left",
        )
    packed_on = local_day(lot.packed_at, ZoneInfo(house.time_zone))
    if order is None:
        return
    if not is_a_day_of(order, delivery.for_on):
        days = ", ".join(str(day) for day in next_days(order, packed_on)) or "no later day"
        raise impossible(
            "for_on", f"order {order.id} is not for {delivery.for_on}; from packing on it is for {days}"
        )
