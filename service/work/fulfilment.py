"""What left against what was ordered: fill rate, surplus and price by order and day.

The fill rate of a day is the smaller of what was wanted and what left, over what was wanted; of several days the
sums are taken, so that a surplus of one day does not make up for another. Only days up to today are judged.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import packing as records
from service.records.orders import orders_of
from service.records.packing import Delivered
from service.records.store import UnitOfWork
from service.records.tables import Order
from service.work.access import Access
from service.work.errors import impossible
from service.work.orders import get_order, occurrences
from service.work.places import get_farm
from service.work.times import day_begin, local_day

LONGEST_DAYS = 800
_USUAL_DAYS = 28


@dataclass(frozen=True, kw_only=True)
class DayFulfilment:
    """One day of an order. Amounts are heads, or kg if the order is by weight."""

    on: date
    due: bool
    """Whether the day has come; only such days are judged."""
    wanted: float
    delivered: float | None
    """None: an order by weight, and the weight of what left is not known."""
    delivered_heads: int
    delivered_kg: float | None
    fill_rate: float | None
    """0 to 1; none: nothing was wanted, or the weight is not known."""
    shortfall: float | None
    surplus: float | None
    value: float | None
    """Price of what left, in the order's currency; none: no price, or its weight is not known."""


@dataclass(frozen=True, kw_only=True)
class OrderFulfilment:
    """An order's days, and their sum over those that have come."""

    order: Order
    days: Sequence[DayFulfilment]
    wanted: float
    delivered: float | None
    fill_rate: float | None
    days_due: int
    days_filled: int
    """On which all that was wanted left."""
    shortfall: float | None
    surplus: float | None
    value: float | None


@dataclass(frozen=True, kw_only=True)
class CropFulfilment:
    """What became of the heads of a crop, heads."""

    crop_id: int
    packed: int
    undelivered: int
    """Of those packed."""
    delivered_for_orders: int
    delivered_otherwise: int


@dataclass(frozen=True, kw_only=True)
class FarmFulfilment:
    """A farm's orders over a span of local days, both included."""

    first: date
    last: date
    orders: Sequence[OrderFulfilment]
    crops: Sequence[CropFulfilment]


async def order_fulfilment(
    uow: UnitOfWork, clock: Clock, access: Access, order_id: int, first: date | None, last: date | None
) -> OrderFulfilment:
    """Return what left for an order on days from ``first`` to ``last``; without them, of the last four weeks."""
    order = await get_order(uow, access, order_id)
    first, last, today, _ = await _span(uow, clock, order.farm_id, first, last)
    delivered = (await records.delivered_for(uow, [order.id], first, last))[order.id]
    return fulfilment(order, delivered, first, last, today)


async def farm_fulfilment(
    uow: UnitOfWork, clock: Clock, access: Access, farm_id: int, first: date | None, last: date | None
) -> FarmFulfilment:
    """Return what left for every order of a farm, and what became of what was packed."""
    await get_farm(uow, access, farm_id)
    first, last, today, zone = await _span(uow, clock, farm_id, first, last)
    orders = await orders_of(uow, farm_id)
    delivered = await records.delivered_for(uow, [order.id for order in orders], first, last)
    shown = [fulfilment(order, delivered[order.id], first, last, today) for order in orders]
    lots = await records.lots_packed(
        uow, farm_id, day_begin(first, zone), day_begin(last + timedelta(days=1), zone)
    )
    otherwise = await records.delivered_without_order(uow, farm_id, first, last)
    for_orders: dict[int, int] = defaultdict(int)
    for order in orders:
        for_orders[order.crop_id] += sum(d.heads for d in delivered[order.id])
    crop_ids = (
        {lot.crop_id for lot in lots} | {i for i, heads in for_orders.items() if heads} | set(otherwise)
    )
    crops = [
        CropFulfilment(
            crop_id=crop_id,
            packed=sum(lot.heads for lot in lots if lot.crop_id == crop_id),
            undelivered=sum(lot.heads - lot.delivered for lot in lots if lot.crop_id == crop_id),
            delivered_for_orders=for_orders[crop_id],
            delivered_otherwise=otherwise.get(crop_id, 0),
        )
        for crop_id in sorted(crop_ids)
    ]
    return FarmFulfilment(first=first, last=last, orders=[o for o in shown if o.days], crops=crops)


