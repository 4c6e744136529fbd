"""Seed in store: lots, what left them, which to sow, and how they come up."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import Annotated, Any, Literal

from litestar import Controller, Response, get, patch, post
from litestar.params import JSONBody, QueryParameter
from msgspec import UNSET, Meta, UnsetType

from service.api.bodies import Body, Page, View, page, view
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
    seen_version,
)
from service.api.planning import SowingView
from service.work import seed_fitness, seed_stock, sowing
from service.work.seed_fitness import Condition, LotEmergence
from service.work.seed_stock import LotView

FormWord = Literal["raw", "pelleted", "primed"]
ReasonWord = Literal["test", "trial", "loss", "count"]

CultivarId = Annotated[int, Meta(description="The cultivar it is seed of.", examples=[1])]
LotNumber = Annotated[str, Meta(description="The supplier's lot number.", examples=["A24-0187"])]
ReceivedOn = Annotated[
    date,
    Meta(description="Day on which it came; of seed on order, is expected.", examples=["2026-08-31"]),
]
Seeds = Annotated[int, Meta(description="Seeds received.", examples=[5000])]
Supplier = Annotated[str | None, Meta(description="Who sold it.", examples=["Seed house"])]
Form = Annotated[FormWord, Meta(description="Form of the seed. `raw` if not said.")]
GerminationPercent = Annotated[float | None, Meta(description="Germination as tested, %.", examples=[94.0])]
TestedOn = Annotated[
    date | None, Meta(description="Day of that test; goes with it.", examples=["2026-07-15"])
]
GerminationSeeds = Annotated[
    int | None, Meta(description="Seeds in that test; goes with it.", examples=[400])
]
Moisture = Annotated[
    float | None, Meta(description="Moisture, % of the fresh weight; null: not known.", examples=[6.0])
]
PlaceKept = Annotated[str | None, Meta(description="Where it is kept.", examples=["Seed fridge"])]
SensorId = Annotated[
    int | None,
    Meta(
        description="Sensor of air temperature (`temp_air_c`) of that place, of the same farm.",
        examples=[None],
    ),
]
OpenedOn = Annotated[date | None, Meta(description="Day on which it was opened.", examples=["2026-09-01"])]
FinishedOn = Annotated[
    date | None, Meta(description="Day on which it was used up or thrown away.", examples=[None])
]
Note = Annotated[str | None, Meta(description="Anything worth keeping.", examples=["two packs"])]
OfCultivar = Annotated[int | None, QueryParameter(name="cultivarId", description="Only of this cultivar.")]


class SeedLotNew(Body):
    """A seed lot received, or expected."""

    cultivar_id: CultivarId
    lot_number: LotNumber
    received_on: ReceivedOn
    seeds: Seeds
    supplier: Supplier | UnsetType = UNSET
    form: Form | UnsetType = UNSET
    germination_percent: GerminationPercent | UnsetType = UNSET
    germination_tested_on: TestedOn | UnsetType = UNSET
    germination_seeds: GerminationSeeds | UnsetType = UNSET
    moisture_percent: Moisture | UnsetType = UNSET
    place: PlaceKept | UnsetType = UNSET
    sensor_id: SensorId | UnsetType = UNSET
    opened_on: OpenedOn | UnsetType = UNSET
    finished_on: FinishedOn | UnsetType = UNSET
    note: Note | UnsetType = UNSET


class SeedLotChange(Body):
    """What is to be different about a seed lot."""

    lot_number: LotNumber | UnsetType = UNSET
    received_on: ReceivedOn | UnsetType = UNSET
    seeds: Seeds | UnsetType = UNSET
    supplier: Supplier | UnsetType = UNSET
    form: Form | UnsetType = UNSET
    germination_percent: GerminationPercent | UnsetType = UNSET
    germination_tested_on: TestedOn | UnsetType = UNSET
    germination_seeds: GerminationSeeds | UnsetType = UNSET
    moisture_percent: Moisture | UnsetType = UNSET
    place: PlaceKept | UnsetType = UNSET
    sensor_id: SensorId | UnsetType = UNSET
    opened_on: OpenedOn | UnsetType = UNSET
    finished_on: FinishedOn | UnsetType = UNSET
    note: Note | UnsetType = UNSET


class SeedLotView(View):
    """One delivery of seed of one cultivar, and what is left of it."""

    id: int
    farm_id: int
    cultivar_id: CultivarId
    lot_number: LotNumber
    received_on: ReceivedOn
    seeds: Seeds
    supplier: Supplier
    form: Form
    germination_percent: GerminationPercent
    germination_tested_on: TestedOn
    germination_seeds: GerminationSeeds
    moisture_percent: Moisture
    place: PlaceKept
    sensor_id: SensorId
    opened_on: OpenedOn
    finished_on: FinishedOn
    note: Note
    sown: Annotated[int, Meta(description="Seeds sown in batches.")]
    used: Annotated[int, Meta(description="Seeds in tests, trials and losses, less what counts found more.")]
    remaining: Annotated[int, Meta(description="Seeds left.")]
    overdrawn: Annotated[
        int, Meta(description="Seeds recorded as gone that were not there: count what is left.")
    ]
    remark: Annotated[str | None, Meta(description="What is wrong with the figures; null: nothing.")]
    version: int


class SeedLotPage(Page):
    """Seed lots."""

    items: list[SeedLotView]


class SeedUseNew(Body):
    """Seed that left a lot otherwise than into a batch, or what a count found."""

    reason: Annotated[
        ReasonWord, Meta(description="Why; `count`: nothing left it, but it was counted.", examples=["test"])
    ]
    seeds: (
        Annotated[int, Meta(description="Seeds used or lost; not of a count.", examples=[100])] | UnsetType
    ) = UNSET
    counted: (
        Annotated[int, Meta(description="Of a count: seeds that are left.", examples=[None])] | UnsetType
    ) = UNSET
    used_on: Annotated[date, Meta(description="Today if not said.")] | UnsetType = UNSET
    note: Note | UnsetType = UNSET


class SeedUseView(View):
    """Seed that left a lot otherwise than into a batch."""

    id: int
    seed_lot_id: int
    used_on: date
    seeds: Annotated[int, Meta(description="Negative: a count found more than was thought.")]
    reason: ReasonWord
    recorded_at: datetime
    recorded_by: str
    note: Note


class SeedUsePage(Page):
    """What left a lot otherwise than into batches."""

    items: list[SeedUseView]


class GerminationView(View):
    """What a lot's germination is known from."""

    good: int
    tested: int
    on: date | None
    source: Annotated[
        Literal["trial", "test"], Meta(description="The house's own trials, else the test it came with.")
    ]
    sentence: str


