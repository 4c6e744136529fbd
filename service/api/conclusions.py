"""Forecasts, advice and alerts."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Annotated, Any, Literal

from litestar import get, post
from litestar.params import JSONBody, QueryParameter
from msgspec import UNSET, Meta, UnsetType, field

from service.api.bodies import Body, Page, View, view
from service.api.operations import CHANGE, PAGE, READ, After, Asker, Limit, Now, OfHouse, RowId, Uow
from service.records.tables import Advice, Alert, Forecast
from service.work import advice as advising
from service.work import alerts, conclusions
from service.work.line import Span, span

_WHY = Meta(
    description="The same as `code` and figures, to be worded in another language or unit; null: made before there were"
    " any.",
    examples=[[{"code": "measured", "zone": "Channels", "dliMol": 13.3, "meanC": 21.5}]],
)


class SpanView(View):
    """A date as 10, 50 and 90 % points; null: not reached within the horizon."""

    p10: datetime | None
    p50: datetime | None
    p90: datetime | None
    not_within_days: Annotated[
        int | UnsetType, Meta(description="The horizon, days, where the date may lie beyond it.")
    ] = UNSET


class SpreadView(View):
    """A figure as 10, 50 and 90 % points."""

    p10: float
    p50: float
    p90: float


class StateView(View):
    """What a plant of the batch is taken to be now."""

    leaves: Annotated[SpreadView, Meta(description="True leaves.")]
    fresh_g: Annotated[SpreadView, Meta(description="Fresh weight a head, g.")]


class PointsView(View):
    """Dates of a batch."""

    emergence: SpanView | None
    window_open: Annotated[SpanView | None, Meta(description="When seedlings are old enough to transplant.")]
    window_close: Annotated[SpanView | None, Meta(description="When they are too old.")]
    transplant: SpanView | None
    harvest: Annotated[SpanView | None, Meta(description="When heads are ready, or the next cut is.")]
    last_harvest: Annotated[
        SpanView | None, Meta(description="The last cut, of a crop of several, which frees the sites.")
    ] = None


class ForecastView(View):
    """What was expected of a batch at a moment, from what was known then."""

    id: int
    batch_id: int
    made_at: datetime
    horizon_days: int
    points: PointsView
    state: StateView
    filled_hours: Annotated[
        int | None,
        Meta(
            description="Hours since the batch stands where it stands of which light or temperature was not measured"
            " and is filled from the outlook; null: an old forecast, that did not count them."
        ),
    ]
    parameters: Annotated[dict[str, Any], Meta(description="What it was computed with.")]
    reasons: Annotated[list[str], Meta(description="What drove it, in sentences.")]
    why: Annotated[list[dict[str, Any]] | None, _WHY]


class ForecastPage(Page):
    """Forecasts of a batch, newest first."""

    items: list[ForecastView]


class SeedingView(View):
    """A seeding advised."""

    on: Annotated[date, Meta(description="Local day of the house.")]
    cells: int


class AdviceView(View):
    """What a succession is told about its seedings."""

    id: int
    succession_id: int
    made_at: datetime
    decision: Literal["hold", "shorten", "lengthen"]
    binding: Annotated[Literal["continuity", "sites", "window"], Meta(description="Which limit decides.")]
    interval_days: Annotated[float, Meta(description="Days between two seedings as practised.")]
    advised_interval_days: Annotated[float, Meta(description="Days between two seedings as advised.")]
    cells_per_seeding: int
    from_on: Annotated[date, Meta(description="First local day it holds for.")] = field(name="from")
    probability: Annotated[float, Meta(description="Of the direction advised, 0 to 1.")]
    seedings: list[SeedingView]
    outcome: Annotated[dict[str, Any], Meta(description="Figures with and without the change.")]
    reasons: Annotated[list[str], Meta(description="What drove it, in sentences.")]
    why: Annotated[list[dict[str, Any]] | None, _WHY]


class AdvicePage(Page):
    """Advice for a succession, newest first."""

    items: list[AdviceView]


class AcceptedAdviceView(View):
    """What accepting an advice did."""

    succession_id: Annotated[int, Meta(examples=[1])]
    created: Annotated[int, Meta(description="Seedings put on the list of tasks.", examples=[6])]
    withdrawn: Annotated[
        int, Meta(description="Open tasks of an earlier advice that are no longer in it.", examples=[1])
    ]
    interval_changed: Annotated[
        bool, Meta(description="Whether the succession's interval changed.", examples=[True])
    ]
    seeding_interval_days: Annotated[
        float, Meta(description="The succession's from now on, days.", examples=[5.5])
    ]
    cells_per_seeding: Annotated[
        int, Meta(description="The succession's, as before: a full seeding.", examples=[300])
    ]


class AlertView(View):
    """A condition that stays open until it ends."""

    id: int
    house_id: int
    kind: Annotated[str, Meta(examples=["sites_bind"])]
    subject: Annotated[str, Meta(examples=["succession:3"])]
    severity: Literal["info", "warning", "urgent"]
    title: str
    detail: str
    next_step: str
    evidence: dict[str, Any]
    words: Annotated[
        dict[str, Any] | None,
        Meta(
            description="What it says as a `code` and figures, to be worded in another language or unit; null: in"
            " sentences only.",
            examples=[None],
        ),
    ]
    opened_at: datetime
    updated_at: datetime
    closed_at: Annotated[datetime | None, Meta(description="Null: open.")]
    onset_at: Annotated[datetime | None, Meta(description="When it began; null: not known.")]
    size: Annotated[float | None, Meta(description="How much it is, in `sizeUnit`.", examples=[3.5])]
    size_unit: Annotated[str | None, Meta(examples=["degC"])]
    acknowledged_at: Annotated[datetime | None, Meta(description="Null: nobody has.")]
    acknowledged_by: Annotated[str | None, Meta(description="Who said that they deal with it.")]
    snoozed_until: Annotated[datetime | None, Meta(description="Nothing is sent of it before.")]


class AlertPage(Page):
    """Alerts, newest first."""

    items: list[AlertView]


class Snooze(Body):
    """For how long nothing is to be sent of an alert."""

    until: Annotated[
        datetime | None,
        Meta(description="A moment within 30 days; null: no longer.", examples=["2026-09-14T18:00:00Z"]),
    ]


def span_view(found: Span | None, horizon_days: int | None) -> SpanView | None:
    """Return a date as shown; the horizon is named where a point lies beyond it."""
    if found is None:
        return None
    censored = None in {found.p10, found.p50, found.p90} and horizon_days is not None
    return SpanView(
        p10=found.p10,
        p50=found.p50,
        p90=found.p90,
        not_within_days=horizon_days if censored and horizon_days is not None else UNSET,
    )


def forecast_view(row: Forecast) -> ForecastView:
    """Return a forecast as shown."""
    points = {
        event: span_view(span(row.points.get(event)), row.horizon_days)
        for event in PointsView.__struct_fields__
    }
    return ForecastView(
        id=row.id,
        batch_id=row.batch_id,
        made_at=row.made_at,
        horizon_days=row.horizon_days,
        points=PointsView(**points),
        state=StateView(leaves=_spread(row.state["leaves"]), fresh_g=_spread(row.state["freshG"])),
        filled_hours=row.parameters.get("filledHours"),
        parameters=row.parameters,
        reasons=row.reasons,
        why=row.why,
    )


def _spread(found: Mapping[str, float]) -> SpreadView:
    return SpreadView(p10=found["p10"], p50=found["p50"], p90=found["p90"])


def advice_view(row: Advice) -> AdviceView:
    """Return advice as shown."""
    return view(AdviceView, row)


def alert_view(row: Alert) -> AlertView:
    """Return an alert as shown."""
    return view(AlertView, row)


@get("/batches/{batch_id:int}/forecasts", operation_id="listForecasts", tags=["Batches"], responses=READ)
async def list_forecasts(
    uow: Uow, access: Asker, batch_id: RowId, after: After = None, limit: Limit = PAGE
) -> ForecastPage:
    """List a batch's forecasts, newest first: the first one holds. Older than 14 days there is one a day."""
    rows, following = await conclusions.list_forecasts(uow, access, batch_id, after=after, limit=limit)
    return ForecastPage(items=[forecast_view(row) for row in rows], next=following)


