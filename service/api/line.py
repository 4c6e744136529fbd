"""The line of a house, and forecasting it again."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from datetime import date, datetime
from typing import Annotated

from litestar import get, post
from litestar.datastructures import State
from msgspec import Meta

from service.api.bodies import View, view
from service.api.conclusions import AdviceView, AlertView, SpanView, advice_view, alert_view, span_view
from service.api.operations import READ, Asker, Now, RowId, Uow
from service.records.store import Store
from service.work.line import HouseLine, LineBatch, house_line
from service.work.places import get_house
from service.work.reforecast import Run

Reforecast = Callable[[int], Awaitable[Run]]


class LineHouse(View):
    """The house."""

    id: int
    name: str
    time_zone: Annotated[str, Meta(description="IANA time zone of its local days.")]


class LineBatchView(View):
    """A batch on the line. Dates are null until the first forecast."""

    id: int
    code: str
    crop: str
    succession_id: int
    succession: str
    stage: Annotated[str, Meta(description="nursery or channels.", examples=["nursery"])]
    seeded_on: date
    plants: Annotated[int, Meta(description="Plants, or cells not counted yet, in place.")]
    leaves: Annotated[float | None, Meta(description="True leaves now, median.")]
    fresh_g: Annotated[float | None, Meta(description="Fresh weight a head now, g, median.")]
    emergence: SpanView | None
    window_open: SpanView | None
    window_close: SpanView | None
    transplant: SpanView | None
    harvest: SpanView | None
    forecast_at: datetime | None
    reasons: list[str]


class LineAdviceView(View):
    """Advice in force for one succession."""

    succession: str
    advice: AdviceView


class LineView(View):
    """A house at a glance: batches in order of harvest, advice in force, open alerts."""

    house: LineHouse
    at: Annotated[
        datetime,
        Meta(description="When it was read, within the last ten seconds; nothing has changed since."),
    ]
    batches: list[LineBatchView]
    advice: list[LineAdviceView]
    alerts: list[AlertView]


class RunView(View):
    """What forecasting a house again did."""

    house_id: int
    changed: Annotated[bool, Meta(description="False: nothing had changed since the last time.")]
    forecasts: int
    advice: int
    alerts_opened: int
    alerts_closed: int


@get(
    "/houses/{house_id:int}/line",
    operation_id="getLine",
    opt={"kept": "house_id"},
    tags=["House"],
    responses=READ,
)
async def get_line(uow: Uow, clock: Now, access: Asker, house_id: RowId) -> LineView:
    """Read a house at a glance: batches in order of expected harvest, advice in force, open alerts."""
    return line_view(await house_line(uow, clock, access, house_id))


@post(
    "/houses/{house_id:int}/reforecast",
    operation_id="reforecast",
    opt={"own_transactions": True},
    tags=["House"],
    responses=READ,
    status_code=200,
)
async def reforecast(state: State, access: Asker, house_id: RowId) -> RunView:
    """Forecast a house again now, and say what that did.

    What is recorded is forecast some seconds later anyway, and what sensors send at the next periodic run.
    """
    store: Store = state.store
    async with store.read() as uow:  # not held open: the run takes its own transactions
        await get_house(uow, access, house_id)
    run: Reforecast = state.reforecast
    return view(RunView, await run(house_id))


def line_view(line: HouseLine) -> LineView:
    """Return a line as shown."""
    return LineView(
        house=LineHouse(id=line.house_id, name=line.house, time_zone=line.time_zone),
        at=line.at,
        batches=[_batch(b) for b in line.batches],
        advice=[LineAdviceView(succession=a.succession, advice=advice_view(a.advice)) for a in line.advice],
        alerts=[alert_view(a) for a in line.alerts],
    )


def _batch(batch: LineBatch) -> LineBatchView:
    beyond = batch.not_within_days
    return LineBatchView(
        id=batch.id,
        code=batch.code,
        crop=batch.crop,
        succession_id=batch.succession_id,
        succession=batch.succession,
        stage=batch.stage,
        seeded_on=batch.seeded_on,
        plants=batch.plants,
        leaves=batch.leaves,
        fresh_g=batch.fresh_g,
        emergence=span_view(batch.emergence, beyond),
        window_open=span_view(batch.window_open, beyond),
        window_close=span_view(batch.window_close, beyond),
        transplant=span_view(batch.transplant, beyond),
        harvest=span_view(batch.harvest, beyond),
        forecast_at=batch.forecast_at,
        reasons=batch.reasons,
    )
