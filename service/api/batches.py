"""Batches and their ledgers."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Literal

from litestar import Controller, Response, get, patch, post
from litestar.params import JSONBody, QueryParameter
from msgspec import UNSET, Meta, UnsetType, field

from service.api.bodies import Body, Page, View, view
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
    FirstDay,
    IfMatch,
    LastDay,
    Limit,
    Now,
    OfHouse,
    OfSuccession,
    RowId,
    Uow,
    seen_version,
)
from service.api.successions import MixMember
from service.work import batches, pictures
from service.work.batches import BatchView as Seeded
from service.work.errors import Conflict

Stage = Literal["nursery", "channels", "finished"]
Kind = Literal[
    "seeded",
    "emergence_counted",
    "leaves_counted",
    "transplanted",
    "moved",
    "checked",
    "weighed",
    "treated",
    "discarded",
    "harvested",
]

SuccessionId = Annotated[int, Meta(description="The succession that seeded it.", examples=[1])]
CultivarId = Annotated[
    int | None,
    Meta(description="The cultivar sown; the succession's if not said, null: unknown.", examples=[1]),
]
Code = Annotated[
    str,
    Meta(
        description="Short name, one of a kind in its house; made up if not said.", examples=["N1-BUT-260803"]
    ),
]
Cells = Annotated[int, Meta(description="Cells seeded; the succession's if not said.", examples=[480])]
SeededOn = Annotated[
    date, Meta(description="Local day of the house on which it was seeded.", examples=["2026-08-03"])
]
SeededAt = Annotated[datetime, Meta(description="Moment of seeding.", examples=["2026-08-03T06:30:00Z"])]
Note = Annotated[str | None, Meta(description="Anything worth keeping.", examples=["new substrate"])]

HappenedAt = Annotated[
    datetime, Meta(description="When it happened; now if not said.", examples=["2026-08-10T07:00:00Z"])
]
Plants = Annotated[
    int | None,
    Meta(
        description="How many plants; of an emergence count, how many came up so far: counts of a few or none tell"
        " when it began; of a move, how many went to another section; of a check, how many are affected.",
        examples=[412],
    ),
]
Leaves = Annotated[
    float | None,
    Meta(
        description="Mean true leaves a plant, of a leaf count; not needed with `leavesEach`.", examples=[4.2]
    ),
]
LeavesEach = Annotated[
    list[float] | None,
    Meta(
        description="Of a leaf count: true leaves of each plant counted. Several counters record a count each.",
        examples=[[4, 4, 5, 4, 4.5]],
    ),
]
WeightG = Annotated[
    float | None, Meta(description="Fresh weight a head, g, of a harvest or a weighing.", examples=[152.0])
]
Readiness = Annotated[
    Literal["early", "ready", "held"] | None,
    Meta(
        description="How ready heads were when they were cut: not yet, just, or for some days;"
        " forecasts learn from it where no weight is said.",
        examples=["ready"],
    ),
]
Regrows = Annotated[
    bool | None,
    Meta(
        description="Whether what was harvested stays on its sites for another cut; if not said, all cuts of the crop "
        "but the last do. Null: the crop is cut once.",
    ),
]
ZoneId = Annotated[
    int | None,
    Meta(
        description="Zone they went to; of a transplant the succession's channels if not said.", examples=[2]
    ),
]
SectionId = Annotated[
    int | None,
    Meta(
        description="Section where it happened, or where they went to. Where it is not said, plants are taken from"
        " where they must have stood; if that is open, it has to be said.",
        examples=[3],
    ),
]
FromSectionId = Annotated[
    int | None,
    Meta(
        description="Of a move: the section they came from; without `plants` all that stood there.",
        examples=[None],
    ),
]
TrayId = Annotated[
    int | None, Meta(description="Tray of the batch, of what happened in the nursery.", examples=[None])
]
Reason = Annotated[
    str | None,
    Meta(
        description="Why, of a discard. `graded out`: too small or uneven to be planted.",
        examples=["graded out"],
    ),
]
Grade = Annotated[str | None, Meta(description="Of a harvest, as the farm grades.", examples=["A"])]
Finding = Annotated[
    Literal["tipburn", "bolting", "pest", "disease", "root", "other"] | None,
    Meta(description="What a check found; not needed if it found nothing.", examples=["tipburn"]),
]
Severity = Annotated[
    Literal["none", "slight", "severe"] | None,
    Meta(description="Of a check: how bad it is; `none`: nothing was found.", examples=["slight"]),
]
Product = Annotated[
    str | None, Meta(description="Of a treatment: what was applied.", examples=["potassium soap"])
]
WaitingDays = Annotated[
    float | None,
    Meta(
        description="Of a treatment: the waiting time that the label says, days; 0 if it says none. Until it is over"
        " no harvest is taken of what was treated. Follow the product's label and local law.",
        examples=[3],
    ),
]
SupersedesId = Annotated[
    int | None,
    Meta(description="The entry that this one corrects, saying the whole fact again.", examples=[7]),
]
Void = Annotated[bool, Meta(description="Whether the correction only takes the superseded entry back.")]


class SeedLotUse(Body):
    """Seed of one lot that a batch was sown with."""

    seed_lot_id: Annotated[int, Meta(description="A seed lot of the farm.", examples=[1])]
    seeds: (
        Annotated[int | None, Meta(description="Seeds sown; one a cell if not said.", examples=[480])]
        | UnsetType
    ) = UNSET
    cells: (
        Annotated[int | None, Meta(description="Cells sown with it; null or not said: all.", examples=[None])]
        | UnsetType
    ) = UNSET


class SeedLotUsed(View):
    """Seed of one lot that a batch was sown with."""

    seed_lot_id: int
    seeds: Annotated[int, Meta(description="Seeds sown.")]
    cells: Annotated[int | None, Meta(description="Cells sown with it; null: all.")]


class TrayNew(Body):
    """A tray that a batch stands in."""

    number: Annotated[int, Meta(description="Its number in the batch, from 1.", examples=[1])]
    cells: Annotated[int, Meta(description="Cells seeded in it.", examples=[240])]


class TrayView(View):
    """A tray that a batch stands in."""

    id: int
    number: Annotated[int, Meta(description="Its number in the batch.")]
    cells: Annotated[int, Meta(description="Cells seeded in it.")]


class SectionPlants(View):
    """Plants of a batch in one section."""

    section_id: int
    plants: Annotated[int, Meta(description="Plants that stand in it.")]


SeedLots = Annotated[
    list[SeedLotUse],
    Meta(description="What it was sown with: lots of its cultivar, or of the cultivars of its mix."),
]
Trays = Annotated[list[TrayNew], Meta(description="The trays it stands in; their cells are those seeded.")]
CellsPerTray = Annotated[
    int, Meta(description="Cells of a tray, to number as many trays as are filled.", examples=[240])
]


class BatchNew(Body):
    """A batch to be seeded: at a moment, on a day (taken as 08:00 local), or now."""

    succession_id: SuccessionId
    seeded_at: SeededAt | UnsetType = UNSET
    seeded_on: SeededOn | UnsetType = UNSET
    cells: Cells | UnsetType = UNSET
    cultivar_id: CultivarId | UnsetType = UNSET
    code: Code | UnsetType = UNSET
    note: Note | UnsetType = UNSET
    seed_lots: SeedLots | UnsetType = UNSET
    trays: Trays | UnsetType = UNSET
    cells_per_tray: CellsPerTray | UnsetType = UNSET


class BatchChange(Body):
    """What is to be different about a batch; what happened to it is corrected in its ledger."""

    cultivar_id: CultivarId | UnsetType = UNSET
    code: Code | UnsetType = UNSET
    seed_lots: SeedLots | UnsetType = UNSET
    trays: Trays | UnsetType = UNSET
    cells_per_tray: CellsPerTray | UnsetType = UNSET


class BatchView(View):
    """What one succession seeded on one date, and what its ledger says of it."""

    id: int
    house_id: int
    succession_id: SuccessionId
    cultivar_id: CultivarId
    cultivars: Annotated[
        list[MixMember],
        Meta(description="The mix it is of, as the succession's was at seeding; empty: none."),
    ]
    code: Code
    stage: Annotated[Stage, Meta(description="Where it stands: follows from its ledger.")]
    seeded_on: SeededOn
    seeded_at: SeededAt
    cells: Cells
    emerged: Annotated[int | None, Meta(description="Seedlings counted; null: not counted yet.")]
    failed: Annotated[int | None, Meta(description="Cells of which nothing came up; null: not counted yet.")]
    in_nursery: Annotated[int, Meta(description="Plants, or cells not counted yet, in the nursery.")]
    in_channels: Annotated[int, Meta(description="Plants in channels.")]
    in_sections: Annotated[list[SectionPlants], Meta(description="Of those, where sections were said.")]
    discarded: Annotated[int, Meta(description="Plants thrown away.")]
    graded_out: Annotated[int, Meta(description="Of those, too small or uneven to be planted.")]
    harvested: Annotated[int, Meta(description="Plants gone because they were cut.")]
    cuts: Annotated[int, Meta(description="Cuts so far from which it regrows.")]
    transplanted_at: Annotated[datetime | None, Meta(description="First transplant.")]
    finished_at: Annotated[datetime | None, Meta(description="When nothing was left.")]
    waiting_until: Annotated[
        datetime | None,
        Meta(description="When the last waiting time of a treatment is or was over; null: none."),
    ]
    cut_while_waiting: Annotated[
        list[datetime],
        Meta(description="Harvests within the waiting time of a treatment that was recorded only later."),
    ]
    seed_lots: Annotated[list[SeedLotUsed], Meta(description="What it was sown with, as far as said.")]
    trays: Annotated[list[TrayView], Meta(description="The trays it stands in, by number.")]
    created_at: Annotated[datetime, Meta(description="When it was first recorded.")]
    version: int


class BatchPage(Page):
    """Batches."""

    items: list[BatchView]


class EntryNew(Body):
    """A fact to be written down, or a correction of one."""

    kind: (
        Annotated[Kind, Meta(description="What happened; may be left out of a void correction.")] | UnsetType
    ) = UNSET
    happened_at: HappenedAt | UnsetType = UNSET
    plants: Plants | UnsetType = UNSET
    leaves: Leaves | UnsetType = UNSET
    leaves_each: LeavesEach | UnsetType = UNSET
    weight_g: WeightG | UnsetType = UNSET
    grade: Grade | UnsetType = UNSET
    readiness: Readiness | UnsetType = UNSET
    regrows: Regrows | UnsetType = UNSET
    zone_id: ZoneId | UnsetType = UNSET
    section_id: SectionId | UnsetType = UNSET
    from_section_id: FromSectionId | UnsetType = UNSET
    tray_id: TrayId | UnsetType = UNSET
    reason: Reason | UnsetType = UNSET
    finding: Finding | UnsetType = UNSET
    severity: Severity | UnsetType = UNSET
    product: Product | UnsetType = UNSET
    waiting_days: WaitingDays | UnsetType = UNSET
    note: Note | UnsetType = UNSET
    supersedes_id: SupersedesId | UnsetType = UNSET
    void: Void | UnsetType = UNSET
    again: (
        Annotated[bool, Meta(description="It happened once more: it is not what was just recorded.")]
        | UnsetType
    ) = UNSET
    minutes_taken: (
        Annotated[
            float | None,
            Meta(description="Working time, min, kept with the task that it ticks off.", examples=[35]),
        ]
        | UnsetType
    ) = UNSET


class EntryView(View):
    """One fact of a batch's ledger. Entries that others supersede stay in it."""

    id: int
    batch_id: int
    kind: Kind
    happened_at: datetime
    recorded_at: datetime
    recorded_by: Annotated[str, Meta(description="Name of the token.")]
    plants: Plants
    leaves: Leaves
    leaves_each: LeavesEach
    weight_g: WeightG
    grade: Grade
    readiness: Readiness
    regrows: Regrows
    zone_id: ZoneId
    section_id: SectionId
    from_section_id: FromSectionId
    tray_id: TrayId
    reason: Reason
    finding: Finding
    severity: Severity
    product: Product
    waiting_days: WaitingDays
    note: Note
    supersedes_id: SupersedesId
    void: Void
    pictures: Annotated[list[int], Meta(description="Ids of its pictures.")] = field(default_factory=list)