class FaultView(View):
    """Something wrong with a lot."""

    kind: seed_fitness.FaultKind
    unfit: Annotated[bool, Meta(description="True: not to be sown; false: doubted.")]
    sentence: str


class ExpectedGerminationView(View):
    """What a lot is expected to germinate now, by one set of published constants."""

    constants: Annotated[str, Meta(description="Whose constants.")]
    germination_percent: float


class StoreView(View):
    """What a lot went through in store."""

    since: Annotated[
        date, Meta(description="Since it came or its germination was last known, whatever was later.")
    ]
    hours: float
    measured_hours: float
    mean_c: Annotated[float | None, Meta(description="Mean temperature, °C; null: not measured.")]
    highest_c: Annotated[float | None, Meta(description="Highest mean of an hour, °C.")]
    warm_hours: Annotated[float, Meta(description="Measured hours above 20 °C.")]
    hot_hours: Annotated[float, Meta(description="Measured hours above 30 °C.")]
    last_hot_at: datetime | None
    expected: Annotated[
        list[ExpectedGerminationView],
        Meta(
            description="Germination now (Ellis & Roberts 1980): it warns, it does not promise. Empty: no germination"
            " is known, or no constants are published for the kind."
        ),
    ]
    assumed: Annotated[list[str], Meta(description="What is not known and was taken for granted.")]


class SeedLotConditionView(View):
    """A seed lot, how it was kept, and whether it is fit to be sown."""

    lot: SeedLotView
    age_days: int
    use_by: Annotated[date, Meta(description="Last day on which it is young enough.")]
    fit: bool
    doubted: Annotated[bool, Meta(description="Something speaks against it.")]
    germination: GerminationView | None
    standard_percent: Annotated[
        int | None, Meta(description="Least germination of its kind, 7 CFR 201.31 of 1994; null: none.")
    ]
    store: StoreView
    faults: list[FaultView]


class NextSeedLotView(View):
    """Which lot of a cultivar to sow now."""

    cultivar_id: int
    cultivar: str
    lot_id: Annotated[int | None, Meta(description="The oldest that is fit; null: none is.")]
    reason: str
    lots: Annotated[list[SeedLotConditionView], Meta(description="Those not finished, oldest first.")]