@get(
    "/successions/{succession_id:int}/advice",
    operation_id="listAdvice",
    opt={"kept": "any"},
    tags=["Successions"],
    responses=READ,
)
async def list_advice(
    uow: Uow, access: Asker, succession_id: RowId, after: After = None, limit: Limit = PAGE
) -> AdvicePage:
    """List what a succession was advised, newest first: the first one holds. Older than 14 days there is one a day."""
    rows, following = await conclusions.list_advice(uow, access, succession_id, after=after, limit=limit)
    return AdvicePage(items=[advice_view(row) for row in rows], next=following)


@post(
    "/successions/{succession_id:int}/advice/{advice_id:int}/accept",
    operation_id="acceptAdvice",
    tags=["Successions"],
    responses=CHANGE,
    status_code=200,
)
async def accept_advice(
    uow: Uow, clock: Now, access: Asker, succession_id: RowId, advice_id: RowId
) -> AcceptedAdviceView:
    """Follow an advice: its seedings become tasks, its interval the succession's. Doing it again changes nothing.

    What is followed must be what was read: 409 if it is no longer the advice in force, the first that is listed.
    """
    done = await advising.accept_advice(uow, clock, access, succession_id, advice_id)
    return AcceptedAdviceView(
        succession_id=done.succession.id,
        created=done.created,
        withdrawn=done.withdrawn,
        interval_changed=done.interval_changed,
        seeding_interval_days=done.succession.seeding_interval_days,
        cells_per_seeding=done.succession.cells_per_seeding,
    )


