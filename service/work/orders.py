"""Orders: what buyers want, and on which days."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any, NamedTuple

from service.records import orders as records
from service.records.listing import find
from service.records.store import UnitOfWork
from service.records.tables import Crop, Order
from service.work import fields, saving
from service.work.access import Access, require
from service.work.errors import FieldProblem, NotFound, impossible
from service.work.fields import Field, Merged, checked_changes, checked_new
from service.work.listing import DEFAULT_LIMIT, check_page
from service.work.places import referred_farm

PRICE_UNITS = ("head", "kg")

_CURRENCY = re.compile(r"[A-Z]{3}")
_MOST_DATES = 400


def _currency(value: Any) -> str:
    if not isinstance(value, str) or not _CURRENCY.fullmatch(value):
        raise ValueError("it must be a currency as ISO 4217 writes it, for example EUR")
    return value


def _dates(value: Any) -> list[date]:
    if not isinstance(value, list | tuple) or not 1 <= len(value) <= _MOST_DATES:
        raise ValueError(f"it must be a list of 1 to {_MOST_DATES} days")
    days = sorted({fields.day(day) for day in value})
    if len(days) != len(value):
        raise ValueError("it must be a list of different days")
    return days


ORDER = {
    "farm_id": Field(fields.reference, required=True, fixed=True),
    "crop_id": Field(fields.reference, required=True, fixed=True),
    "buyer": Field(fields.text(), required=True),
    "heads": Field(fields.whole(1), nullable=True),
    "weight_kg": Field(fields.number(0, 1e6, "kg", above=True), nullable=True),
    "weekdays": Field(fields.weekdays, nullable=True),
    "starts_on": Field(fields.day, nullable=True),
    "ends_on": Field(fields.day, nullable=True),
    "dates": Field(_dates, nullable=True),
    "price": Field(fields.number(0, 1e6), nullable=True),
    "price_currency": Field(_currency, nullable=True),
    "price_unit": Field(fields.one_of(*PRICE_UNITS), nullable=True),
    "note": Field(fields.text(2000), nullable=True),
    "active": Field(fields.flag),
}
_PRICE = ("price", "price_currency", "price_unit")
# Nothing about an order is one of a kind; a clash can only be a fault of ours.
_TAKEN = FieldProblem("", "there is such an order already")


class Occurrence(NamedTuple):
    """What is wanted on one day."""

    on: date
    amount: float
    """Heads, or kg if the order is by weight."""


def occurrences(order: Order, first: date, last: date) -> list[Occurrence]:
    """Return what an order wants from ``first`` to ``last``, both included, in order; nothing if called off."""
    if not order.active:
        return []
    amount = order.weight_kg if order.heads is None else order.heads
    if amount is None:
        raise ValueError(f"order {order.id} has neither heads nor a weight")
    return [Occurrence(on, amount) for on in _days(order, first, last)]


def _days(order: Order | Merged, first: date, last: date) -> list[date]:
    if order.dates is not None:
        return [on for on in order.dates if first <= on <= last]
    begin: date = max(first, order.starts_on or first)
    end: date = min(last, order.ends_on or last)
    days = (begin + timedelta(days=n) for n in range((end - begin).days + 1))
    return [on for on in days if on.isoweekday() in (order.weekdays or ())]


def is_a_day_of(order: Order, on: date) -> bool:
    """Return whether an order is, or before it was called off was, for a day."""
    return bool(_days(order, on, on))


def next_days(order: Order, first: date, most: int = 3) -> list[date]:
    """Return the next days of an order from ``first`` on, within a year."""
    return _days(order, first, first + timedelta(days=366))[:most]


async def create_order(uow: UnitOfWork, access: Access, values: Mapping[str, Any]) -> Order:
    """Take an order of a farm's crop."""
    order = Order(**checked_new(ORDER, values))
    farm = await referred_farm(uow, access, order.farm_id)
    crop = await find(uow, Crop, order.crop_id)
    if crop is None or crop.farm_id != farm.id:
        raise impossible("crop_id", f"there is no crop {order.crop_id} of this farm")
    check_together(order)
    await saving.insert(uow, order, _TAKEN)
    return order


async def get_order(uow: UnitOfWork, access: Access, order_id: int) -> Order:
    """Return an order."""
    order = await find(uow, Order, order_id)
    if order is None:
        raise NotFound(f"there is no order {order_id}")
    require(access, order.farm_id)
    return order


async def list_orders(
    uow: UnitOfWork,
    access: Access,
    *,
    farm_id: int | None = None,
    crop_id: int | None = None,
    active: bool | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[Order], int | None]:
    """Return a page of orders and the id to go on after."""
    check_page(after, limit, farm_id=farm_id, crop_id=crop_id)
    return await records.page_orders(
        uow,
        within_farm=access.farm_id,
        farm_id=farm_id,
        crop_id=crop_id,
        active=active,
        after=after,
        limit=limit,
    )


async def change_order(
    uow: UnitOfWork,
    access: Access,
    order_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> Order:
    """Change an order; ``active`` false calls it off."""
    order = await get_order(uow, access, order_id)
    cleaned = checked_changes(ORDER, order, changes)
    check_together(Merged(order, cleaned))
    await saving.update(uow, order, cleaned, expected_version, _TAKEN)
    return order


def check_together(order: Order | Merged) -> None:
    """Refuse fields that do not go with each other."""
    if order.heads is None and order.weight_kg is None:
        raise impossible("heads", "it is missing: an order is of heads, or of a weight_kg")
    if order.heads is not None and order.weight_kg is not None:
        raise impossible("weight_kg", "an order is of heads or of a weight, not of both")
    _check_days(order)
    if any(getattr(order, name) is not None for name in _PRICE):
        for name in _PRICE:
            if getattr(order, name) is None:
                raise impossible(name, "it is missing: a price has an amount, a currency and a unit")


def _check_days(order: Order | Merged) -> None:
    if order.weekdays is None and order.dates is None:
        raise impossible("weekdays", "it is missing: an order is for weekdays, or for dates")
    if order.dates is not None:
        for name in ("weekdays", "starts_on", "ends_on"):
            if getattr(order, name) is not None:
                raise impossible(name, "an order is for weekdays or for dates, not for both")
        return
    if order.starts_on is None:
        raise impossible("starts_on", "it is missing: weekdays are counted from a day on")
    if order.ends_on is not None:
        if order.ends_on < order.starts_on:
            raise impossible("ends_on", f"it is before the start, {order.starts_on}")
        if not _days(order, order.starts_on, order.ends_on):
            raise impossible("weekdays", "none of them lies between the start and the end")
