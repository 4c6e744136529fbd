"""The house's log."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from litestar import Response, get, post
from litestar.params import JSONBody, QueryParameter
from msgspec import UNSET, Meta, UnsetType

from service.api.bodies import Body, Page, View, page, view
from service.api.operations import (
    PAGE,
    READ,
    RECORD,
    After,
    Asker,
    From,
    Limit,
    Now,
    RowId,
    To,
    Uow,
    moment,
)
from service.api.problems import problem_responses
from service.work import house_log

KindWord = Literal["solution", "addition", "cleaning", "note"]
UnitWord = Literal["mL", "L", "g", "kg"]
WhatWord = Literal["channels", "trays", "tank", "table"]

Kind = Annotated[
    KindWord, Meta(description="Measured solution, something added, something cleaned, or a note.")
]
HappenedAt = Annotated[
    datetime, Meta(description="When it happened; now if not said.", examples=["2026-09-14T05:30:00Z"])
]
ZoneId = Annotated[int | None, Meta(description="Zone of the house.", examples=[None])]
SectionId = Annotated[int | None, Meta(description="Section of the house.", examples=[None])]
Ph = Annotated[float | None, Meta(description="pH of the solution.", examples=[5.9])]
Ec = Annotated[
    float | None, Meta(description="Electrical conductivity of the solution, mS cm⁻¹.", examples=[1.4])
]
TempSolution = Annotated[float | None, Meta(description="Temperature of the solution, °C.", examples=[19.5])]
Substance = Annotated[
    str | None, Meta(description="What was added, or cleaned with.", examples=["nitric acid 38 %"])
]
Amount = Annotated[float | None, Meta(description="How much of it, in `amountUnit`.", examples=[120])]
AmountUnit = Annotated[UnitWord | None, Meta(description="Unit of the amount.", examples=["mL"])]
What = Annotated[WhatWord | None, Meta(description="Of a cleaning: what was cleaned.", examples=[None])]
Note = Annotated[str | None, Meta(description="Anything worth keeping.", examples=[None])]
SupersedesId = Annotated[
    int | None,
    Meta(description="The entry that this one corrects, saying the whole fact again.", examples=[None]),
]
Void = Annotated[bool, Meta(description="Whether the correction only takes the superseded entry back.")]


class LogNew(Body):
    """A fact to be written down, or a correction of one."""

    kind: Kind | UnsetType = UNSET
    happened_at: HappenedAt | UnsetType = UNSET
    zone_id: ZoneId | UnsetType = UNSET
    section_id: SectionId | UnsetType = UNSET
    ph: Ph | UnsetType = UNSET
    ec_ms_cm: Ec | UnsetType = UNSET
    temp_solution_c: TempSolution | UnsetType = UNSET
    substance: Substance | UnsetType = UNSET
    amount: Amount | UnsetType = UNSET
    amount_unit: AmountUnit | UnsetType = UNSET
    what: What | UnsetType = UNSET
    note: Note | UnsetType = UNSET
    supersedes_id: SupersedesId | UnsetType = UNSET
    void: Void | UnsetType = UNSET
    minutes_taken: (
        Annotated[float | None, Meta(description="Working time, min, kept with the task that it ticks off.")]
        | UnsetType
    ) = UNSET


class LogView(View):
    """One fact of a house's log. Entries that others supersede stay in it."""

    id: int
    house_id: int
    kind: Kind
    happened_at: datetime
    recorded_at: datetime
    recorded_by: Annotated[str, Meta(description="Name of the token.")]
    zone_id: ZoneId
    section_id: SectionId
    ph: Ph
    ec_ms_cm: Ec
    temp_solution_c: TempSolution
    substance: Substance
    amount: Amount
    amount_unit: AmountUnit
    what: What
    note: Note
    supersedes_id: SupersedesId
    void: Void


class Logged(View):
    """An entry that was just appended."""

    entry: LogView
    caution: Annotated[
        str | None, Meta(description="What to mind with what was recorded; null: nothing in particular.")
    ]


class LogPage(Page):
    """A house's log, in the order of recording."""

    items: list[LogView]


@get("/houses/{house_id:int}/log", operation_id="listHouseLog", tags=["House"], responses=READ)
async def list_house_log(
    uow: Uow,
    access: Asker,
    house_id: RowId,
    kind: Annotated[KindWord | None, QueryParameter(description="Only of this kind.")] = None,
    from_: From = None,
    to: To = None,
    holding: Annotated[
        bool, QueryParameter(description="Only what holds: neither corrected nor taken back.")
    ] = False,
    after: After = None,
    limit: Limit = PAGE,
) -> LogPage:
    """List a house's log."""
    rows = await house_log.list_log(
        uow,
        access,
        house_id,
        kind=kind,
        since=moment("from", from_),
        before=moment("to", to),
        holding=holding,
        after=after,
        limit=limit,
    )
    return page(LogPage, rows)


@post(
    "/houses/{house_id:int}/log",
    operation_id="appendHouseLog",
    opt=RECORD,
    tags=["House"],
    responses=problem_responses(400, 401, 403, 404, 409, 422),
)
async def append_house_log(
    uow: Uow, clock: Now, access: Asker, house_id: RowId, data: JSONBody[LogNew]
) -> Response[Logged]:
    """Write down what was measured, added or cleaned in a house, or correct what was written down.

    Beside acids and sanitisers the answer says what to mind (`caution`). A cleaning ticks off the task to clean that
    is due there.
    """
    entry = await house_log.append_log(uow, clock, access, house_id, data.given())
    logged = Logged(entry=view(LogView, entry), caution=house_log.CAUTIONS.get(entry.kind))
    return Response(logged)
