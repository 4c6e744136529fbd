"""What a house yielded over a span of days, how evenly, and how right forecasts were."""

from __future__ import annotations

from typing import Any

from litestar import Response, get
from litestar.params import FromPath

from service.papers.charts import Chart, Series
from service.web.conditions import asked_days
from service.web.frame import Frame, Web, clock_of, frame_of, reading
from service.web.pictures import Figure, figure
from service.web.texts import catalogue
from service.work.errors import WorkError
from service.work.listing import MAX_LIMIT
from service.work.programme import list_successions
from service.work.reports import Report, house_report

_DAYS = 84


@get("/houses/{house_id:int}/report")
async def show_report(request: Web, house_id: FromPath[int]) -> Response[str]:
    """Show the report of a span of days."""
    report = None
    async with reading(request) as uow:
        frame = await frame_of(uow, request, house_id)
        first, last, problem = asked_days(request, frame, _DAYS)
        successions, _ = await list_successions(uow, frame.access, house_id=house_id, limit=MAX_LIMIT)
        try:
            if not problem:
                report = await house_report(uow, clock_of(request), frame.access, house_id, first, last)
        except WorkError as refused:
            problem = refused.detail
    return frame.page(
        "report.html",
        422 if problem else 200,
        first=first,
        last=last,
        problem=problem,
        report=report,
        figures=_figures(frame, report, f"/v1/houses/{house_id}/report.csv?from={first}&to={last}")
        if report
        else [],
        names={s.id: s.name for s in successions},
        csv=f"/v1/houses/{house_id}/report.csv?from={first}&to={last}",
    )


def _figures(frame: Frame, report: Report, csv: str) -> list[Figure]:
    f, t = frame.formats, catalogue().text
    weeks = report.weeks
    mondays = [w.monday for w in weeks]
    common: dict[str, Any] = {"x": mondays, "x_label": t("plan.week")}
    found = [
        figure(
            Chart(
                title=t("report.heads_title"),
                description=t("report.heads_sentence", n=report.heads, weeks=len(weeks)),
                y_label=t("plan.heads"),
                series=[Series(t("plan.heads"), "bar", [float(w.heads) for w in weeks])],
                name="heads",
                **common,
            ),
            [t("plan.week"), t("plan.heads"), t("report.kg"), t("report.heads_m2")],
            [
                [f.day(w.monday), f.number(w.heads), f.number(w.weight_kg, 1), f.number(w.heads_m2, 1)]
                for w in weeks
            ],
            f"{csv}&table=weeks",
        ),
        figure(
            Chart(
                title=t("report.use_title"),
                description=t("report.use_sentence", share=f.percent(report.site_use), sites=report.sites)
                if report.site_use is not None
                else t("report.use_none"),
                y_label=t("report.use_unit"),
                series=[
                    Series(
                        t("report.use"),
                        "step",
                        [None if w.site_use is None else 100.0 * w.site_use for w in weeks],
                    )
                ],
                name="site-use",
                **common,
            ),
            [t("plan.week"), t("report.use"), t("report.moved"), t("report.in_window")],
            [
                [
                    f.day(w.monday),
                    t("format.none") if w.site_use is None else f.percent(w.site_use),
                    f.number(w.transplants),
                    f.number(w.transplants_in_window),
                ]
                for w in weeks
            ],
            f"{csv}&table=weeks",
        ),
    ]
    if report.stages:
        found.append(_stages(frame, report, csv))
    errors = [e for e in report.forecast_errors if e.mean_absolute_days is not None]
    if errors:
        found.append(_errors(frame, report, csv))
    return found


def _stages(frame: Frame, report: Report, csv: str) -> Figure:
    f, t = frame.formats, catalogue().text
    names = [t(f"report.stage_{s.stage}") for s in report.stages]
    return figure(
        Chart(
            title=t("report.stages_title"),
            description=" ".join(
                t("report.stage_sentence", stage=name, days=f.plain(round(s.mean_days, 1)))
                for name, s in zip(names, report.stages, strict=True)
            ),
            x=names,
            x_label=t("report.stage"),
            y_label=t("advice.days"),
            series=[
                Series(t("report.least"), "bar", [s.least_days for s in report.stages]),
                Series(t("report.mean"), "bar", [s.mean_days for s in report.stages]),
                Series(t("report.most"), "bar", [s.most_days for s in report.stages]),
            ],
            name="stages",
        ),
        [t("report.stage"), t("report.batches"), t("report.least"), t("report.mean"), t("report.most")],
        [
            [name, f.number(s.batches), *(f.number(v, 1) for v in (s.least_days, s.mean_days, s.most_days))]
            for name, s in zip(names, report.stages, strict=True)
        ],
        f"{csv}&table=stages",
    )


def _errors(frame: Frame, report: Report, csv: str) -> Figure:
    f, t = frame.formats, catalogue().text
    errors = report.forecast_errors
    said = [
        t("report.error_sentence", n=e.lead_days, days=f.number(e.mean_absolute_days, 1))
        for e in errors
        if e.mean_absolute_days is not None and e.lead_days in {7, 14, 28}
    ]
    return figure(
        Chart(
            title=t("report.errors_title"),
            description=" ".join(said) or t("report.errors_some"),
            x=[float(e.lead_days) for e in errors],
            x_label=t("report.lead"),
            y_label=t("advice.days"),
            series=[
                Series(t("report.mean_error"), "line", [e.mean_absolute_days for e in errors]),
                Series(t("report.bias"), "line", [e.bias_days for e in errors]),
            ],
            name="forecast-errors",
        ),
        [t("report.lead"), t("report.batches"), t("report.mean_error"), t("report.bias"), t("report.inside")],
        [
            [
                f.number(e.lead_days),
                f.number(e.batches),
                f.number(e.mean_absolute_days, 1),
                f.number(e.bias_days, 1),
                t("format.none") if e.inside_share is None else f.percent(e.inside_share),
            ]
            for e in errors
        ],
        f"{csv}&table=forecastErrors",
    )