class SeedLotEmergenceView(View):
    """How a lot came up in the house's batches."""

    lot: SeedLotView
    batches: Annotated[int, Meta(description="Sown with this lot alone and counted.")]
    not_told: Annotated[
        int, Meta(description="Batches of mixes, of several lots, or not counted yet: they tell nothing.")
    ]
    cells: int
    emerged: int
    share: float | None
    low: Annotated[float | None, Meta(description="95 % interval, widened by how much batches differ.")]
    high: float | None
    behind: Annotated[bool, Meta(description="Worse than the other lots or, alone, the legal standard.")]
    sentence: str


class SeedLotEmergenceList(View):
    """How the lots of a cultivar came up, newest first."""

    items: list[SeedLotEmergenceView]


class LotSowingWish(Body):
    """What is wanted of a sowing from a lot."""

    wanted: Annotated[int, Meta(description="Plants to transplant.", examples=[160])]
    probability: Annotated[float, Meta(description="Of enough of them, above 0, below 1.", examples=[0.9])]
    keep_best: (
        Annotated[float, Meta(description="Share of the good ones that is planted: the best. 1 if not said.")]
        | UnsetType
    ) = UNSET
    tray_cells: Annotated[int, Meta(description="Cells a tray. 1 if not said.")] | UnsetType = UNSET


class LotSowingView(View):
    """How much to sow from a lot, and by which germination."""

    sowing: SowingView
    germination: GerminationView


# --------------------------------------------------------------------------- views


def lot_view(found: LotView) -> SeedLotView:
    """Return the view of a lot with what is left of it."""
    return SeedLotView(
        **{n: getattr(found if n in _DERIVED else found.lot, n) for n in SeedLotView.__struct_fields__}
    )


_DERIVED = frozenset({"sown", "used", "remaining", "overdrawn", "remark"})


def _condition_view(found: Condition) -> SeedLotConditionView:
    germination = found.germination
    return SeedLotConditionView(
        lot=lot_view(found.lot),
        age_days=found.age_days,
        use_by=found.use_by,
        fit=found.fit,
        doubted=found.doubted,
        germination=None if germination is None else view(GerminationView, germination),
        standard_percent=found.standard_percent,
        store=view(StoreView, found.store),
        faults=[view(FaultView, fault) for fault in found.faults],
    )


def _emergence_view(found: LotEmergence) -> SeedLotEmergenceView:
    own: dict[str, Any] = {n: getattr(found, n) for n in SeedLotEmergenceView.__struct_fields__ if n != "lot"}
    return SeedLotEmergenceView(lot=lot_view(found.lot), **own)


def _page(rows: tuple[Sequence[LotView], int | None]) -> SeedLotPage:
    return SeedLotPage(items=[lot_view(row) for row in rows[0]], next=rows[1])


def _one(found: LotView) -> Response[SeedLotView]:
    return Response(lot_view(found), headers={"ETag": f'"{found.lot.version}"'})


# --------------------------------------------------------------------------- operations


