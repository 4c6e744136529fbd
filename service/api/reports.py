"""What a house yielded, how evenly, and how right the forecasts were: numbers, CSV and pictures."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from litestar import Response, get
from litestar.openapi.datastructures import ResponseSpec
from litestar.params import QueryParameter
from msgspec import Meta

from service.api.bodies import View, view
from service.api.exports import attachment
from service.api.operations import READ, Asker, FirstDay, LastDay, Now, RowId, Uow
from service.papers.charts import SVG_TYPE, Chart, Series, svg
from service.papers.sheets import CSV_TYPE, Table, csv_bytes
from service.work import reports
from service.work.reports import Report

_CSV = {200: ResponseSpec(bytes, media_type=CSV_TYPE, description="CSV.", generate_examples=False)}
_SVG = {200: ResponseSpec(str, media_type=SVG_TYPE, description="A picture.", generate_examples=False)}


class WeekView(View):
    """One week of a house, Monday to Sunday, local."""

    monday: date
    days: Annotated[int, Meta(description="Days of it in the span; 7: the whole week.")]
    heads: Annotated[int, Meta(description="Heads harvested.")]
    weight_kg: Annotated[float | None, Meta(description="Null: some heads were not weighed.")]
    heads_m2: Annotated[float | None, Meta(description="Heads a square metre of channels.")]
    weight_kg_m2: Annotated[float | None, Meta(description="kg a square metre of channels.")]
    site_use: Annotated[float | None, Meta(description="Mean share of the sites taken at noon.")]
    transplants: Annotated[int, Meta(description="Plants transplanted.")]
    transplants_judged: Annotated[int, Meta(description="Of those, plants whose age is known.")]
    transplants_in_window: Annotated[int, Meta(description="Of those, plants in the transplant window.")]


class RegularityView(View):
    """How evenly one succession was harvested."""

    succession_id: int
    harvest_days: int
    interval_mean_days: float | None
    interval_cv: Annotated[
        float | None, Meta(description="Standard deviation over mean of the days between harvest days.")
    ]


class StageView(View):
    """Days that batches spent in a stage that ended in the span."""

    stage: Annotated[
        Literal["emergence", "nursery", "channels", "total"],
        Meta(description="To emergence; to first transplant; from that to first harvest; to first harvest."),
    ]
    batches: int
    mean_days: float
    least_days: float
    most_days: float


class LeadErrorView(View):
    """How far off forecasts of the harvest were, so many days before it."""

    lead_days: int
    batches: int
    bias_days: Annotated[
        float | None,
        Meta(description="Mean of median forecast minus harvest; above 0: the forecast was late."),
    ]
    mean_absolute_days: float | None
    inside_share: Annotated[float | None, Meta(description="Harvests inside the 10 to 90 % range, 0 to 1.")]
    not_reached: Annotated[
        int, Meta(description="Forecasts that did not reach the harvest within their horizon; in no mean.")
    ]


class ReportView(View):
    """What a house yielded over a span of days, and how evenly."""

    house_id: int
    house: str
    first: date
    last: date
    area_m2: Annotated[float, Meta(description="Of the channels: sites over plants a square metre.")]
    sites: int
    heads: int
    weight_kg: float | None
    heads_m2_week: float | None
    weight_kg_m2_week: float | None
    site_use: float | None
    transplants: int
    transplants_judged: int
    window_share: Annotated[
        float | None,
        Meta(
            description="Share of the judged transplants in the window: by the last leaf count of the week before,"
            " else between the medians of the forecast that held then."
        ),
    ]
    weekly_heads_cv: Annotated[
        float | None, Meta(description="Standard deviation over mean of the heads of whole weeks.")
    ]
    seeds: Annotated[int, Meta(description="Sown in the batches finished in the span.")]
    seeds_per_head_harvested: float | None
    seeds_per_head_sold: float | None
    weeks: list[WeekView]
    regularity: list[RegularityView]
    stages: list[StageView]
    forecast_errors: list[LeadErrorView]
    forecast_batches_left_out: Annotated[int, Meta(description="Batches cut early, or held.")]


@get("/houses/{house_id:int}/report", operation_id="getReport", tags=["House"], responses=READ)
async def get_report(
    uow: Uow, clock: Now, access: Asker, house_id: RowId, first: FirstDay = None, last: LastDay = None
) -> ReportView:
    """Read what a house yielded, how evenly, and how right forecasts were. The last twelve weeks if not said."""
    return view(ReportView, await reports.house_report(uow, clock, access, house_id, first, last))


@get(
    "/houses/{house_id:int}/report.csv",
    operation_id="getReportCsv",
    tags=["House"],
    responses={**READ, **_CSV},
    media_type=CSV_TYPE,
)
async def get_report_csv(
    uow: Uow,
    clock: Now,
    access: Asker,
    house_id: RowId,
    first: FirstDay = None,
    last: LastDay = None,
    table: Annotated[
        Literal["weeks", "stages", "forecastErrors", "regularity"],
        QueryParameter(description="Which table of the report."),
    ] = "weeks",
) -> Response[bytes]:
    """Take one table of a house's report as CSV."""
    report = await reports.house_report(uow, clock, access, house_id, first, last)
    content = csv_bytes(_table(report, table))
    return attachment(content, CSV_TYPE, f"report-{house_id}-{table}-{report.first}-{report.last}.csv")


