"""Trials of a new seed lot beside the one in use."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from litestar import Controller, Response, get, patch, post
from litestar.datastructures import State
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
    After,
    Asker,
    IfMatch,
    Limit,
    Now,
    OfFarm,
    RowId,
    Uow,
    made,
    one,
    seen_version,
)
from service.records.store import Store
from service.work import lot_trials

NewLotId = Annotated[int, Meta(description="The seed lot that is new.", examples=[2])]
OldLotId = Annotated[int, Meta(description="The seed lot in use, of the same cultivar.", examples=[1])]
SownOn = Annotated[date, Meta(description="Day of the trial.", examples=["2026-09-14"])]
NewSown = Annotated[int, Meta(description="Seeds of the new lot.", examples=[200])]
OldSown = Annotated[int, Meta(description="Seeds of the lot in use.", examples=[200])]
NewGood = Annotated[
    int | None, Meta(description="Good seedlings of the new lot; null: not counted.", examples=[184])
]
OldGood = Annotated[
    int | None, Meta(description="Good seedlings of the lot in use; null: not counted.", examples=[186])
]
CountedOn = Annotated[
    date | None, Meta(description="Day of the count; today if not said.", examples=["2026-09-24"])
]
Note = Annotated[str | None, Meta(description="Anything worth keeping.", examples=["same tray"])]


class LotTrialNew(Body):
    """A trial to be sown."""

    new_lot_id: NewLotId
    old_lot_id: OldLotId
    new_sown: NewSown
    old_sown: OldSown
    sown_on: SownOn | UnsetType = UNSET
    new_good: NewGood | UnsetType = UNSET
    old_good: OldGood | UnsetType = UNSET
    counted_on: CountedOn | UnsetType = UNSET
    note: Note | UnsetType = UNSET


class LotTrialChange(Body):
    """What came up, or what is to be different."""

    new_good: NewGood | UnsetType = UNSET
    old_good: OldGood | UnsetType = UNSET
    counted_on: CountedOn | UnsetType = UNSET
    note: Note | UnsetType = UNSET


class LotTrialView(View):
    """A new lot sown beside the one in use."""

    id: int
    farm_id: int
    new_lot_id: NewLotId
    old_lot_id: OldLotId
    sown_on: SownOn
    new_sown: NewSown
    old_sown: OldSown
    new_good: NewGood
    old_good: OldGood
    counted_on: CountedOn
    note: Note
    version: int


class LotTrialPage(Page):
    """Trials."""

    items: list[LotTrialView]


class LotVerdictView(View):
    """What a trial says. Shares lie between 0 and 1, differences are new less old."""

    trial_id: int
    new_lot: Annotated[str, Meta(description="Number of the new lot.")]
    old_lot: Annotated[str, Meta(description="Number of the lot in use.")]
    verdict: Literal["better", "as_good", "worse", "too_few"]
    test: Annotated[
        Literal["boschloo", "fisher"],
        Meta(description="The exact test that decided: Boschloo's, but Fisher's beyond some 400 seeds each."),
    ]
    p_value: Annotated[float, Meta(description="Of that test, two-sided.")]
    p_fisher: float
    p_boschloo: float | None
    difference: float
    low: Annotated[float, Meta(description="Score interval of the difference, 95 % (Miettinen & Nurminen).")]
    high: float
    margin: Annotated[float, Meta(description="Share by which the new lot may be worse and be as good.")]
    seeds_to_tell: Annotated[
        int | None,
        Meta(description="Seeds of each lot that tell with a probability of 80 %; null: more than 1000."),
    ]
    sentence: str


class LotTrials(Controller):
    """Trials of seed lots."""

    path = "/lot-trials"
    tags = ("Seeds",)

    @get(operation_id="listLotTrials", responses=READ)
    async def list_lot_trials(
        self,
        uow: Uow,
        access: Asker,
        farm_id: OfFarm = None,
        lot_id: Annotated[
            int | None, QueryParameter(name="seedLotId", description="Only with this lot, new or old.")
        ] = None,
        after: After = None,
        limit: Limit = PAGE,
    ) -> LotTrialPage:
        """List trials."""
        rows = await lot_trials.list_trials(
            uow, access, farm_id=farm_id, lot_id=lot_id, after=after, limit=limit
        )
        return page(LotTrialPage, rows)

    @post(operation_id="createLotTrial", responses=CREATE, response_headers=[ETAG, LOCATION])
    async def create_lot_trial(
        self, uow: Uow, clock: Now, access: Asker, data: JSONBody[LotTrialNew]
    ) -> Response[LotTrialView]:
        """Sow a new lot beside the one in use; the seed leaves both lots."""
        return made(
            LotTrialView, await lot_trials.create_trial(uow, clock, access, data.given()), "/v1/lot-trials"
        )

    @get("/{trial_id:int}", operation_id="getLotTrial", responses=READ, response_headers=[ETAG])
    async def get_lot_trial(self, uow: Uow, access: Asker, trial_id: RowId) -> Response[LotTrialView]:
        """Read a trial."""
        return one(LotTrialView, await lot_trials.get_trial(uow, access, trial_id))

    @patch("/{trial_id:int}", operation_id="changeLotTrial", responses=CHANGE, response_headers=[ETAG])
    async def change_lot_trial(
        self,
        uow: Uow,
        clock: Now,
        access: Asker,
        trial_id: RowId,
        data: JSONBody[LotTrialChange],
        if_match: IfMatch = None,
    ) -> Response[LotTrialView]:
        """Write down what came up."""
        row = await lot_trials.change_trial(
            uow, clock, access, trial_id, data.given(), seen_version(if_match)
        )
        return one(LotTrialView, row)

    @get("/{trial_id:int}/verdict", operation_id="getLotVerdict", responses=READ)
    async def get_lot_verdict(
        self,
        state: State,
        access: Asker,
        trial_id: RowId,
        margin: Annotated[
            float | None,
            QueryParameter(
                description="Share by which the new lot may be worse and still be as good, 0.01 to 0.5. 0.1 if not"
                " said."
            ),
        ] = None,
    ) -> LotVerdictView:
        """Say whether the new lot is as good: exact test, interval, and how many seeds would tell."""
        store: Store = state.store  # it takes its own transaction, and computes outside it
        found = await lot_trials.judge_trial(
            store, access, trial_id, {} if margin is None else {"margin": margin}
        )
        said = {
            name: getattr(found.judgement, name)
            for name in LotVerdictView.__struct_fields__
            if name not in {"trial_id", "new_lot", "old_lot"}
        }
        return LotVerdictView(
            trial_id=found.trial.id,
            new_lot=found.new_lot.lot_number,
            old_lot=found.old_lot.lot_number,
            **said,
        )