@get("/alerts", operation_id="listAlerts", tags=["House"], responses=READ)
async def list_alerts(
    uow: Uow,
    access: Asker,
    house_id: OfHouse = None,
    open_: Annotated[
        bool | None, QueryParameter(name="open", description="Only open ones, or only closed ones.")
    ] = None,
    after: After = None,
    limit: Limit = PAGE,
) -> AlertPage:
    """List alerts, newest first."""
    rows, following = await conclusions.list_alerts(
        uow, access, house_id=house_id, open_=open_, after=after, limit=limit
    )
    return AlertPage(items=[alert_view(row) for row in rows], next=following)


@get("/alerts/{alert_id:int}", operation_id="getAlert", tags=["House"], responses=READ)
async def get_alert(uow: Uow, access: Asker, alert_id: RowId) -> AlertView:
    """Read an alert."""
    return alert_view(await alerts.get_alert(uow, access, alert_id))


@post(
    "/alerts/{alert_id:int}/acknowledge",
    operation_id="acknowledgeAlert",
    tags=["House"],
    responses=CHANGE,
    status_code=200,
)
async def acknowledge_alert(uow: Uow, clock: Now, access: Asker, alert_id: RowId) -> AlertView:
    """Say that you deal with an alert: of it only a change for the worse and its end are sent from now on."""
    return alert_view(await alerts.acknowledge_alert(uow, clock, access, alert_id))


@post(
    "/alerts/{alert_id:int}/snooze",
    operation_id="snoozeAlert",
    tags=["House"],
    responses=CHANGE,
    status_code=200,
)
async def snooze_alert(
    uow: Uow, clock: Now, access: Asker, alert_id: RowId, data: JSONBody[Snooze]
) -> AlertView:
    """Have nothing sent of an alert until a moment, unless it gets worse or ends; then it is told of again."""
    return alert_view(await alerts.snooze_alert(uow, clock, access, alert_id, data.until))