def fulfilment(
    order: Order, delivered: Iterable[Delivered], first: date, last: date, today: date
) -> OrderFulfilment:
    """Return an order's days from ``first`` to ``last`` with what left for each."""
    wanted = dict(occurrences(order, first, last))
    left: dict[date, list[Delivered]] = defaultdict(list)
    for delivery in delivered:
        left[delivery.for_on].append(delivery)
    days = [_day(order, on, wanted.get(on, 0.0), left.get(on, []), today) for on in sorted({*wanted, *left})]
    due = [day for day in days if day.due]
    asked = sum(day.wanted for day in due)
    shortfall = sum_known(day.shortfall for day in due)
    return OrderFulfilment(
        order=order,
        days=days,
        wanted=asked,
        delivered=sum_known(day.delivered for day in due),
        fill_rate=None if shortfall is None or not asked else 1.0 - shortfall / asked,
        days_due=sum(day.wanted > 0 for day in due),
        days_filled=sum(day.wanted > 0 and day.shortfall == 0 for day in due),
        shortfall=shortfall,
        surplus=sum_known(day.surplus for day in due),
        value=sum_known(day.value for day in due),
    )


def _day(order: Order, on: date, wanted: float, left: Sequence[Delivered], today: date) -> DayFulfilment:
    heads = sum(delivery.heads for delivery in left)
    weight = sum_known(_weight_kg(delivery) for delivery in left)
    delivered = weight if order.heads is None else float(heads)
    shortfall = surplus = fill_rate = None
    if delivered is not None:
        shortfall, surplus = max(wanted - delivered, 0.0), max(delivered - wanted, 0.0)
        fill_rate = min(delivered, wanted) / wanted if wanted else None
    priced = {"head": float(heads), "kg": weight, None: None}[order.price_unit]
    return DayFulfilment(
        on=on,
        due=on <= today,
        wanted=wanted,
        delivered=delivered,
        delivered_heads=heads,
        delivered_kg=weight,
        fill_rate=fill_rate,
        shortfall=shortfall,
        surplus=surplus,
        value=None if order.price is None or priced is None else order.price * priced,
    )


def _weight_kg(delivery: Delivered) -> float | None:
    """Return what a delivery weighed: as weighed, or its share of its lot's weight."""
    if delivery.weight_kg is not None:
        return delivery.weight_kg
    if not delivery.heads:
        return 0.0
    if delivery.lot_weight_kg is None or not delivery.lot_heads:
        return None
    return delivery.lot_weight_kg * delivery.heads / delivery.lot_heads


def sum_known(values: Iterable[float | None]) -> float | None:
    """Return a sum, or None if a part of it is not known."""
    every = list(values)
    known = [value for value in every if value is not None]
    return sum(known) if len(known) == len(every) else None


async def _span(
    uow: UnitOfWork, clock: Clock, farm_id: int, first: date | None, last: date | None
) -> tuple[date, date, date, ZoneInfo]:
    """Return first and last day, today, and the farm's time zone: that of its first house."""
    zone = await farm_zone(uow, farm_id)
    today = local_day(clock.now(), zone)
    last = last or (today if first is None else max(today, first))
    first = first or last - timedelta(days=_USUAL_DAYS - 1)
    check_days(first, last)
    return first, last, today, zone


async def farm_zone(uow: UnitOfWork, farm_id: int) -> ZoneInfo:
    """Return the time zone of a farm: that of its first house, UTC if it has none."""
    return ZoneInfo(next(iter(await records.zone_names(uow, farm_id)), "UTC"))


def check_days(first: date, last: date, longest: int = LONGEST_DAYS) -> None:
    """Refuse a span of days that ends before it begins, or is too long to be answered at once."""
    for name, day in (("from", first), ("to", last)):
        if not 2000 < day.year < 2200:
            raise impossible(name, "it must lie between the years 2000 and 2200")
    if last < first:
        raise impossible("to", f"it is before the first day, {first}")
    if (last - first).days >= longest:
        raise impossible("to", f"it is more than {longest} days after the first day, {first}")
