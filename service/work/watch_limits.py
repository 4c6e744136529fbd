"""Limits of a zone: what was set for it, and what common practice says where nothing was."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.records import places as place_records
from service.records import reforecast as conclusion_records
from service.records import watch as records
from service.records.places import house_of
from service.records.store import UnitOfWork
from service.records.tables import Zone, ZoneLimit
from service.work import fields, saving
from service.work.access import Access
from service.work.errors import FieldProblem, impossible
from service.work.fields import Field, Merged, checked_new
from service.work.places import get_zone
from service.work.quantities import QUANTITIES
from service.work.watch_readings import LIMITED, limits_for


@dataclass(frozen=True)
class ZoneLimits:
    """Limits of a quantity in a zone, in the unit kept; none: no limit on that side."""

    quantity: str
    unit: str
    low: float | None
    high: float | None
    urgent_low: float | None
    urgent_high: float | None
    after_minutes: float
    is_set: bool
    """Whether they were set for the zone; otherwise they are common practice."""


_SIDES = ("low", "high", "urgent_low", "urgent_high")


async def list_limits(uow: UnitOfWork, access: Access, zone_id: int) -> list[ZoneLimits]:
    """Return the limits that hold in a zone, of every quantity that has some."""
    zone = await get_zone(uow, access, zone_id)
    set_ = await records.limits_of_zone(uow, zone.id)
    crops = await _crops(uow, zone)
    return [_shown(quantity, set_.get(quantity), crops) for quantity in LIMITED]


async def set_limits(
    uow: UnitOfWork, access: Access, zone_id: int, quantity: str, values: Mapping[str, Any]
) -> ZoneLimits:
    """Set the limits of a quantity in a zone, in place of those that held.

    Raises
    ------
    Impossible
        If the quantity has no limits, or they contradict each other.
    """
    zone = await get_zone(uow, access, zone_id)
    _check_quantity(quantity)
    known = QUANTITIES[quantity]
    number = fields.number(known.low, known.high, known.unit)
    wanted = {name: Field(number, nullable=True) for name in _SIDES}
    cleaned = checked_new({**wanted, "after_minutes": Field(fields.number(0, 170, "minutes"))}, values)
    row = Merged(_NONE, cleaned)
    if row.low is not None and row.high is not None and row.low >= row.high:
        raise impossible("high", f"it is {row.high:g}, and must be above low, {row.low:g}")
    if row.urgent_low is not None and (row.low is None or row.urgent_low > row.low):
        raise impossible("urgent_low", "it must be at or below low")
    if row.urgent_high is not None and (row.high is None or row.urgent_high < row.high):
        raise impossible("urgent_high", "it must be at or above high")
    held = (await records.limits_of_zone(uow, zone.id)).get(quantity)
    if held is None:
        held = ZoneLimit(zone_id=zone.id, quantity=quantity, **cleaned)
        await saving.insert(uow, held, FieldProblem("quantity", "somebody else set them at the same time"))
    else:
        for name in (*_SIDES, "after_minutes"):
            setattr(held, name, getattr(row, name))
        await uow.flush()
    return _shown(quantity, held, set())


async def forget_limits(uow: UnitOfWork, access: Access, zone_id: int, quantity: str) -> ZoneLimits:
    """Go back to common practice; of a quantity that has it already nothing changes."""
    zone = await get_zone(uow, access, zone_id)
    _check_quantity(quantity)
    held = (await records.limits_of_zone(uow, zone.id)).get(quantity)
    if held is not None:
        await records.forget_limit(uow, held)
    return _shown(quantity, None, await _crops(uow, zone))


class _None:
    low = high = urgent_low = urgent_high = None
    after_minutes = 15.0


_NONE = _None()


def _check_quantity(quantity: str) -> None:
    if quantity not in LIMITED:
        raise impossible("quantity", f"it must be one of {', '.join(LIMITED)}")


def _shown(quantity: str, row: ZoneLimit | None, crops: set[str]) -> ZoneLimits:
    limits = limits_for(quantity, row, crops)
    values = {name: None if limits is None else getattr(limits, name) for name in _SIDES}
    after = 10.0 if limits is None else limits.after_minutes
    return ZoneLimits(
        quantity, QUANTITIES[quantity].unit, **values, after_minutes=after, is_set=row is not None
    )


async def _crops(uow: UnitOfWork, zone: Zone) -> set[str]:
    house = await house_of(uow, zone.house_id)
    profiles = {c.id: c.profile for c in await conclusion_records.crops_of(uow, house.farm_id)}
    return {
        profiles[s.crop_id]
        for s in await place_records.successions_of(uow, house.id)
        if s.active and zone.id in {s.nursery_zone_id, s.channels_zone_id}
    }
