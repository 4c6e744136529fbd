"""The weeks ahead: what to seed, how full the house gets, orders against harvests, and what if."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Literal, get_args

from litestar import Response, get, post
from litestar.params import FromPath

from service.papers.charts import Chart, Series
from service.records.store import Store
from service.records.tables import Order
from service.web.forms import Form, Forms
from service.web.frame import Frame, Web, access_of, clock_of, frame_of, house_of, reading, see_other, writing
from service.web.pictures import Figure, csv_file, figure
from service.web.texts import catalogue
from service.work.crops import list_crops
from service.work.errors import NotFound, WorkError
from service.work.listing import MAX_LIMIT
from service.work.orders import PRICE_UNITS, change_order, create_order, list_orders, next_days
from service.work.places import list_zones
from service.work.planning import WEEKS, FarmPlan, accept_plan, make_plan
from service.work.planning.space import Space, WeekOfHeads, house_space, weeks_of_heads
from service.work.tasks import list_tasks

MOST_WEEKS = 52
SEEDINGS_SHOWN = 60

TableName = Literal["space", "heads", "seedings", "expected"]


@dataclass(frozen=True)
class _Ahead:
    """What is shown of the weeks ahead."""

    space: Space
    heads: Sequence[WeekOfHeads]
    plan: FarmPlan | None


# --------------------------------------------------------------------------- the plan


@get("/houses/{house_id:int}/plan")
async def show_plan(request: Web, house_id: FromPath[int]) -> Response[str]:
    """Show the weeks ahead as they are; make a plan, with what is tried out, if it is asked for."""
    form = Form.sent(catalogue(), request.query_params.multi_items())
    status, ahead, problem = 200, None, None
    try:
        ahead = await _look_ahead(request, house_id, form, plan=form.value("make") == "1")
    except NotFound:
        raise
    except WorkError as refused:
        form.refused(refused, _FIELDS)
        problem, status = refused, 422
        ahead = await _look_ahead(request, house_id, Form.blank(catalogue()), plan=False)
    async with reading(request) as uow:
        frame = await frame_of(uow, request, house_id)
        zones, _ = await list_zones(uow, frame.access, house_id=house_id, limit=MAX_LIMIT)
        orders, _ = await list_orders(
            uow, frame.access, farm_id=house_of(frame).farm_id, active=True, limit=MAX_LIMIT
        )
        today = frame.formats.local(frame.now).date()
        tasks, _ = await list_tasks(
            uow, frame.access, house_id=house_id, kind="seed", due_from=today, open_=True, limit=MAX_LIMIT
        )
    query = str(request.url.query or "")
    tried = ahead.plan is not None and any(
        form.value(name) for name in ("order_id", "zone_id", "lamp_hours", "labour_minutes")
    )
    if not form.value("weeks"):
        form.typed["weeks"] = [str(WEEKS)]
    return frame.page(
        "plan.html",
        status,
        form=form,
        problem=problem,
        plan=ahead.plan,
        figures=_figures(frame, ahead, query),
        tasks=sorted(tasks, key=lambda t: (t.due_on, t.id)),
        tried=tried,
        zones=[(zone.id, zone.name) for zone in zones],
        orders=[(order.id, order.buyer) for order in orders],
        query=query,
        shown=SEEDINGS_SHOWN,
        accepted={(t.succession_id, t.due_on): t.cells for t in tasks},
    )


_FIELDS = {
    "orders/0/order_id": "order_id",
    "orders/0/heads": "order_heads",
    "orders/0/price": "order_price",
    "zones/0/capacity": "zone_capacity",
    "zones/0/starts_on": "zone_from",
    "zones/0/ends_on": "zone_to",
    "houses/0/lamp_hours": "lamp_hours",
    "houses/0/labour_minutes": "labour_minutes",
}
"""Fields of the form, by what the plan calls them."""


def _wish(form: Form, house_id: int) -> dict[str, Any]:
    """Return what plan is wanted, and what is tried out."""
    wish: dict[str, Any] = {"weeks": form.whole("weeks") or WEEKS}
    order = form.checked(
        order_id=form.whole("order_id"),
        heads=form.whole("order_heads"),
        price=form.number("order_price"),
        active=False if form.value("order_off") else None,
    )
    zone = form.checked(
        zone_id=form.whole("zone_id"),
        capacity=form.whole("zone_capacity"),
        starts_on=form.day("zone_from"),
        ends_on=form.day("zone_to"),
    )
    house = form.checked(lamp_hours=form.number("lamp_hours"), labour_minutes=form.number("labour_minutes"))
    if "order_id" in order:
        wish["orders"] = [order]
    if "zone_id" in zone:
        wish["zones"] = [{"capacity": 0, **zone}]
    if house:
        wish["houses"] = [{"house_id": house_id, **house}]
    return wish


async def _look_ahead(request: Web, house_id: int, form: Form, *, plan: bool) -> _Ahead:
    """Return the weeks ahead; a plan takes seconds and its own transaction."""
    clock, access = clock_of(request), access_of(request)
    wish = _wish(form, house_id)
    weeks = min(max(wish["weeks"], 1), MOST_WEEKS)
    made = None
    if plan:
        async with reading(request) as uow:
            farm_id = house_of(await frame_of(uow, request, house_id)).farm_id
        store: Store = request.app.state.store
        made = await make_plan(store, clock, access, farm_id, wish | {"weeks": weeks})
    async with reading(request) as uow:
        await frame_of(uow, request, house_id)
        seedings = made.seedings if made else ()
        space = await house_space(uow, clock, access, house_id, 7 * weeks, seedings)
        heads = await weeks_of_heads(uow, clock, access, house_id, weeks)
    return _Ahead(space, heads, made)


def _figures(frame: Frame, ahead: _Ahead, query: str) -> list[Figure]:
    house_id = house_of(frame).id
    more = f"&{query}" if query else ""
    found = [
        _space_figure(frame, ahead.space, kind, f"/houses/{house_id}/plan.csv?table=space{more}")
        for kind in ("cells", "sites")
    ]
    by_crop: dict[str, list[WeekOfHeads]] = {}
    for week in ahead.heads:
        by_crop.setdefault(week.crop, []).append(week)
    if ahead.plan is not None:
        return [
            *found,
            *_expected_figures(frame, ahead.plan, f"/houses/{house_id}/plan.csv?table=expected{more}"),
        ]
    csv = f"/houses/{house_id}/plan.csv?table=heads{more}"
    return [
        *found,
        *(
            _heads_figure(
                frame,
                f"heads-{n}",
                crop,
                [(w.monday, w.ordered, w.expected) for w in weeks],
                csv,
                "plan.crop_sentence",
            )
            for n, (crop, weeks) in enumerate(by_crop.items())
        ),
    ]


def _space_figure(frame: Frame, space: Space, kind: str, csv: str) -> Figure:
    f, t = frame.formats, catalogue().text
    taken = [getattr(day, kind) for day in space.days]
    capacity = getattr(space, kind)
    fullest = max(space.days, key=lambda day: getattr(day, kind))
    over = [day for day in space.days if getattr(day, kind) > capacity]
    sentence = t(
        f"plan.{kind}_sentence",
        most=round(getattr(fullest, kind)),
        capacity=capacity,
        day=f.day(fullest.on),
    )
    if over:
        sentence += " " + t("plan.over", n=len(over), day=f.day(over[0].on))
    chart = Chart(
        title=t(f"plan.{kind}_title"),
        description=sentence,
        x=[day.on for day in space.days],
        x_label=t("plan.day"),
        y_label=t(f"plan.{kind}"),
        series=[
            Series(t("plan.taken"), "step", taken),
            Series(t("plan.there"), "step", [float(capacity)] * len(taken)),
        ],
        name=f"space-{kind}",
    )
    rows = [[f.day(day.on), f.number(getattr(day, kind)), f.number(capacity)] for day in space.days[::7]]
    return figure(chart, [t("plan.day"), t("plan.taken"), t("plan.there")], rows, csv)


def _heads_figure(
    frame: Frame,
    name: str,
    crop: str,
    weeks: Sequence[tuple[date, float, float]],
    csv: str,
    sentence: str,
) -> Figure:
    f, t = frame.formats, catalogue().text
    ordered, expected = sum(w[1] for w in weeks), sum(w[2] for w in weeks)
    short = [monday for monday, wanted, coming in weeks if coming < wanted]
    said = t(sentence, crop=crop, ordered=round(ordered), expected=round(expected))
    if short:
        said += " " + t("plan.short_weeks", n=len(short), day=f.short_day(short[0]))
    chart = Chart(
        title=t("plan.crop_title", crop=crop),
        description=said,
        x=[monday for monday, _, _ in weeks],
        x_label=t("plan.week"),
        y_label=t("plan.heads"),
        series=[
            Series(t("plan.ordered"), "bar", [w[1] for w in weeks]),
            Series(t("plan.coming"), "bar", [w[2] for w in weeks]),
        ],
        name=name,
    )
    rows = [[f.day(monday), f.number(wanted), f.number(coming)] for monday, wanted, coming in weeks]
    return figure(chart, [t("plan.week"), t("plan.ordered"), t("plan.coming")], rows, csv)


def _expected_figures(frame: Frame, plan: FarmPlan, csv: str) -> list[Figure]:
    """Return what is wanted and planned, crop by crop and week by week."""
    by_crop: dict[str, dict[date, list[float]]] = {}
    for item in plan.expected:
        monday = item.on - timedelta(days=item.on.weekday())
        both = by_crop.setdefault(item.crop, {}).setdefault(monday, [0.0, 0.0])
        both[0] += item.heads
        both[1] += item.planned
    return [
        _heads_figure(
            frame,
            f"planned-{n}",
            crop,
            [(monday, wanted, planned) for monday, (wanted, planned) in sorted(weeks.items())],
            csv,
            "plan.planned_sentence",
        )
        for n, (crop, weeks) in enumerate(sorted(by_crop.items()))
    ]


@get("/houses/{house_id:int}/plan.csv")
async def get_plan_csv(request: Web, house_id: FromPath[int]) -> Response[bytes]:
    """Return a table of the weeks ahead as CSV."""
    form = Form.sent(catalogue(), request.query_params.multi_items())
    table = form.value("table")
    ahead = await _look_ahead(request, house_id, form, plan=form.value("make") == "1")
    if table not in get_args(TableName):
        table = "space"
    if table == "heads":
        rows: list[list[Any]] = [[w.crop, w.monday, w.ordered, w.expected] for w in ahead.heads]
        return csv_file(f"plan-{house_id}-heads", ["crop", "week_from", "ordered", "expected"], rows)
    if table == "expected" and ahead.plan:
        rows = [[e.crop, e.buyer, e.on, e.heads, e.planned, e.short] for e in ahead.plan.expected]
        return csv_file(
            f"plan-{house_id}-expected", ["crop", "buyer", "on", "wanted", "planned", "short"], rows
        )
    if table == "seedings" and ahead.plan:
        rows = [[s.on, s.house, s.succession, s.trays, s.cells] for s in ahead.plan.seedings]
        return csv_file(f"plan-{house_id}-seedings", ["on", "house", "succession", "trays", "cells"], rows)
    rows = [[d.on, d.cells, ahead.space.cells, d.sites, ahead.space.sites] for d in ahead.space.days]
    return csv_file(f"plan-{house_id}-space", ["on", "cells_taken", "cells", "sites_taken", "sites"], rows)


@post("/houses/{house_id:int}/plan")
async def follow_plan(request: Web, house_id: FromPath[int]) -> Response[None]:
    """Accept the plan that was read: its seedings become tasks."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    seedings = []
    for line in form.typed.get("seeding", []):
        succession, _, rest = line.partition(" ")
        on, _, cells = rest.partition(" ")
        one = Form.blank(catalogue(), succession=succession, on=on, cells=cells)
        seedings.append(
            one.checked(succession_id=one.whole("succession"), on=one.day("on"), cells=one.whole("cells"))
        )
    values = form.checked(starts_on=form.day("starts_on"), ends_on=form.day("ends_on"))
    async with writing(request) as uow:
        frame = await frame_of(uow, request, house_id)
        await accept_plan(
            uow, clock_of(request), frame.access, house_of(frame).farm_id, {**values, "seedings": seedings}
        )
    return see_other(f"/houses/{house_id}/plan", "plan_accepted")


