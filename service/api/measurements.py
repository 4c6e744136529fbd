"""Readings, hours, dead letters and unknown topics."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import date, datetime
from typing import Annotated, Any, TypeVar, cast
from urllib.parse import urlencode

from litestar import Request, Response, get
from litestar.datastructures import State
from litestar.params import QueryParameter
from msgspec import Meta

from service.api.bodies import Page, View, view
from service.api.operations import (
    PAGE,
    READ,
    After,
    AfterMoment,
    Asker,
    From,
    Limit,
    Now,
    OfSensor,
    RowId,
    To,
    Uow,
    moment,
)
from service.api.problems import camel
from service.work import measurements
from service.work.access import Access
from service.work.measurements import MAX_SAMPLES

_CSV = "text/csv"
Samples = Annotated[int, QueryParameter(description=f"How many to return at most, 1 to {MAX_SAMPLES}.")]


class ReadingView(View):
    """One sensor value, in the unit its quantity is kept in."""

    at: datetime
    value: float


class HourView(View):
    """A zone's conditions over one clock hour, computed from its readings."""

    at: Annotated[datetime, Meta(description="Start of the hour.")]
    temp_mean_c: Annotated[float | None, Meta(description="Mean air temperature, °C.")]
    temp_min_c: float | None
    temp_max_c: float | None
    temp_coverage: Annotated[float, Meta(description="Share of the hour that was measured, 0 to 1.")]
    light_mol: Annotated[
        float | None, Meta(description="Light over the measured share of the hour, mol m⁻².")
    ]
    light_coverage: Annotated[float, Meta(description="Share of the hour that was measured, 0 to 1.")]


class ReadingPage(View):
    """Readings in order of time."""

    items: list[ReadingView]
    next: Annotated[datetime | None, Meta(description="`after` of the following page; null: none is left.")]


class HourPage(View):
    """Hours in order of time."""

    items: list[HourView]
    next: Annotated[datetime | None, Meta(description="`after` of the following page; null: none is left.")]


class SensorHourView(View):
    """What is left of a sensor's readings over one clock hour once they are dropped."""

    at: Annotated[datetime, Meta(description="Start of the hour.")]
    mean: Annotated[float, Meta(description="Of the readings, each counting alike, as measured.")]
    minimum: float
    maximum: float
    readings: Annotated[int, Meta(description="How many there were.")]


class SensorHourPage(View):
    """Hours of a sensor in order of time."""

    items: list[SensorHourView]
    next: Annotated[datetime | None, Meta(description="`after` of the following page; null: none is left.")]


PageT = TypeVar("PageT", ReadingPage, HourPage, SensorHourPage)


class DeadLetterView(View):
    """A payload that could not be stored as readings, kept with the reason."""

    id: int
    topic: str
    payload: Annotated[str, Meta(description="The payload, or its first part; what is not UTF-8 as \\xNN.")]
    size_bytes: int
    received_at: datetime
    reason: Annotated[str, Meta(description="A word.", examples=["out_of_range"])]
    detail: Annotated[str, Meta(description="A sentence.")]
    sensor_id: int | None


class DeadLetterPage(Page):
    """Dead letters, newest first."""

    items: list[DeadLetterView]


class UnknownTopicView(View):
    """A topic that no sensor claims."""

    topic: str
    first_seen_at: datetime
    last_seen_at: datetime
    messages: int
    last_payload: Annotated[str, Meta(description="What came last; what is not UTF-8 as \\xNN.")]


class UnknownTopicPage(View):
    """Unknown topics by name."""

    items: list[UnknownTopicView]
    next: Annotated[str | None, Meta(description="`after` of the following page; null: none is left.")]


@get("/sensors/{sensor_id:int}/readings", operation_id="listReadings", tags=["Conditions"], responses=READ)
async def list_readings(
    request: Request[Access, str, State],
    uow: Uow,
    access: Asker,
    sensor_id: RowId,
    from_: From = None,
    to: To = None,
    after: AfterMoment = None,
    limit: Samples = 1000,
) -> Response[ReadingPage]:
    """Read a sensor's values in order of time, as JSON or, with `Accept: text/csv`, as CSV.

    The next page of CSV is named in the header `Link`.
    """
    rows, following = await measurements.list_readings(
        uow,
        access,
        sensor_id,
        start=moment("from", from_),
        end=moment("to", to),
        after=moment("after", after),
        limit=limit,
    )
    items = [view(ReadingView, row) for row in rows]
    return _answer(request, ReadingView, ReadingPage(items=items, next=following))


@get("/zones/{zone_id:int}/hours", operation_id="listHours", tags=["Conditions"], responses=READ)
async def list_hours(
    request: Request[Access, str, State],
    uow: Uow,
    access: Asker,
    zone_id: RowId,
    from_: From = None,
    to: To = None,
    after: AfterMoment = None,
    limit: Samples = 1000,
) -> Response[HourPage]:
    """Read a zone's hours in order of time, as JSON or, with `Accept: text/csv`, as CSV.

    The next page of CSV is named in the header `Link`.
    """
    rows, following = await measurements.list_hours(
        uow,
        access,
        zone_id,
        start=moment("from", from_),
        end=moment("to", to),
        after=moment("after", after),
        limit=limit,
    )
    items = [view(HourView, row) for row in rows]
    return _answer(request, HourView, HourPage(items=items, next=following))