class Ledger(View):
    """A whole ledger, in the order of recording."""

    items: list[EntryView]


class Recorded(View):
    """An entry that was just appended, and the batch as it is with it."""

    entry: EntryView
    batch: BatchView
    caution: Annotated[
        str | None, Meta(description="What to mind with what was recorded; null: nothing in particular.")
    ]


_CAUTIONS = {
    "treated": "Apply only what its label allows for this crop, under cover and at this rate. Follow the product's "
    "label, wear what it asks for, keep its re-entry and waiting times, and follow local law."
}


class Batches(Controller):
    """Batches."""

    path = "/batches"
    tags = ("Batches",)

    @get(operation_id="listBatches", opt={"kept": "houseId"}, responses=READ)
    async def list_batches(
        self,
        uow: Uow,
        access: Asker,
        house_id: OfHouse = None,
        succession_id: OfSuccession = None,
        stage: Annotated[Stage | None, QueryParameter(description="Only at this stage.")] = None,
        code: Annotated[str | None, QueryParameter(description="Only with this code.")] = None,
        first: FirstDay = None,
        last: LastDay = None,
        after: After = None,
        limit: Limit = PAGE,
    ) -> BatchPage:
        """List batches; `from` and `to` are days of seeding."""
        rows, following = await batches.list_batches(
            uow,
            access,
            house_id=house_id,
            succession_id=succession_id,
            stage=stage,
            code=code,
            first=first,
            last=last,
            after=after,
            limit=limit,
        )
        return BatchPage(items=[_view(seeded) for seeded in rows], next=following)

    @post(operation_id="createBatch", opt=RECORD, responses=CREATE, response_headers=[ETAG, LOCATION])
    async def create_batch(
        self, uow: Uow, clock: Now, access: Asker, data: JSONBody[BatchNew]
    ) -> Response[BatchView]:
        """Seed a batch."""
        seeded = await batches.create_batch(uow, clock, access, data.given())
        answer = _one(seeded)
        answer.headers["Location"] = f"/v1/batches/{seeded.batch.id}"
        return answer

    @get("/{batch_id:int}", operation_id="getBatch", responses=READ, response_headers=[ETAG])
    async def get_batch(self, uow: Uow, access: Asker, batch_id: RowId) -> Response[BatchView]:
        """Read a batch."""
        return _one(await batches.get_batch(uow, access, batch_id))

    @patch("/{batch_id:int}", operation_id="changeBatch", responses=CHANGE, response_headers=[ETAG])
    async def change_batch(
        self, uow: Uow, access: Asker, batch_id: RowId, data: JSONBody[BatchChange], if_match: IfMatch = None
    ) -> Response[BatchView]:
        """Change a batch's code, cultivar, seed or trays."""
        return _one(await batches.change_batch(uow, access, batch_id, data.given(), seen_version(if_match)))

    @get("/{batch_id:int}/entries", operation_id="listEntries", responses=READ)
    async def list_entries(self, uow: Uow, access: Asker, batch_id: RowId) -> Ledger:
        """Read a batch's whole ledger, superseded entries included."""
        entries = await batches.list_entries(uow, access, batch_id)
        shown = await pictures.pictures_of(uow, access, batch_id)
        items = [view(EntryView, entry) for entry in entries]
        for item in items:
            item.pictures = shown.get(item.id, [])
        return Ledger(items=items)

    @post(
        "/{batch_id:int}/entries",
        operation_id="appendEntry",
        opt=RECORD,
        responses=CHANGE,
        response_headers=[ETAG],
    )
    async def append_entry(
        self,
        uow: Uow,
        clock: Now,
        access: Asker,
        batch_id: RowId,
        data: JSONBody[EntryNew],
        if_match: IfMatch = None,
    ) -> Response[Recorded]:
        """Write down what happened to a batch, or correct what was written down.

        What contradicts the rest of the ledger (a transplant before seeding, more plants than there are or than a
        section has sites for, a harvest within the waiting time of a treatment) is refused, and nothing is changed.
        What someone else has just recorded answers 409, a batch changed since `If-Match` 412; `current` is the batch
        as it is. The ETag is the batch's.
        """
        try:
            entry, seeded = await batches.append_entry(
                uow, clock, access, batch_id, data.given(), seen_version(if_match)
            )
        except Conflict as error:
            error.current = _view(error.current) if isinstance(error.current, Seeded) else None
            raise
        recorded = Recorded(
            entry=view(EntryView, entry), batch=_view(seeded), caution=_CAUTIONS.get(entry.kind)
        )
        return Response(recorded, headers={"ETag": f'"{seeded.batch.version}"'})