@get(
    "/houses/{house_id:int}/report.svg",
    operation_id="getReportPicture",
    tags=["House"],
    responses={**READ, **_SVG},
    media_type=SVG_TYPE,
)
async def get_report_picture(
    uow: Uow,
    clock: Now,
    access: Asker,
    house_id: RowId,
    first: FirstDay = None,
    last: LastDay = None,
    show: Annotated[
        Literal["heads", "weight", "siteUse", "stages", "forecastErrors"],
        QueryParameter(description="What the picture shows."),
    ] = "heads",
) -> Response[bytes]:
    """See one table of a house's report as a picture."""
    report = await reports.house_report(uow, clock, access, house_id, first, last)
    picture = svg(report_chart(report, show)).encode()
    return attachment(picture, SVG_TYPE, f"report-{house_id}-{show}.svg", inline=True)


def _table(report: Report, table: str) -> Table:
    columns: tuple[str, ...]
    if table == "weeks":
        columns = (
            "Week from Monday",
            "Days",
            "Heads",
            "Weight (kg)",
            "Heads per square metre",
            "Weight per square metre (kg)",
            "Sites in use (share)",
            "Plants transplanted",
            "Plants whose age is known",
            "Plants in the window",
        )
        rows = [[getattr(week, name) for name in WeekView.__struct_fields__] for week in report.weeks]
        return Table("Weeks", columns, rows)
    if table == "stages":
        columns = ("Stage", "Batches", "Mean (days)", "Least (days)", "Most (days)")
        rows = [[getattr(s, name) for name in StageView.__struct_fields__] for s in report.stages]
        return Table("Days by stage", columns, rows)
    if table == "regularity":
        columns = ("Succession", "Harvest days", "Mean interval (days)", "Coefficient of variation")
        rows = [[getattr(r, name) for name in RegularityView.__struct_fields__] for r in report.regularity]
        return Table("Regularity", columns, rows)
    columns = (
        "Days before harvest",
        "Batches",
        "Bias (days)",
        "Mean error (days)",
        "Inside the range (share)",
        "Not reached",
    )
    rows = [[getattr(e, name) for name in LeadErrorView.__struct_fields__] for e in report.forecast_errors]
    return Table("Forecast errors", columns, rows)


def report_chart(report: Report, show: str) -> Chart:
    """Return the chart of one table of a report."""
    when = f"{report.house}, {report.first} to {report.last}"
    mondays = [week.monday for week in report.weeks]
    if show == "stages":
        return Chart(
            title=f"Days by stage: {when}",
            description="; ".join(
                f"{s.stage} {s.mean_days:.1f} days on average, {s.least_days:.1f} to {s.most_days:.1f}"
                for s in report.stages
            )
            or "No batch ended a stage.",
            x=[s.stage for s in report.stages],
            x_label="stage",
            y_label="days",
            series=[
                Series("mean", "bar", [s.mean_days for s in report.stages]),
                Series("least", "bar", [s.least_days for s in report.stages]),
                Series("most", "bar", [s.most_days for s in report.stages]),
            ],
        )
    if show == "forecastErrors":
        errors = report.forecast_errors
        return Chart(
            title=f"Forecast error: {when}",
            description="; ".join(
                f"{e.lead_days} days before, off by {e.mean_absolute_days:.1f} days"
                for e in errors
                if e.mean_absolute_days is not None
            )
            or "No forecast can be judged.",
            x=[float(e.lead_days) for e in errors],
            x_label="days before the harvest",
            y_label="days",
            series=[
                Series("mean error", "line", [e.mean_absolute_days for e in errors]),
                Series("bias", "line", [e.bias_days for e in errors]),
            ],
        )
    if show == "siteUse":
        use = None if report.site_use is None else f"{report.site_use:.0%}"
        return Chart(
            title=f"Sites in use: {when}",
            description=f"On average {use} of {report.sites} sites." if use else "The house has no channels.",
            x=mondays,
            x_label="week from Monday",
            y_label="% of sites",
            series=[
                Series(
                    "sites in use",
                    "step",
                    [None if w.site_use is None else 100.0 * w.site_use for w in report.weeks],
                )
            ],
        )
    if show == "weight":
        kg = "of unknown weight" if report.weight_kg is None else f"{report.weight_kg:.1f} kg"
        return Chart(
            title=f"Weight harvested: {when}",
            description=f"{report.heads} heads, {kg}, by week.",
            x=mondays,
            x_label="week from Monday",
            y_label="kg per square metre",
            series=[Series("weight", "bar", [w.weight_kg_m2 for w in report.weeks])],
        )
    return Chart(
        title=f"Heads harvested: {when}",
        description=f"{report.heads} heads in {len(report.weeks)} weeks.",
        x=mondays,
        x_label="week from Monday",
        y_label="heads",
        series=[Series("heads", "bar", [float(w.heads) for w in report.weeks])],
    )
