"""A house: its belt, what is to be done today, and what is advised."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from litestar import Response, get, post
from litestar.params import FromPath

from service.records.store import UnitOfWork
from service.records.tables import Advice, Alert, Succession, Task
from service.web.batches import RECORD, recorded_of
from service.web.belt import Belt, lay
from service.web.belt_batches import Batches
from service.web.frame import Frame, Web, access_of, clock_of, frame_of, reading, see_other, writing
from service.work.advice import ADVICE_NOTE, accept_advice, left_to_accept
from service.work.alerts import acknowledge_alert, snooze_alert
from service.work.line import HouseLine, LineBatch, house_line
from service.work.listing import MAX_LIMIT
from service.work.programme import list_successions
from service.work.tasks import cultivar_to_order, finish_task, list_tasks, reopen_task

SOON = timedelta(hours=36)
"""A harvest or transplant expected within it is today's or tomorrow's work."""
PUT_OFF = timedelta(days=1)
LATE_AFTER_DAYS = 30
"""Open tasks older than this are left off the work list; ours."""


@get("/")
async def show_start(request: Web) -> Response[Any]:
    """Lead to the only house, or show all of them, or what is to be set up first."""
    async with reading(request) as uow:
        frame = await frame_of(uow, request)
    if not frame.houses:
        return see_other("/houses/new") if frame.may("write") else frame.page("houses.html")
    if len(frame.houses) == 1:
        return see_other(f"/houses/{frame.houses[0].id}/today")
    return frame.page("houses.html")


# --------------------------------------------------------------------------- the belt


@get("/houses/{house_id:int}")
async def show_belt(request: Web, house_id: FromPath[int]) -> Response[str]:
    """Show the belt."""
    async with reading(request) as uow:
        frame = await frame_of(uow, request, house_id)
        line, belt = await _belt(uow, request, house_id)
    batches = Batches(belt, frame.formats)
    return frame.page("belt.html", line=line, belt=belt, batches=batches, wall="wall" in request.query_params)


@get("/houses/{house_id:int}/belt.csv")
async def get_belt_csv(request: Web, house_id: FromPath[int]) -> Response[bytes]:
    """Return what the belt shows as CSV; moments in UTC."""
    async with reading(request) as uow:
        line = await house_line(uow, clock_of(request), access_of(request), house_id)
    out = io.StringIO()
    rows = csv.writer(out)
    rows.writerow(
        [
            "batch",
            "crop",
            "succession",
            "stage",
            "seeded_on",
            "plants",
            "leaves_now",
            "fresh_g_now",
            *(f"{event}_{p}" for event in ("transplant", "harvest") for p in ("p10", "p50", "p90")),
        ]
    )
    rows.writerows(_csv_row(batch) for batch in line.batches)
    return Response(
        out.getvalue().encode(),
        media_type="text/csv; charset=utf-8",
        headers={"content-disposition": f'attachment; filename="belt-{house_id}.csv"'},
    )


def _csv_row(batch: LineBatch) -> list[object]:
    points = [
        moment.isoformat() if moment else ""
        for span in (batch.transplant, batch.harvest)
        for moment in ((span.p10, span.p50, span.p90) if span else (None, None, None))
    ]
    texts = [_csv_text(t) for t in (batch.code, batch.crop, batch.succession)]
    return [*texts, batch.stage, batch.seeded_on, batch.plants, batch.leaves, batch.fresh_g, *points]


def _csv_text(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula."""
    return f"'{text}" if text[:1] in {"=", "+", "-", "@", "\t"} else text


async def _belt(uow: UnitOfWork, request: Web, house_id: int) -> tuple[HouseLine, Belt]:
    line = await house_line(uow, clock_of(request), access_of(request), house_id)
    successions, _ = await list_successions(uow, access_of(request), house_id=house_id, limit=MAX_LIMIT)
    belt = lay(
        line.batches,
        line.at,
        {s.id: s.harvest_interval_days for s in successions if s.active},
        {s.id: s.name for s in successions},
    )
    return line, belt


# --------------------------------------------------------------------------- today


@get("/houses/{house_id:int}/today")
async def show_today(request: Web, house_id: FromPath[int]) -> Response[str]:
    """Show the work list, batches that are due, open alerts and advice in force."""
    async with reading(request) as uow:
        frame = await frame_of(uow, request, house_id)
        line = await house_line(uow, clock_of(request), frame.access, house_id)
        today = frame.formats.local(frame.now).date()
        tasks, _ = await list_tasks(
            uow,
            frame.access,
            house_id=house_id,
            due_from=today - timedelta(days=LATE_AFTER_DAYS),
            due_to=today + timedelta(days=7),
            limit=MAX_LIMIT,
        )
        successions, _ = await list_successions(uow, frame.access, house_id=house_id, limit=MAX_LIMIT)
    keep = {s.id: s.keep_share * s.cells_per_seeding for s in successions}
    open_tasks = sorted((t for t in tasks if t.done_at is None), key=lambda t: (t.due_on, t.id))
    ready = due(line.batches, frame)
    done = [t for t in tasks if t.done_at is not None and frame.formats.local(t.done_at).date() == today]
    return frame.page(
        "today.html",
        today=today,
        tasks=[t for t in open_tasks if t.due_on <= today],
        coming=[t for t in open_tasks if t.due_on > today],
        done=done,
        of_seed={t.id for t in tasks if t.kind == "order" and cultivar_to_order(t) is not None},
        due=ready,
        alerts=sorted(line.alerts, key=_gravest_first),
        changes=[item for item in line.advice if item.advice.decision != "hold"],
        usual={b.id: _usual(kind, b, keep) for kind, b in ready},
        recorded=recorded_of(request),
        record_scope=RECORD,
        keep=[f"/batches/{b.id}" for b in line.batches],
    )


