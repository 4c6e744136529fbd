"""The line of a house at a glance: batches in order of harvest, advice in force, open alerts."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from service.clock import Clock
from service.records import batches as batch_records
from service.records import reforecast as records
from service.records.reforecast import ForecastRow
from service.records.store import UnitOfWork
from service.records.tables import Advice, Alert
from service.work.access import Access
from service.work.ledgers import states_of
from service.work.places import get_house

_NEVER = datetime(9999, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Span:
    """10, 50 and 90 % points of a date; none: not reached within the forecast's horizon."""

    p10: datetime | None
    p50: datetime | None
    p90: datetime | None


@dataclass(frozen=True, kw_only=True)
class LineBatch:
    """A batch on the line. Dates are none until the first forecast."""

    id: int
    code: str
    crop: str
    succession_id: int
    succession: str
    stage: str
    seeded_on: date
    plants: int
    cuts: int  # made so far that the plants outlived
    leaves: float | None  # now, median
    fresh_g: float | None  # a head now, median
    emergence: Span | None
    window_open: Span | None
    window_close: Span | None
    transplant: Span | None
    harvest: Span | None  # of a crop of several cuts: its next
    last_harvest: Span | None  # of a crop of several cuts
    not_within_days: int | None  # horizon, if the median harvest lies beyond it
    forecast_at: datetime | None
    reasons: list[str]


@dataclass(frozen=True)
class LineAdvice:
    """Advice in force for one succession."""

    succession: str
    advice: Advice


@dataclass(frozen=True)
class HouseLine:
    """The line of a house."""

    house_id: int
    house: str
    time_zone: str
    at: datetime
    batches: list[LineBatch]
    advice: list[LineAdvice]
    alerts: list[Alert]


async def house_line(uow: UnitOfWork, clock: Clock, access: Access, house_id: int) -> HouseLine:
    """Return the line of a house as it is known now.

    Raises
    ------
    NotFound
        If there is no such house, or it is another farm's.
    """
    house = await get_house(uow, access, house_id)
    live = await batch_records.live_rows(uow, house_id)
    ids = [b.id for b in live]
    states = await states_of(uow, ids)
    forecasts = await _forecasts(uow, ids)
    batches = [
        LineBatch(
            id=batch.id,
            code=batch.code,
            crop=batch.crop,
            succession_id=batch.succession_id,
            succession=batch.succession,
            stage=states[batch.id].stage,
            seeded_on=batch.seeded_on,
            plants=states[batch.id].in_nursery + states[batch.id].in_channels,
            cuts=len(states[batch.id].cuts),
            **forecasts.get(batch.id, _NOT_FORECAST),
        )
        for batch in live
    ]
    batches.sort(key=lambda b: (_harvest(b), b.seeded_on, b.id))
    return HouseLine(
        house_id=house.id,
        house=house.name,
        time_zone=house.time_zone,
        at=clock.now(),
        batches=batches,
        advice=[LineAdvice(*given) for given in await records.advice_in_force(uow, house_id)],
        alerts=await records.open_alerts(uow, house_id),
    )


def _harvest(batch: LineBatch) -> datetime:
    point = batch.harvest and batch.harvest.p50
    return point or _NEVER


def span(point: Mapping[str, Any] | None) -> Span | None:
    """Return a stored point as moments."""
    if point is None:
        return None
    return Span(
        *(None if point[p] is None else datetime.fromisoformat(point[p]) for p in ("p10", "p50", "p90"))
    )


async def _forecasts(uow: UnitOfWork, batch_ids: Collection[int]) -> dict[int, dict[str, Any]]:
    """Return what the newest forecast of each batch says; those without one are left out."""
    found: dict[int, dict[str, Any]] = {}
    unknown = []
    for batch_id, forecast_id in (await records.newest_forecasts(uow, batch_ids)).items():
        fields = uow.remembered.get(("forecast", batch_id), forecast_id)
        if fields is None:
            unknown.append(forecast_id)
        else:
            found[batch_id] = fields
    for row in await records.forecasts(uow, unknown) if unknown else ():
        found[row.batch_id] = _forecast_fields(row)
        uow.remembered.keep(("forecast", row.batch_id), row.id, found[row.batch_id])
    return found


def _forecast_fields(forecast: ForecastRow) -> dict[str, Any]:
    points = forecast.points
    harvest = span(points.get("harvest"))
    return {
        "leaves": forecast.state["leaves"]["p50"],
        "fresh_g": forecast.state["freshG"]["p50"],
        "emergence": span(points.get("emergence")),
        "window_open": span(points.get("window_open")),
        "window_close": span(points.get("window_close")),
        "transplant": span(points.get("transplant")),
        "harvest": harvest,
        "last_harvest": span(points.get("last_harvest")),
        "not_within_days": forecast.horizon_days if harvest and harvest.p50 is None else None,
        "forecast_at": forecast.made_at,
        "reasons": forecast.reasons,
    }


_NOT_FORECAST: dict[str, Any] = {
    "leaves": None,
    "fresh_g": None,
    "emergence": None,
    "window_open": None,
    "window_close": None,
    "transplant": None,
    "harvest": None,
    "last_harvest": None,
    "not_within_days": None,
    "forecast_at": None,
    "reasons": [],
}