@get("/sensors/{sensor_id:int}/hours", operation_id="listSensorHours", tags=["Conditions"], responses=READ)
async def list_sensor_hours(
    request: Request[Access, str, State],
    uow: Uow,
    access: Asker,
    sensor_id: RowId,
    from_: From = None,
    to: To = None,
    after: AfterMoment = None,
    limit: Samples = 1000,
) -> Response[SensorHourPage]:
    """Read what is left of a sensor's readings that were dropped for their age, hour by hour, as JSON or CSV.

    The next page of CSV is named in the header `Link`.
    """
    rows, following = await measurements.list_sensor_hours(
        uow,
        access,
        sensor_id,
        start=moment("from", from_),
        end=moment("to", to),
        after=moment("after", after),
        limit=limit,
    )
    items = [view(SensorHourView, row) for row in rows]
    return _answer(request, SensorHourView, SensorHourPage(items=items, next=following))


class ZoneDayView(View):
    """A zone's conditions over one local day, from the hours that begin in it."""

    zone_id: int
    on: Annotated[date, Meta(description="Local day of the house.")]
    dli_mol: Annotated[
        float | None, Meta(description="Daily light integral as far as measured, mol m⁻² d⁻¹.")
    ]
    light_coverage: Annotated[float, Meta(description="Share of the day that was measured, 0 to 1.")]
    temp_mean_c: Annotated[float | None, Meta(description="Mean air temperature, °C.")]
    temp_min_c: float | None
    temp_max_c: float | None
    temp_coverage: Annotated[float, Meta(description="Share of the day that was measured, 0 to 1.")]


class ZoneDayList(View):
    """Local days by zone and day."""

    items: list[ZoneDayView]


@get("/houses/{house_id:int}/days", operation_id="listDays", tags=["Conditions"], responses=READ)
async def list_days(
    uow: Uow,
    clock: Now,
    access: Asker,
    house_id: RowId,
    from_: Annotated[
        date | None,
        QueryParameter(name="from", description="First local day; 29 days before `to`."),
    ] = None,
    to: Annotated[date | None, QueryParameter(description="Last local day; today if not said.")] = None,
    zone_id: Annotated[
        list[int] | None, QueryParameter(name="zoneId", description="Only of these zones.")
    ] = None,
) -> ZoneDayList:
    """Read what each zone got by local day: daily light integral, temperature, and how much of it was measured.

    Up to 400 days. A day of which nothing was measured is left out.
    """
    rows = await measurements.list_days(uow, clock, access, house_id, first=from_, last=to, zone_ids=zone_id)
    return ZoneDayList(
        items=[
            ZoneDayView(
                zone_id=row.zone_id,
                on=row.on,
                dli_mol=row.dli_mol,
                light_coverage=row.light_coverage,
                temp_mean_c=row.temp_mean_c,
                temp_min_c=row.temp_min_c,
                temp_max_c=row.temp_max_c,
                temp_coverage=row.temp_coverage,
            )
            for row in rows
        ]
    )


@get("/dead-letters", operation_id="listDeadLetters", tags=["Conditions"], responses=READ)
async def list_dead_letters(
    uow: Uow,
    access: Asker,
    reason: Annotated[str | None, QueryParameter(description="Only with this reason.")] = None,
    topic: Annotated[str | None, QueryParameter(description="Only of this topic.")] = None,
    sensor_id: OfSensor = None,
    after: After = None,
    limit: Limit = PAGE,
) -> DeadLetterPage:
    """List payloads that could not be stored, newest first; to a farm's token only those of its sensors."""
    rows, following = await measurements.list_dead_letters(
        uow, access, reason=reason, topic=topic, sensor_id=sensor_id, after=after, limit=limit
    )
    items = [
        DeadLetterView(
            id=row.id,
            topic=row.topic,
            payload=_text(row.payload),
            size_bytes=row.size_bytes,
            received_at=row.received_at,
            reason=row.reason,
            detail=row.detail,
            sensor_id=row.sensor_id,
        )
        for row in rows
    ]
    return DeadLetterPage(items=items, next=following)


@get("/unknown-topics", operation_id="listUnknownTopics", tags=["Conditions"], responses=READ)
async def list_unknown_topics(
    uow: Uow,
    access: Asker,
    after: Annotated[str | None, QueryParameter(description="`next` of the page before.")] = None,
    limit: Limit = PAGE,
) -> UnknownTopicPage:
    """List topics that no sensor claims, so that they can be given one. Takes a token for every farm."""
    rows, following = await measurements.list_unknown_topics(uow, access, after=after, limit=limit)
    items = [
        UnknownTopicView(
            topic=row.topic,
            first_seen_at=row.first_seen_at,
            last_seen_at=row.last_seen_at,
            messages=row.messages,
            last_payload=_text(row.last_payload),
        )
        for row in rows
    ]
    return UnknownTopicPage(items=items, next=following)


def _text(payload: bytes) -> str:
    return payload.decode("utf-8", "backslashreplace")


def _answer(request: Request[Access, str, State], kind: type[View], page: PageT) -> Response[PageT]:
    if request.accept.best_match(["application/json", _CSV]) != _CSV:
        return Response(page)
    headers = {}
    if page.next is not None:
        query = {**request.query_params.dict(), "after": _cell(page.next)}
        headers["Link"] = f'<{request.url.path}?{urlencode(query, doseq=True)}>; rel="next"'
    table = Response(_table(kind.__struct_fields__, page.items), media_type=_CSV, headers=headers)
    return cast("Response[PageT]", table)  # described as the page; CSV is the same in another form


def _table(columns: Sequence[str], items: Sequence[View]) -> str:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(camel(column) for column in columns)
    writer.writerows([_cell(getattr(item, column)) for column in columns] for item in items)
    return text.getvalue()


def _cell(value: Any) -> Any:
    return value.isoformat().replace("+00:00", "Z") if isinstance(value, datetime) else value
