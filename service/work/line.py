"""The line of a house at a glance: batches in order of harvest, advice in force, open alerts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from service.clock import Clock
from service.records import batches as batch_records
from service.records import places as place_records
from service.records import reforecast as records
from service.records.store import UnitOfWork
from service.records.tables import Advice, Alert, Forecast
from service.work.access import Access
from service.work.ledger import derive
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
    leaves: float | None  # now, median
    fresh_g: float | None  # a head now, median
    emergence: Span | None
    window_open: Span | None
    window_close: Span | None
    transplant: Span | None
    harvest: Span | None
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
    successions = {s.id: s for s in await place_records.successions_of(uow, house_id)}
    crops = {c.id: c.name for c in await records.crops_of(uow, house.farm_id)}
    live = await batch_records.live_batches(uow, house_id)
    ids = [b.id for b in live]
    entries = await batch_records.entries_of(uow, ids)
    forecasts = await records.latest_forecasts(uow, ids)
    batches = []
    for batch in live:
        state = derive(entries[batch.id])
        succession = successions[batch.succession_id]
        batches.append(
            LineBatch(
                id=batch.id,
                code=batch.code,
                crop=crops[succession.crop_id],
                succession_id=succession.id,
                succession=succession.name,
                stage=state.stage,
                seeded_on=batch.seeded_on,
                plants=state.in_nursery + state.in_channels,
                **_forecast_fields(forecasts.get(batch.id)),
            )
        )
    batches.sort(key=lambda b: (_harvest(b), b.seeded_on, b.id))
    advice = await records.latest_advice(uow, list(successions))
    return HouseLine(
        house_id=house.id,
        house=house.name,
        time_zone=house.time_zone,
        at=clock.now(),
        batches=batches,
        advice=[
            LineAdvice(successions[i].name, a) for i, a in sorted(advice.items()) if successions[i].active
        ],
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


def _forecast_fields(forecast: Forecast | None) -> dict[str, Any]:
    points = forecast.points if forecast else {}
    harvest = span(points.get("harvest"))
    return {
        "leaves": forecast.state["leaves"]["p50"] if forecast else None,
        "fresh_g": forecast.state["freshG"]["p50"] if forecast else None,
        "emergence": span(points.get("emergence")),
        "window_open": span(points.get("window_open")),
        "window_close": span(points.get("window_close")),
        "transplant": span(points.get("transplant")),
        "harvest": harvest,
        "not_within_days": forecast.horizon_days if forecast and harvest and harvest.p50 is None else None,
        "forecast_at": forecast.made_at if forecast else None,
        "reasons": list(forecast.reasons) if forecast else [],
    }
