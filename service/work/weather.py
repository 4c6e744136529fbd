"""The weather outdoors: forecasts that are pushed in, and what an outdoor light sensor says of a house."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from service.agronomy.climate import Course, Site
from service.agronomy.outlook import FORECAST_DAYS, Measured, Pushed
from service.agronomy.transmission import Transmission, learn, stated
from service.clock import Clock
from service.records import events as records
from service.records.conditions import refusals
from service.records.places import house_ids_named
from service.records.store import UnitOfWork
from service.records.tables import House, WeatherForecast
from service.work import fields
from service.work.access import SYSTEM, Access
from service.work.conditions import light_of
from service.work.errors import FieldProblem, Impossible, NotFound, impossible
from service.work.imports.moments import Moments
from service.work.imports.outcome import Imported, faulty
from service.work.imports.table import columns, number, read_table
from service.work.places import get_house
from service.work.times import EPOCH, epoch_hours

OUTSIDE_DAYS = 60
"""Days of light outdoors that a house's transmission is learned from."""

_MOST_HOURS = 500
_LEAD = timedelta(minutes=5)  # that an issue may be ahead of the clock
_HOUR = timedelta(hours=1)
_CHECKS = {
    "at": fields.moment,
    "global_w_m2": fields.number(0, 1500, "W m-2"),
    "temp_out_c": fields.number(-60, 60, "degC"),
}
_SAID = ("global_w_m2", "temp_out_c")


# --------------------------------------------------------------------------- forecasts


async def push_weather(
    uow: UnitOfWork,
    clock: Clock,
    access: Access,
    house_id: int,
    hours: Sequence[Mapping[str, Any]],
    issued_at: datetime | None = None,
) -> int:
    """Store a weather forecast for a house; return how many hours it has.

    Parameters
    ----------
    hours
        Each with ``at`` (start of a clock hour) and ``global_w_m2``, ``temp_out_c`` or both.
    issued_at
        When it was issued; none: now. Of several issues the newest holds, hour by hour.

    Raises
    ------
    Impossible
        If anything is wrong; every fault is named.
    """
    house = await get_house(uow, access, house_id)
    issued = _issued(clock, issued_at)
    if not 1 <= len(hours) <= _MOST_HOURS:
        raise impossible("hours", f"there must be 1 to {_MOST_HOURS}")
    problems: list[FieldProblem] = []
    rows = []
    for place, hour in enumerate(hours):
        row, faults = _row(hour, issued)
        problems += [FieldProblem(f"hours/{place}/{name}", problem) for name, problem in faults]
        rows.append(row)
    problems += [FieldProblem(f"hours/{place}/at", "this hour is there twice") for place in _repeated(rows)]
    if problems:
        raise Impossible("; ".join(f"{p.field}: {p.problem}" for p in problems[:5]), *problems)
    await records.save_weather(uow, [_kept(house, issued, row) for row in rows])
    return len(rows)


async def push_weather_by_name(
    uow: UnitOfWork,
    clock: Clock,
    house_name: str,
    hours: Sequence[Mapping[str, Any]],
    issued_at: datetime | None = None,
) -> int:
    """Store a weather forecast for the house of a code or id, see :func:`push_weather`.

    Raises
    ------
    NotFound
        If no house has that code or id.
    Impossible
        If several houses have that code, or anything is wrong with the forecast.
    Refused
        If the database refuses it.
    """
    ids = await house_ids_named(uow, house_name)
    if not ids:
        raise NotFound(f"no house has the code or id {house_name[:60]!r}")
    if len(ids) > 1:
        raise impossible(
            "house", f"houses {ids} have the code {house_name!r}: name the one that is meant by its id"
        )
    with refusals():
        return await push_weather(uow, clock, SYSTEM, ids[0], hours, issued_at)


async def import_weather(
    uow: UnitOfWork,
    clock: Clock,
    access: Access,
    house_id: int,
    content: bytes,
    issued_at: datetime | None = None,
    *,
    dry_run: bool = False,
) -> Imported:
    """Store a weather forecast that comes as CSV with the columns ``at``, ``globalWM2`` and ``tempOutC``."""
    house = await get_house(uow, access, house_id)
    issued = _issued(clock, issued_at)
    table = read_table(content)
    places = columns(table, ["at"], list(_SAID), {"global_wm2": "global_w_m2", "hour": "at", "time": "at"})
    zone_moments = Moments(ZoneInfo(house.time_zone), issued + timedelta(days=366))
    rows, lines = [], []
    for line, cells in table.rows if places else ():
        values: dict[str, Any] = {}
        for name, place in (places or {}).items():
            if not cells[place].strip():
                continue
            try:
                values[name] = zone_moments.read(cells[place]) if name == "at" else number(cells[place])
            except ValueError as error:
                table.faults.add(line, name, str(error))
        row, faults = _row(values, issued)
        for name, problem in faults:
            if name in values or not cells[(places or {}).get(name, 0)].strip():
                table.faults.add(line, name, problem)
        rows.append(row)
        lines.append(line)
    for place in _repeated(rows):
        table.faults.add(lines[place], "at", "this hour is there twice")
    if len(rows) > _MOST_HOURS:
        table.faults.add(lines[_MOST_HOURS], "", f"a forecast has at most {_MOST_HOURS} hours")
    if table.faults.found:
        return faulty(table.count, table.faults.in_order(), dry_run=dry_run)
    if not dry_run:
        await records.save_weather(uow, [_kept(house, issued, row) for row in rows])
    return Imported(table.count, new=len(rows))