def due(batches: Sequence[LineBatch], frame: Frame) -> list[tuple[str, LineBatch]]:
    """Return what can be recorded of which batch about now: transplants whose window is open, heads that are ready."""
    soon = frame.now + SOON
    found = []
    for batch in batches:
        if batch.stage == "nursery" and batch.window_open and batch.window_open.p50:
            if batch.window_open.p50 <= soon:
                found.append(("transplanted", batch))
        elif batch.stage == "channels" and batch.harvest and batch.harvest.p50 and batch.harvest.p50 <= soon:
            found.append(("harvested", batch))
    return found


def _usual(kind: str, batch: LineBatch, keep: Mapping[int, float]) -> int:
    """Return how many plants a form begins with: all heads, or the best seedlings."""
    if kind == "harvested":
        return batch.plants
    return min(batch.plants, round(keep.get(batch.succession_id, batch.plants)))


def _gravest_first(alert: Alert) -> tuple[int, float]:
    return {"urgent": 0, "warning": 1}.get(alert.severity, 2), -alert.opened_at.timestamp()


@post("/tasks/{task_id:int}/done", opt={"scope": RECORD})
async def tick_task(request: Web, task_id: FromPath[int]) -> Response[None]:
    """Tick a task off."""
    async with writing(request) as uow:
        task = await finish_task(uow, clock_of(request), access_of(request), task_id)
    return see_other(f"/houses/{task.house_id}/today", "task_done")


@post("/tasks/{task_id:int}/open", opt={"scope": RECORD})
async def untick_task(request: Web, task_id: FromPath[int]) -> Response[None]:
    """Take a tick back."""
    async with writing(request) as uow:
        task = await reopen_task(uow, access_of(request), task_id)
    return see_other(f"/houses/{task.house_id}/today", "task_open")


@post("/alerts/{alert_id:int}/acknowledge")
async def see_to_alert(request: Web, alert_id: FromPath[int]) -> Response[None]:
    """Say that one sees to an alert."""
    async with writing(request) as uow:
        alert = await acknowledge_alert(uow, clock_of(request), access_of(request), alert_id)
    return see_other(f"/houses/{alert.house_id}/today", "alert_seen_to")


@post("/alerts/{alert_id:int}/snooze")
async def put_alert_off(request: Web, alert_id: FromPath[int]) -> Response[None]:
    """Have nothing sent of an alert for a day."""
    clock = clock_of(request)
    async with writing(request) as uow:
        alert = await snooze_alert(uow, clock, access_of(request), alert_id, clock.now() + PUT_OFF)
    return see_other(f"/houses/{alert.house_id}/today", "alert_put_off")


# --------------------------------------------------------------------------- advice


@get("/houses/{house_id:int}/advice")
async def show_advice(request: Web, house_id: FromPath[int]) -> Response[str]:
    """Show the advice in force for every succession."""
    async with reading(request) as uow:
        frame = await frame_of(uow, request, house_id)
        line = await house_line(uow, clock_of(request), frame.access, house_id)
        successions, _ = await list_successions(uow, frame.access, house_id=house_id, limit=MAX_LIMIT)
        today = frame.formats.local(frame.now).date()
        tasks, _ = await list_tasks(
            uow, frame.access, house_id=house_id, kind="seed", due_from=today, open_=True, limit=MAX_LIMIT
        )
    by_id = {s.id: s for s in successions}
    shown = [
        (
            by_id[item.advice.succession_id],
            item.advice,
            _comparison(by_id[item.advice.succession_id], item.advice),
        )
        for item in line.advice
    ]
    return frame.page(
        "advice.html",
        shown=shown,
        waiting=[s for s in successions if s.active and s.id not in {a.succession_id for _, a, _ in shown}],
        listed={(t.succession_id, t.due_on): t.cells for t in tasks},
        followed={a.succession_id: is_followed(by_id[a.succession_id], a, tasks, today) for _, a, _ in shown},
        left_over={t.succession_id for t in tasks if t.note == ADVICE_NOTE},
        dated=dated,
    )


def is_followed(succession: Succession, advice: Advice, tasks: Sequence[Task], today: date) -> bool:
    """Whether accepting the advice would change nothing: its seedings are on the work list, and no other of advice."""
    own = [task for task in tasks if task.succession_id == succession.id]
    same_interval = succession.seeding_interval_days == advice.advised_interval_days
    return same_interval and not any(left_to_accept(advice, own, today))


def dated(advice: Advice) -> list[tuple[date, int]]:
    """Return the seedings of an advice: day, cells."""
    return [(date.fromisoformat(s["on"]), int(s["cells"])) for s in advice.seedings]


def _comparison(succession: Succession, advice: Advice) -> list[tuple[str, float, float]]:
    """Return the days between harvests as wished, without the change and with it: name, days, share of the longest."""
    found = [
        ("wished", succession.harvest_interval_days),
        ("without", advice.outcome.get("harvestGapDaysWithout")),
        ("with", advice.outcome.get("harvestGapDaysWith")),
    ]
    known = [(name, float(days)) for name, days in found if days is not None]
    longest = max((days for _, days in known), default=1.0)
    return [(name, days, round(100.0 * days / longest, 1)) for name, days in known]


@post("/successions/{succession_id:int}/accept")
async def follow_advice(request: Web, succession_id: FromPath[int]) -> Response[None]:
    """Accept the advice that was read."""
    form = await request.form()
    typed = str(form.get("advice", ""))
    advice_id = int(typed) if typed.isascii() and typed.isdigit() else 0
    async with writing(request) as uow:
        done = await accept_advice(uow, clock_of(request), access_of(request), succession_id, advice_id)
    return see_other(f"/houses/{done.succession.house_id}/advice", "advice_accepted")
