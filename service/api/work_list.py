"""The work list of a house's day."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from litestar import get, post
from litestar.params import QueryParameter
from msgspec import Meta

from service.api.bodies import View, view
from service.api.operations import READ, Asker, Now, RowId, Uow
from service.api.problems import problem_responses
from service.api.tasks import TaskView
from service.work import work_list
from service.work.order_tasks import propose_all_work


class WorkView(View):
    """One task of a day."""

    task: TaskView
    minutes: Annotated[float, Meta(description="Minutes it is estimated to take.")]
    overdue: Annotated[bool, Meta(description="Whether it was due before this day and is not done.")]


class WorkDayView(View):
    """What is to be done in a house on a day."""

    house_id: int
    on: Annotated[date, Meta(description="Local day of the house.")]
    closed: Annotated[bool, Meta(description="Whether the house is closed on this day.")]
    minutes_left: Annotated[float, Meta(description="Estimated minutes of what is not done.")]
    items: Annotated[list[WorkView], Meta(description="The first due first.")]


class ProposedView(View):
    """What proposing did to the list."""

    created: Annotated[int, Meta(description="Tasks put on the list.")]
    moved: Annotated[int, Meta(description="Open tasks that fall on another day now.")]
    withdrawn: Annotated[int, Meta(description="Open tasks that nothing calls for any more.")]


@get("/houses/{house_id:int}/work", operation_id="getWork", tags=["Work"], responses=READ)
async def get_work(
    uow: Uow,
    clock: Now,
    access: Asker,
    house_id: RowId,
    on: Annotated[
        date | None, QueryParameter(description="Local day of the house; today if not said.")
    ] = None,
    person: Annotated[
        str | None, QueryParameter(description="Only what is assigned to this person, or to nobody.")
    ] = None,
) -> WorkDayView:
    """Read what is to be done in a house on a day: what is due, what is overdue by then, and what was done on it."""
    found = await work_list.work_on(uow, clock, access, house_id, on, person)
    return WorkDayView(
        house_id=found.house_id,
        on=found.on,
        closed=found.closed,
        minutes_left=round(found.minutes_left, 1),
        items=[
            WorkView(
                task=view(TaskView, work.task),
                minutes=work.minutes,
                overdue=work.task.done_at is None and work.task.due_on < found.on,
            )
            for work in found.work
        ],
    )


@post(
    "/houses/{house_id:int}/work",
    operation_id="proposeWork",
    tags=["Work"],
    responses=problem_responses(400, 401, 403, 404, 409),
    status_code=200,
)
async def propose_work(uow: Uow, clock: Now, access: Asker, house_id: RowId) -> ProposedView:
    """Put on the list what forecasts, advice or plan, the seed in stock and house events call for.

    Each forecast does so by itself, and the seed in stock is looked at every few hours.

    Each task is on the list once. It moves when its forecast moves, unless someone has given it another day, and goes
    when nothing calls for it any more. What people wrote is left alone.
    """
    return view(ProposedView, await propose_all_work(uow, clock, access, house_id))