class SeedLots(Controller):
    """Seed lots."""

    path = "/seed-lots"
    tags = ("Seeds",)

    @get(operation_id="listSeedLots", responses=READ)
    async def list_seed_lots(
        self,
        uow: Uow,
        access: Asker,
        farm_id: OfFarm = None,
        cultivar_id: OfCultivar = None,
        finished: Annotated[
            bool | None, QueryParameter(description="Only those finished, or only those not.")
        ] = None,
        lot_number: Annotated[
            str | None, QueryParameter(name="lotNumber", description="Only with this number of the supplier.")
        ] = None,
        after: After = None,
        limit: Limit = PAGE,
    ) -> SeedLotPage:
        """List seed lots with what is left of them."""
        return _page(
            await seed_stock.list_lots(
                uow,
                access,
                farm_id=farm_id,
                cultivar_id=cultivar_id,
                finished=finished,
                lot_number=lot_number,
                after=after,
                limit=limit,
            )
        )

    @post(operation_id="createSeedLot", responses=CREATE, response_headers=[ETAG, LOCATION])
    async def create_seed_lot(
        self, uow: Uow, clock: Now, access: Asker, data: JSONBody[SeedLotNew]
    ) -> Response[SeedLotView]:
        """Receive a seed lot; one on order is written down with the day on which it is expected."""
        found = await seed_stock.create_lot(uow, clock, access, data.given())
        headers = {"ETag": f'"{found.lot.version}"', "Location": f"/v1/seed-lots/{found.lot.id}"}
        return Response(lot_view(found), status_code=201, headers=headers)

    @get("/{lot_id:int}", operation_id="getSeedLot", responses=READ, response_headers=[ETAG])
    async def get_seed_lot(self, uow: Uow, access: Asker, lot_id: RowId) -> Response[SeedLotView]:
        """Read a seed lot with what is left of it."""
        return _one(await seed_stock.get_lot(uow, access, lot_id))

    @patch("/{lot_id:int}", operation_id="changeSeedLot", responses=CHANGE, response_headers=[ETAG])
    async def change_seed_lot(
        self,
        uow: Uow,
        clock: Now,
        access: Asker,
        lot_id: RowId,
        data: JSONBody[SeedLotChange],
        if_match: IfMatch = None,
    ) -> Response[SeedLotView]:
        """Change a seed lot."""
        return _one(
            await seed_stock.change_lot(uow, clock, access, lot_id, data.given(), seen_version(if_match))
        )

    @get("/{lot_id:int}/uses", operation_id="listSeedUses", responses=READ)
    async def list_seed_uses(
        self, uow: Uow, access: Asker, lot_id: RowId, after: After = None, limit: Limit = PAGE
    ) -> SeedUsePage:
        """List what left a lot otherwise than into batches."""
        return page(SeedUsePage, await seed_stock.list_uses(uow, access, lot_id, after=after, limit=limit))

    @post("/{lot_id:int}/uses", operation_id="recordSeedUse", responses=CHANGE)
    async def record_seed_use(
        self, uow: Uow, clock: Now, access: Asker, lot_id: RowId, data: JSONBody[SeedUseNew]
    ) -> SeedUseView:
        """Write down a test, a loss, or a count, which puts the figures right."""
        use, _ = await seed_stock.record_use(uow, clock, access, lot_id, data.given())
        return view(SeedUseView, use)

    @get("/{lot_id:int}/condition", operation_id="getSeedLotCondition", responses=READ)
    async def get_seed_lot_condition(
        self, uow: Uow, clock: Now, access: Asker, lot_id: RowId
    ) -> SeedLotConditionView:
        """Say how a lot was kept, and whether it is fit to be sown."""
        return _condition_view(await seed_fitness.lot_condition(uow, clock, access, lot_id))

    @post(
        "/{lot_id:int}/sowing",
        operation_id="planLotSowing",
        opt={"changes_nothing": True},
        responses=READ,
        status_code=200,
        scope="read",
    )
    async def plan_lot_sowing(
        self, uow: Uow, access: Asker, lot_id: RowId, data: JSONBody[LotSowingWish]
    ) -> LotSowingView:
        """Say how many cells to sow from a lot for enough good plants. Nothing is kept."""
        await seed_stock.get_lot(uow, access, lot_id)
        germination = await seed_stock.germination_of_lot(uow, access, lot_id, "")
        given = {**data.given(), "good": germination.good, "tested": germination.tested}
        found = sowing.plan_sowing(given)
        return LotSowingView(sowing=view(SowingView, found), germination=view(GerminationView, germination))


@get(
    "/cultivars/{cultivar_id:int}/seed-lots/next",
    operation_id="getNextSeedLot",
    tags=["Seeds"],
    responses=READ,
)
async def get_next_seed_lot(uow: Uow, clock: Now, access: Asker, cultivar_id: RowId) -> NextSeedLotView:
    """Say which lot of a cultivar to sow now, the oldest that is fit, and what is wrong with the others."""
    found = await seed_fitness.next_lot(uow, clock, access, cultivar_id)
    return NextSeedLotView(
        cultivar_id=found.cultivar_id,
        cultivar=found.cultivar,
        lot_id=found.lot_id,
        reason=found.reason,
        lots=[_condition_view(c) for c in found.lots],
    )


@get(
    "/cultivars/{cultivar_id:int}/seed-lots/emergence",
    operation_id="listSeedLotEmergence",
    tags=["Seeds"],
    responses=READ,
)
async def list_seed_lot_emergence(uow: Uow, access: Asker, cultivar_id: RowId) -> SeedLotEmergenceList:
    """Say how each lot of a cultivar came up in the house's batches, so that a failing lot is seen."""
    found = await seed_fitness.emergence_by_lot(uow, access, cultivar_id)
    return SeedLotEmergenceList(items=[_emergence_view(lot) for lot in found])