def _view(seeded: Seeded) -> BatchView:
    batch, state = seeded.batch, seeded.state
    return BatchView(
        id=batch.id,
        house_id=batch.house_id,
        succession_id=batch.succession_id,
        cultivar_id=batch.cultivar_id,
        cultivars=[view(MixMember, m) for m in batch.cultivars],
        code=batch.code,
        stage=state.stage,
        seeded_on=batch.seeded_on,
        seeded_at=state.seeded_at,
        cells=state.cells,
        emerged=state.emerged,
        failed=state.failed,
        in_nursery=state.in_nursery,
        in_channels=state.in_channels,
        in_sections=[SectionPlants(section_id=s, plants=n) for s, n in state.in_sections],
        discarded=state.discarded,
        graded_out=state.graded_out,
        harvested=state.harvested,
        cuts=len(state.cuts),
        transplanted_at=state.transplanted_at,
        finished_at=state.finished_at,
        waiting_until=state.waiting_until,
        cut_while_waiting=list(state.cut_while_waiting),
        seed_lots=[view(SeedLotUsed, lot) for lot in seeded.seed_lots],
        trays=[view(TrayView, tray) for tray in seeded.trays],
        created_at=batch.created_at,
        version=batch.version,
    )


def _one(seeded: Seeded) -> Response[BatchView]:
    return Response(_view(seeded), headers={"ETag": f'"{seeded.batch.version}"'})
