"""Tasks."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Literal

from litestar import Controller, Response, get, patch, post
from litestar.params import JSONBody, QueryParameter
from msgspec import UNSET, Meta, UnsetType

from service.api.bodies import Body, Page, View, page
from service.api.operations import (
    CHANGE,
    CREATE,
    ETAG,
    LOCATION,
    PAGE,
    READ,
    RECORD,
    After,
    Asker,
    IfMatch,
    Limit,
    Now,
    OfBatch,
    OfHouse,
    RowId,
    Uow,
    made,
    one,
    seen_version,
)
from service.work import tasks

KindWord = Literal[
    "seed", "wet", "count", "weigh", "transplant", "harvest", "discard", "order", "clean", "check"
]

HouseId = Annotated[int, Meta(description="The house it is to be done in.", examples=[1])]
Kind = Annotated[KindWord, Meta(description="What kind of work it is.")]
DueOn = Annotated[
    date, Meta(description="Local day of the house on which it is due.", examples=["2026-09-14"])
]
Title = Annotated[str, Meta(description="What is to be done.", examples=["Seed 200 cells of butterhead"])]
SuccessionId = Annotated[
    int | None, Meta(description="The succession it serves, of the same house.", examples=[1])
]
BatchId = Annotated[int | None, Meta(description="The batch it is about, of the same house.", examples=[1])]
Cells = Annotated[int | None, Meta(description="How many cells, of a seeding.", examples=[200])]
Plants = Annotated[int | None, Meta(description="How many plants.", examples=[160])]
Note = Annotated[str | None, Meta(description="Anything worth knowing.", examples=["from the new lot"])]
AssignedTo = Annotated[str | None, Meta(description="Who is to do it; null: anyone.", examples=["crew 1"])]
SectionId = Annotated[
    int | None, Meta(description="The section it is in, of the same house.", examples=[None])
]
MinutesEstimated = Annotated[
    float | None, Meta(description="Minutes it is to take; null: as such work took so far.", examples=[None])
]
MinutesTaken = Annotated[
    float | None, Meta(description="Minutes it took; estimates learn from them.", examples=[None])
]
DueFrom = Annotated[date | None, QueryParameter(name="dueFrom", description="Only due on this day or later.")]
DueTo = Annotated[date | None, QueryParameter(name="dueTo", description="Only due on this day or before.")]


class TaskNew(Body):
    """A task to be put on a house's list."""

    house_id: HouseId
    kind: Kind
    due_on: DueOn
    title: Title
    succession_id: SuccessionId | UnsetType = UNSET
    batch_id: BatchId | UnsetType = UNSET
    cells: Cells | UnsetType = UNSET
    plants: Plants | UnsetType = UNSET
    note: Note | UnsetType = UNSET
    assigned_to: AssignedTo | UnsetType = UNSET
    section_id: SectionId | UnsetType = UNSET
    minutes_estimated: MinutesEstimated | UnsetType = UNSET
    minutes_taken: MinutesTaken | UnsetType = UNSET


class TaskChange(Body):
    """What is to be different about a task."""

    kind: Kind | UnsetType = UNSET
    due_on: DueOn | UnsetType = UNSET
    title: Title | UnsetType = UNSET
    succession_id: SuccessionId | UnsetType = UNSET
    batch_id: BatchId | UnsetType = UNSET
    cells: Cells | UnsetType = UNSET
    plants: Plants | UnsetType = UNSET
    note: Note | UnsetType = UNSET
    assigned_to: AssignedTo | UnsetType = UNSET
    section_id: SectionId | UnsetType = UNSET
    minutes_estimated: MinutesEstimated | UnsetType = UNSET
    minutes_taken: MinutesTaken | UnsetType = UNSET


