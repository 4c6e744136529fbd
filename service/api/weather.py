"""Weather forecasts that are pushed in, and a house's transmission."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from litestar import get, post
from litestar.datastructures import State
from litestar.params import JSONBody, QueryParameter, RawBody
from msgspec import UNSET, Meta, UnsetType

from service.api.bodies import Body, View, view
from service.api.imports import LARGEST_BYTES, CsvOperation, DryRun, ImportView, import_view
from service.api.operations import CHANGE, READ, Asker, Now, RowId, Uow, moment
from service.api.problems import problem_responses
from service.records.store import Store
from service.work import reforecast, weather

At = Annotated[datetime, Meta(description="Start of a clock hour in UTC.", examples=["2026-11-25T09:00:00Z"])]
GlobalWM2 = Annotated[
    float | None,
    Meta(description="Global radiation outdoors, mean over the hour, W m⁻², 0 to 1500.", examples=[120.0]),
]
TempOutC = Annotated[float | None, Meta(description="Temperature outdoors, °C, -60 to 60.", examples=[6.5])]
IssuedAt = Annotated[
    datetime, Meta(description="When the forecast was issued.", examples=["2026-11-25T06:00:00Z"])
]


class WeatherHourNew(Body):
    """One hour of a weather forecast; it says radiation, temperature or both."""

    at: At
    global_w_m2: GlobalWM2 | UnsetType = UNSET
    temp_out_c: TempOutC | UnsetType = UNSET


class WeatherNew(Body):
    """A weather forecast for a house."""

    hours: Annotated[list[WeatherHourNew], Meta(description="Its hours, 1 to 500.")]
    issued_at: IssuedAt | UnsetType = UNSET


class WeatherHourView(View):
    """One hour of the weather forecast that holds."""

    at: At
    issued_at: IssuedAt
    global_w_m2: GlobalWM2
    temp_out_c: TempOutC


class WeatherView(View):
    """The weather forecast that holds for a house, from this hour on."""

    items: list[WeatherHourView]


class WeatherStored(View):
    """What was stored."""

    hours: Annotated[int, Meta(description="Hours of the forecast.")]


class TransmissionView(View):
    """A house's light transmission, and how it is known."""

    value: Annotated[float, Meta(description="Light inside over light outside, without shade paint; in use.")]
    spread: Annotated[float, Meta(description="Its relative standard deviation.")]
    how: Annotated[
        Literal["outdoor_sensor", "clear_sky", "stated"],
        Meta(description="Learned beside an outdoor light sensor, from clear hours, or only stated."),
    ]
    days: Annotated[int, Meta(description="Measured days behind it.")]
    learned: Annotated[float | None, Meta(description="What the measurements alone say; null: too few.")]
    stated: Annotated[float, Meta(description="The house's `lightTransmission`.")]


@post(
    "/houses/{house_id:int}/weather-forecasts",
    operation_id="pushWeather",
    tags=["Conditions"],
    responses=CHANGE,
    status_code=200,
)
async def push_weather(
    uow: Uow, clock: Now, access: Asker, house_id: RowId, data: JSONBody[WeatherNew]
) -> WeatherStored:
    """Push a weather forecast for a house.

    The outlook follows it, closely at first and less the longer ago it was issued; after ten days not at all. Of
    several issues the newest holds, hour by hour.
    """
    issued = None if data.issued_at is UNSET else data.issued_at
    hours = [hour.given() for hour in data.hours]
    return WeatherStored(hours=await weather.push_weather(uow, clock, access, house_id, hours, issued))


@get(
    "/houses/{house_id:int}/weather-forecasts",
    operation_id="getWeather",
    tags=["Conditions"],
    responses=READ,
)
async def get_weather(uow: Uow, clock: Now, access: Asker, house_id: RowId) -> WeatherView:
    """Read the weather forecast that holds for a house, from this hour on."""
    rows = await weather.list_weather(uow, clock, access, house_id)
    return WeatherView(items=[view(WeatherHourView, row) for row in rows])


@post(
    "/houses/{house_id:int}/imports/weather-forecast",
    operation_id="importWeather",
    opt={"own_transactions": True},
    tags=["Import"],
    responses=problem_responses(400, 401, 403, 404, 409, 413, 422),
    status_code=200,
    dto=None,
    request_max_body_size=LARGEST_BYTES,
    operation_class=CsvOperation,
)
async def import_weather(
    state: State,
    clock: Now,
    access: Asker,
    house_id: RowId,
    body: RawBody,
    issued_at: Annotated[
        str | None,
        QueryParameter(
            name="issuedAt",
            description="When it was issued, with its offset; now, if not said.",
            schema_extra={"format": "date-time"},
        ),
    ] = None,
    dry_run: DryRun = False,
) -> ImportView:
    """Push a weather forecast for a house as CSV.

    Columns `at` (start of a clock hour), `globalWM2` (W m⁻²) and `tempOutC` (°C), of the latter two at least one. All
    or nothing: if anything is wrong, the answer is 422 with every fault, and nothing is stored.
    """
    store: Store = state.store
    issued = moment("issuedAt", issued_at)
    async with store.read() if dry_run else store.write() as uow:
        return import_view(
            await weather.import_weather(uow, clock, access, house_id, body, issued, dry_run=dry_run)
        )


@get(
    "/houses/{house_id:int}/transmission",
    operation_id="getTransmission",
    tags=["House"],
    responses=READ,
)
async def get_transmission(uow: Uow, clock: Now, access: Asker, house_id: RowId) -> TransmissionView:
    """Read a house's light transmission as forecasts use it, and how it is known."""
    house, known = await reforecast.read_transmission(uow, clock, access, house_id)
    return TransmissionView(**reforecast.transmission_json(known), stated=house.light_transmission)