# --------------------------------------------------------------------------- orders


@get("/houses/{house_id:int}/orders")
async def show_orders(request: Web, house_id: FromPath[int]) -> Response[str]:
    """Show what buyers want."""
    return await _orders(request, house_id, Forms())


async def _orders(request: Web, house_id: int, forms: Forms, status: int = 200) -> Response[str]:
    async with reading(request) as uow:
        frame = await frame_of(uow, request, house_id)
        farm_id = house_of(frame).farm_id
        orders, _ = await list_orders(uow, frame.access, farm_id=farm_id, limit=MAX_LIMIT)
        crops, _ = await list_crops(uow, frame.access, farm_id=farm_id, limit=MAX_LIMIT)
    today = frame.formats.local(frame.now).date()
    return frame.page(
        "orders.html",
        status,
        orders=sorted(
            ((o, _next(o, today)) for o in orders), key=lambda item: (not item[0].active, item[0].buyer)
        ),
        crops={crop.id: crop.name for crop in crops},
        units=PRICE_UNITS,
        today=today,
        forms_sent=forms,
    )


def _next(order: Order, today: date) -> list[date]:
    return next_days(order, today) if order.active else []


def _order_values(form: Form) -> dict[str, Any]:
    kilograms = form.value("unit") == "kg"
    priced = form.value("price") != ""
    dates = [day for text in form.value("dates").replace(",", " ").split() if (day := _day(form, text))]
    return form.checked(
        crop_id=form.whole("crop_id"),
        buyer=form.text("buyer"),
        heads=None if kilograms else form.whole("amount"),
        weight_kg=form.number("amount") if kilograms else None,
        weekdays=form.wholes("weekdays") or None,
        starts_on=None if dates else form.day("starts_on"),
        ends_on=form.day("ends_on"),
        dates=dates or None,
        price=form.number("price"),
        price_currency=form.text("price_currency") if priced else None,
        price_unit=form.text("unit") if priced else None,
        note=form.text("note"),
    )


def _day(form: Form, text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        form.problems["dates"] = catalogue().text("form.not_a_day")
        return None


@post("/houses/{house_id:int}/orders")
async def add_order(request: Web, house_id: FromPath[int]) -> Response[Any]:
    """Take an order."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    try:
        async with writing(request) as uow:
            frame = await frame_of(uow, request, house_id)
            values = {"farm_id": house_of(frame).farm_id, **_order_values(form)}
            await create_order(uow, frame.access, values)
    except NotFound:
        raise
    except WorkError as refused:
        names = {"heads": "amount", "weight_kg": "amount"}
        return await _orders(request, house_id, Forms("order", form.refused(refused, names)), 422)
    return see_other(f"/houses/{house_id}/orders", "order_added")


@post("/houses/{house_id:int}/orders/{order_id:int}")
async def switch_order(request: Web, house_id: FromPath[int], order_id: FromPath[int]) -> Response[None]:
    """Call an order off, or take it up again."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    async with writing(request) as uow:
        frame = await frame_of(uow, request, house_id)
        await change_order(uow, frame.access, order_id, {"active": form.value("active") == "yes"})
    return see_other(f"/houses/{house_id}/orders", "order_changed")
