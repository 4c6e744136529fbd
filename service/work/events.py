"""House events: dated changes that alter a house's conditions or its space.

Days are local days of the house, both included. Of shade paint, set points and lamps, what started last holds while
it lasts; what it does not say stays as it was before. When it ends, what held before holds again. Two of one kind
that start on the same day would leave open which holds, and are refused. Cleanings and closed days may overlap.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from service.agronomy.climate import Course, Setting
from service.agronomy.succession import Outage
from service.records import events as records
from service.records.listing import find
from service.records.places import house_of
from service.records.store import UnitOfWork
from service.records.tables import House, HouseEvent, Zone
from service.work import fields, saving
from service.work.access import Access, require
from service.work.errors import FieldProblem, NotFound, impossible
from service.work.fields import Field, Merged, checked_changes, checked_new
from service.work.listing import DEFAULT_LIMIT, check_choice, check_page
from service.work.places import HOUSE, referred_house, referred_zone
from service.work.times import epoch_hours, local_clock_hours

KINDS = ("shade", "set_points", "lamps", "cleaning", "closed")
_LONGEST_CLOSED_DAYS = 366

_SAYS: dict[str, tuple[str, ...]] = {
    "shade": ("light_factor",),
    "set_points": ("temp_heat_day_c", "temp_heat_night_c", "temp_vent_c"),
    "lamps": ("lamp_ppfd_umol", "lamp_start_h", "lamp_hours"),
    "cleaning": ("zone_id", "sites"),
    "closed": (),
}
EVENT = {
    "house_id": Field(fields.reference, required=True, fixed=True),
    "kind": Field(fields.one_of(*KINDS), required=True, fixed=True),
    "starts_on": Field(fields.day, required=True),
    "ends_on": Field(fields.day, nullable=True),
    "light_factor": Field(
        fields.number(0, 1, "(light with paint over light without)", above=True), nullable=True
    ),
    **{name: Field(HOUSE[name].check, nullable=True) for name in _SAYS["set_points"] + _SAYS["lamps"]},
    "zone_id": Field(fields.reference, nullable=True),
    "sites": Field(fields.whole(1), nullable=True),
    "note": Field(fields.text(2000), nullable=True),
    "active": Field(fields.flag),
}
_TAKEN = FieldProblem("starts_on", "another event of this kind starts on this day; change that one")


# --------------------------------------------------------------------------- records


async def create_event(uow: UnitOfWork, access: Access, values: Mapping[str, Any]) -> HouseEvent:
    """Record a change of a house, past or to come."""
    event = HouseEvent(**checked_new(EVENT, values))
    house = await referred_house(uow, access, event.house_id)
    await _check_together(uow, house, event)
    await saving.insert(uow, event, _TAKEN)
    return event


async def get_event(uow: UnitOfWork, access: Access, event_id: int) -> HouseEvent:
    """Return a house event."""
    event = await find(uow, HouseEvent, event_id)
    if event is None:
        raise NotFound(f"there is no event {event_id}")
    require(access, (await house_of(uow, event.house_id)).farm_id)
    return event


async def list_events(
    uow: UnitOfWork,
    access: Access,
    *,
    house_id: int | None = None,
    kind: str | None = None,
    active: bool | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[HouseEvent], int | None]:
    """Return a page of house events and the id to go on after."""
    check_page(after, limit, house_id=house_id)
    check_choice("kind", kind, KINDS)
    return await records.page_events(
        uow,
        within_farm=access.farm_id,
        house_id=house_id,
        kind=kind,
        active=active,
        after=after,
        limit=limit,
    )


async def change_event(
    uow: UnitOfWork,
    access: Access,
    event_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> HouseEvent:
    """Change a house event; ``active`` false calls it off."""
    event = await get_event(uow, access, event_id)
    cleaned = checked_changes(EVENT, event, changes)
    await _check_together(uow, await house_of(uow, event.house_id), Merged(event, cleaned))
    await saving.update(uow, event, cleaned, expected_version, _TAKEN)
    return event


async def _check_together(uow: UnitOfWork, house: House, event: HouseEvent | Merged) -> None:
    """Refuse fields that do not go with each other."""
    for kind, names in _SAYS.items():
        for name in names:
            if kind != event.kind and getattr(event, name) is not None:
                raise impossible(name, f"an event of kind {event.kind} has none; it goes with {kind}")
    if event.ends_on is not None and event.ends_on < event.starts_on:
        raise impossible("ends_on", f"it is before the start, {event.starts_on}")
    if event.kind == "shade" and event.light_factor is None:
        raise impossible("light_factor", "it is missing: how much light the paint lets through")
    if event.kind in {"set_points", "lamps"} and all(getattr(event, n) is None for n in _SAYS[event.kind]):
        raise impossible(
            _SAYS[event.kind][0], f"it is missing: say at least one of {', '.join(_SAYS[event.kind])}"
        )
    if event.kind == "set_points":
        _check_set_points(house, event)
    if event.kind in {"cleaning", "closed"}:
        _check_span(event)
    if event.kind == "cleaning":
        if event.zone_id is None:
            raise impossible("zone_id", "it is missing: which zone is cleaned")
        zone = await referred_zone(uow, house.id, "zone_id", event.zone_id, "channels")
        if event.sites is not None and event.sites > zone.capacity:
            raise impossible("sites", f"the zone has only {zone.capacity}")


def _check_span(event: HouseEvent | Merged) -> None:
    if event.ends_on is None:
        raise impossible("ends_on", f"it is missing: the last day of {event.kind}")
    if (event.ends_on - event.starts_on).days >= _LONGEST_CLOSED_DAYS:
        raise impossible("ends_on", f"it is more than {_LONGEST_CLOSED_DAYS} days after the start")


def _check_set_points(house: House, event: HouseEvent | Merged) -> None:
    vent = house.temp_vent_c if event.temp_vent_c is None else event.temp_vent_c
    for name in ("temp_heat_day_c", "temp_heat_night_c"):
        heat = getattr(event, name)
        if heat is not None and heat > vent:
            raise impossible(name, f"it is {heat:g} degC, above the ventilation set point {vent:g} degC")
    if event.temp_vent_c is not None:
        for name in ("temp_heat_day_c", "temp_heat_night_c"):
            if getattr(event, name) is None and getattr(house, name) > vent:
                raise impossible(
                    "temp_vent_c",
                    f"it is {vent:g} degC, below the {name} of the house, {getattr(house, name):g}",
                )


# --------------------------------------------------------------------------- what they amount to


def course_of(house: House, events: Sequence[HouseEvent]) -> Course:
    """Return a house's shade paint and set points over time."""
    names = ("light_factor", *_SAYS["set_points"])
    begins, rows = _steps(house, [e for e in events if e.kind in {"shade", "set_points"}], names)
    return Course(begins, Setting(*np.array(rows).T))