async def list_weather(uow: UnitOfWork, clock: Clock, access: Access, house_id: int) -> list[WeatherForecast]:
    """Return the hours to come as the newest issue of each says them."""
    house = await get_house(uow, access, house_id)
    now = clock.now()
    return await records.newest_weather(uow, house.id, now - _HOUR, now + _LEAD)


def _issued(clock: Clock, issued_at: datetime | None) -> datetime:
    now = clock.now()
    if issued_at is None:
        return now
    try:
        issued = fields.moment(issued_at)
    except ValueError as error:
        raise impossible("issued_at", str(error)) from None
    if issued > now + _LEAD:
        raise impossible("issued_at", f"it is {issued - now} ahead of the clock")
    if issued < now - timedelta(days=FORECAST_DAYS):
        raise impossible("issued_at", f"it is older than {FORECAST_DAYS:g} days, and nothing would follow it")
    return issued


def _row(hour: Mapping[str, Any], issued: datetime) -> tuple[dict[str, Any], list[tuple[str, str]]]:
    """Return an hour's cleaned values, and what is wrong with which of them."""
    row: dict[str, Any] = dict.fromkeys(_CHECKS)
    faults = []
    for name, check in _CHECKS.items():
        value = hour.get(name)
        if value is None:
            continue
        try:
            row[name] = check(value)
        except ValueError as error:
            faults.append((name, str(error)))
    if hour.get("at") is None:
        faults.append(("at", "it is missing"))
    elif row["at"] is not None:
        if row["at"].minute or row["at"].second or row["at"].microsecond:
            faults.append(("at", "it must be the start of a clock hour in UTC"))
        elif not issued - timedelta(days=1) <= row["at"] <= issued + timedelta(days=30):
            faults.append(("at", "it must lie between a day before and 30 days after the issue"))
    if not faults and all(row[name] is None for name in _SAID):
        faults.append((_SAID[0], f"it is missing: an hour says {' or '.join(_SAID)}"))
    return row, faults


def _repeated(rows: Sequence[Mapping[str, Any]]) -> list[int]:
    seen: set[datetime] = set()
    found = []
    for place, row in enumerate(rows):
        if row["at"] in seen:
            found.append(place)
        elif row["at"] is not None:
            seen.add(row["at"])
    return found


def _kept(house: House, issued: datetime, row: Mapping[str, Any]) -> dict[str, Any]:
    return {"house_id": house.id, "issued_at": issued, **row}


# --------------------------------------------------------------------------- for the outlook


async def read_pushed(uow: UnitOfWork, house_id: int, since: datetime, now: datetime) -> Pushed:
    """Return the weather forecast that holds for a house, as known at a moment."""
    rows = await records.newest_weather(uow, house_id, since, now)

    def column(values: Sequence[float | None]) -> np.ndarray[Any, np.dtype[np.float64]]:
        return np.array([np.nan if value is None else value for value in values], dtype=np.float64)

    return Pushed(
        np.array([(row.at - EPOCH) // _HOUR for row in rows], dtype=np.int64),
        np.array([epoch_hours(row.issued_at) for row in rows], dtype=np.float64),
        column([row.global_w_m2 for row in rows]),
        column([row.temp_out_c for row in rows]),
    )


async def read_outside(uow: UnitOfWork, house_id: int, now: datetime) -> Measured:
    """Return the light of the last days outdoors, hour by hour; nothing where no sensor is outdoors."""
    sensors = await records.outdoor_sensors(uow, house_id, "ppfd_umol")
    if not sensors:
        return Measured.none()
    end = now.replace(minute=0, second=0, microsecond=0)
    found = await light_of(uow, sensors, end - timedelta(days=OUTSIDE_DAYS), end)
    hour = np.array([(at - EPOCH) // _HOUR for at in found], dtype=np.int64)
    mol = np.array(list(found.values()), dtype=np.float64)
    return Measured(hour, np.full(hour.size, np.nan), mol, np.zeros(hour.size))


def transmission_of(
    house: House, site: Site, course: Course, zones: Sequence[Measured], outside: Measured
) -> Transmission:
    """Return a house's light transmission, learned in the zone of which most light was measured."""
    best = max(zones, key=lambda m: int(np.count_nonzero(~np.isnan(m.light_mol))), default=None)
    if best is None:
        return stated(site.transmission)
    return learn(site, house.elevation_m, best, course, outside)