class TaskView(View):
    """Something to be done in a house on a day."""

    id: int
    house_id: HouseId
    kind: Kind
    due_on: DueOn
    title: Title
    succession_id: SuccessionId
    batch_id: BatchId
    cells: Cells
    plants: Plants
    note: Note
    assigned_to: AssignedTo
    section_id: SectionId
    minutes_estimated: MinutesEstimated
    minutes_taken: MinutesTaken
    proposed_on: Annotated[
        date | None,
        Meta(
            description="Of one that follows from a forecast, advice or event: the day that calls for."
            " While it is due on that day it moves with it."
        ),
    ]
    done_entry_id: Annotated[
        int | None, Meta(description="The entry of a batch's ledger that ticked it off, if one did.")
    ]
    done_at: Annotated[datetime | None, Meta(description="When it was ticked off; null: it is open.")]
    done_by: Annotated[str | None, Meta(description="Name of the token that ticked it off.")]
    version: int


class TaskPage(Page):
    """Tasks."""

    items: list[TaskView]


class Tasks(Controller):
    """Tasks."""

    path = "/tasks"
    tags = ("Work",)

    @get(operation_id="listTasks", responses=READ)
    async def list_tasks(
        self,
        uow: Uow,
        access: Asker,
        house_id: OfHouse = None,
        kind: Annotated[KindWord | None, QueryParameter(description="Only of this kind.")] = None,
        batch_id: OfBatch = None,
        due_from: DueFrom = None,
        due_to: DueTo = None,
        open_: Annotated[
            bool | None, QueryParameter(name="open", description="Only open ones, or only those done.")
        ] = None,
        after: After = None,
        limit: Limit = PAGE,
    ) -> TaskPage:
        """List tasks."""
        rows = await tasks.list_tasks(
            uow,
            access,
            house_id=house_id,
            kind=kind,
            batch_id=batch_id,
            due_from=due_from,
            due_to=due_to,
            open_=open_,
            after=after,
            limit=limit,
        )
        return page(TaskPage, rows)

    @post(operation_id="createTask", responses=CREATE, response_headers=[ETAG, LOCATION])
    async def create_task(self, uow: Uow, access: Asker, data: JSONBody[TaskNew]) -> Response[TaskView]:
        """Put a task on a house's list."""
        return made(TaskView, await tasks.create_task(uow, access, data.given()), "/v1/tasks")

    @get("/{task_id:int}", operation_id="getTask", responses=READ, response_headers=[ETAG])
    async def get_task(self, uow: Uow, access: Asker, task_id: RowId) -> Response[TaskView]:
        """Read a task."""
        return one(TaskView, await tasks.get_task(uow, access, task_id))

    @patch("/{task_id:int}", operation_id="changeTask", responses=CHANGE, response_headers=[ETAG])
    async def change_task(
        self, uow: Uow, access: Asker, task_id: RowId, data: JSONBody[TaskChange], if_match: IfMatch = None
    ) -> Response[TaskView]:
        """Change a task."""
        return one(
            TaskView, await tasks.change_task(uow, access, task_id, data.given(), seen_version(if_match))
        )

    @post(
        "/{task_id:int}/done",
        operation_id="finishTask",
        opt=RECORD,
        responses=CHANGE,
        response_headers=[ETAG],
        status_code=200,
    )
    async def finish_task(
        self,
        uow: Uow,
        clock: Now,
        access: Asker,
        task_id: RowId,
        minutes_taken: Annotated[
            float | None, QueryParameter(name="minutesTaken", description="Minutes it took.")
        ] = None,
        if_match: IfMatch = None,
    ) -> Response[TaskView]:
        """Tick a task off as done now, by whoever asks. Of one that is done already nothing but the minutes changes."""
        task = await tasks.finish_task(uow, clock, access, task_id, seen_version(if_match), minutes_taken)
        return one(TaskView, task)

    @post(
        "/{task_id:int}/undone",
        operation_id="reopenTask",
        opt=RECORD,
        responses=CHANGE,
        response_headers=[ETAG],
        status_code=200,
    )
    async def reopen_task(
        self, uow: Uow, access: Asker, task_id: RowId, if_match: IfMatch = None
    ) -> Response[TaskView]:
        """Take a tick back. Of a task that is open nothing changes."""
        return one(TaskView, await tasks.reopen_task(uow, access, task_id, seen_version(if_match)))