def lamp_mol(
    house: House, hours: NDArray[np.int64], events: Sequence[HouseEvent] = ()
) -> NDArray[np.float64]:
    """Return what the lamp schedule gives in each epoch hour. [mol m⁻²]"""
    begins, rows = _steps(house, [e for e in events if e.kind == "lamps"], _SAYS["lamps"])
    if all(ppfd <= 0.0 or lit <= 0.0 for ppfd, _, lit in rows):
        return np.zeros(hours.size)
    step = np.searchsorted(begins, hours + 0.5, side="right") - 1
    ppfd, start_h, lit_h = np.array(rows).T[:, step]
    since_on = (local_clock_hours(hours, ZoneInfo(house.time_zone)) - start_h) % 24.0
    # Share of the hour that is lit: it may begin lit, or be lit from within.
    lit = np.clip(lit_h - since_on, 0.0, 1.0) + np.clip(np.minimum(since_on + 1.0 - 24.0, lit_h), 0.0, 1.0)
    return np.asarray(np.minimum(lit, 1.0) * ppfd * 3600.0 / 1e6)


def outages(house: House, events: Sequence[HouseEvent], zone: Zone) -> list[Outage]:
    """Return the sites of a zone that cleanings take out."""
    return [
        Outage(
            _begin_h(event.starts_on, house),
            _begin_h(event.ends_on + timedelta(days=1), house),
            float(zone.capacity if event.sites is None else event.sites),
        )
        for event in events
        if event.kind == "cleaning" and event.zone_id == zone.id and event.ends_on is not None
    ]


def closed_days(events: Sequence[HouseEvent]) -> frozenset[date]:
    """Return the days on which a house is closed."""
    return frozenset(
        event.starts_on + timedelta(days=n)
        for event in events
        if event.kind == "closed" and event.ends_on is not None
        for n in range((event.ends_on - event.starts_on).days + 1)
    )


def _steps(
    house: House, events: Sequence[HouseEvent], names: Sequence[str]
) -> tuple[NDArray[np.float64], list[tuple[float, ...]]]:
    """Return from when on which values hold; the first step holds always before."""
    days = {e.starts_on for e in events} | {e.ends_on + timedelta(days=1) for e in events if e.ends_on}
    base = {name: getattr(house, name, 1.0) for name in names}  # a house itself is not painted
    begins, rows = [-np.inf], [tuple(base.values())]
    for day in sorted(days):
        held = dict(base)
        for event in sorted(events, key=lambda e: (e.starts_on, e.id)):
            if event.starts_on <= day and (event.ends_on is None or day <= event.ends_on):
                said = {name: getattr(event, name) for name in names}
                held.update({name: value for name, value in said.items() if value is not None})
        begins.append(_begin_h(day, house))
        rows.append(tuple(held.values()))
    return np.array(begins), rows


def _begin_h(day: date, house: House) -> float:
    """Return the epoch hours at which a local day begins."""
    return epoch_hours(datetime.combine(day, time(), ZoneInfo(house.time_zone)).astimezone(UTC))
