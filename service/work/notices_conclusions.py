"""What a re-forecast of a house tells: new advice, and dates that moved."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import batches as batch_records
from service.records import places as place_records
from service.records import receivers as records
from service.records.store import UnitOfWork
from service.records.tables import Advice, Forecast, ForecastDay, House
from service.work.notices import News, tell
from service.work.notices_retained import advice_json, forecast_json, keep_retained
from service.work.times import local_day

EVENTS = ("transplant", "harvest")
MOVED_DAYS = 2
"""Days by which a date must have moved since receivers were last told; one day is noise. Assumed."""


async def tell_conclusions(
    uow: UnitOfWork,
    clock: Clock,
    house: House,
    forecasts: Sequence[Forecast],
    advice: Sequence[Advice],
    before: Mapping[int, Advice],
) -> None:
    """Keep the expected days, write notices of new advice and moved dates, and of what brokers hold.

    ``forecasts`` and ``advice`` are those that were just added; ``before`` is the advice that held, by succession.
    """
    now = clock.now()
    successions = {s.id: s for s in await place_records.successions_of(uow, house.id)}
    news = [
        News(
            type="evenleaf.advice.changed",
            subject=f"successions/{row.succession_id}/advice",
            data=advice_json(row, successions[row.succession_id], house),
            topic="advice",
        )
        for row in advice
        if _advises(row) != _advises(before.get(row.succession_id))
    ]
    moved = await _keep_days(uow, house, forecasts, now)
    if moved:
        batches = {b.id: b for b in await batch_records.live_batches(uow, house.id)}
        for forecast, said in moved:
            batch = batches.get(forecast.batch_id)
            if batch is not None:
                data = forecast_json(batch, forecast, successions[batch.succession_id])
                news.append(
                    News(
                        type="evenleaf.forecast.moved",
                        subject=f"batches/{batch.id}/forecasts",
                        data={"houseId": house.id, "house": house.name, "moved": said, **data},
                        topic="forecast",
                    )
                )
    await tell(uow, now, house, news)
    await keep_retained(uow, clock, house)


def _advises(advice: Advice | None) -> tuple[object, ...] | None:
    if advice is None:
        return None
    return (advice.decision, advice.binding, advice.advised_interval_days, advice.cells_per_seeding)


async def _keep_days(
    uow: UnitOfWork, house: House, forecasts: Sequence[Forecast], now: datetime
) -> list[tuple[Forecast, list[dict[str, str]]]]:
    """Keep the local days of the medians; return forecasts whose days moved far, and from where to where."""
    zone = ZoneInfo(house.time_zone)
    known = await records.forecast_days(uow, [f.batch_id for f in forecasts])
    moved = []
    for forecast in forecasts:
        said = []
        for event in EVENTS:
            day = _day(forecast, event, zone)
            row = known.get((forecast.batch_id, event))
            if row is None and day is None:
                continue
            if row is None:
                assert day is not None  # noqa: S101 - said just before
                uow.session.add(
                    ForecastDay(
                        batch_id=forecast.batch_id, event=event, day=day, told_day=day, changed_at=now
                    )
                )
                continue
            if row.day == day:
                continue
            row.day, row.sequence, row.changed_at = day, row.sequence + 1, now
            if day is not None and abs((day - row.told_day).days) >= MOVED_DAYS:
                said.append({"event": event, "from": row.told_day.isoformat(), "to": day.isoformat()})
                row.told_day = day
        if said:
            moved.append((forecast, said))
    await uow.flush()
    return moved


def _day(forecast: Forecast, event: str, zone: ZoneInfo) -> date | None:
    point = forecast.points.get(event)
    if point is None or point["p50"] is None:
        return None
    return local_day(datetime.fromisoformat(point["p50"]), zone)
