"""The way between a seed lot and a buyer."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated

from litestar import get
from litestar.params import QueryParameter
from msgspec import Meta

from service.api.bodies import View, view
from service.api.operations import READ, Asker, Uow
from service.work import trace as work
from service.work.trace import Trace

Beginning = Annotated[
    str,
    QueryParameter(
        name="from",
        description="Where to begin: `seedLot:3`, `batch:12`, `section:4` (with `on`), `harvest:77` (the entry),"
        " `packedLot:7`, `lotCode:N1-260914-01`, `delivery:9`, `order:5` (`on`: one day of it).",
    ),
]
OnDay = Annotated[
    date | None,
    QueryParameter(name="on", description="Local day, of a section (must be said) or of an order."),
]


class BeginningView(View):
    """Where a trace begins."""

    kind: str
    key: str
    on: date | None
    label: Annotated[str, Meta(description="For people.", examples=["seed lot 4711-A"])]


class SownView(View, gc=False):
    """Seed of a lot in a batch."""

    seed_lot_id: int
    seeds: int
    cells: Annotated[int | None, Meta(description="Cells sown with it; null: all of the batch.")]


class TracedSeedLot(View, gc=False):
    """A seed lot along the way."""

    id: int
    lot_number: Annotated[str, Meta(description="The supplier's.")]
    crop: str
    cultivar: str
    supplier: str | None
    received_on: date
    form: str
    seeds: int


class TracedBatchView(View, gc=False):
    """A batch along the way."""

    id: int
    code: str
    house_id: int
    house: str
    crop: str
    cultivars: list[str]
    seeded_on: date
    stage: str
    seed_lots: list[SownView]


class TracedSection(View, gc=False):
    """A section along the way, and where it lies."""

    id: int
    code: str
    name: str
    zone_id: int
    zone: str
    house_id: int
    house: str
    sites: int
    latitude_deg: float
    longitude_deg: float
    own_place: Annotated[bool, Meta(description="False: the coordinates are those of its house.")]


class StayView(View, gc=False):
    """A batch in a section."""

    batch_id: int
    section_id: int
    since: datetime
    until: Annotated[datetime | None, Meta(description="Null: it may still stand there.")]


class TracedHarvest(View, gc=False):
    """A harvest that holds."""

    entry_id: int
    batch_id: int
    harvested_at: datetime
    heads: int
    weight_g: Annotated[float | None, Meta(description="Fresh weight a head, g.")]
    zone_id: int | None
    section_id: int | None
    grade: str | None
    recorded_at: datetime
    recorded_by: str


class LinkView(View, gc=False):
    """Heads of a harvest in a packed lot."""

    entry_id: int
    heads: int


class TracedLotView(View, gc=False):
    """A packed lot along the way."""

    id: int
    code: str
    house_id: int
    crop: str
    packed_at: datetime
    heads: int
    weight_kg: float | None
    gtin: str | None
    description: str | None
    cooled_at: datetime | None
    cooled_where: str | None
    packed_where: str | None
    reference: str | None
    harvests: Annotated[
        list[LinkView], Meta(description="What it was made from; of a corrected harvest, the correction.")
    ]


class TracedDelivery(View, gc=False):
    """Heads of a packed lot that left."""

    id: int
    packed_lot_id: int
    order_id: int | None
    for_on: date
    heads: int
    weight_kg: float | None
    recipient: str | None
    reference: str | None


class TracedOrder(View, gc=False):
    """An order along the way."""

    id: int
    buyer: str
    crop: str
    active: bool


class CorrectedView(View, gc=False):
    """An entry that is not followed, because it was corrected or taken back."""

    entry_id: int
    batch_id: int
    kind: str
    happened_at: datetime
    recorded_at: datetime
    recorded_by: str
    plants: int | None
    superseded_by_id: int | None
    void: Annotated[bool, Meta(description="It only takes another entry back.")]
    packed_lot_ids: Annotated[
        list[int],
        Meta(description="Lots that say they were packed from it though it was taken back: look there."),
    ]


class TraceView(View):
    """All that lies on the way through one thing, from seed to buyer."""

    beginning: BeginningView
    farm_id: int
    seed_lots: list[TracedSeedLot]
    batches: list[TracedBatchView]
    sections: list[TracedSection]
    stays: list[StayView]
    harvests: list[TracedHarvest]
    packed_lots: list[TracedLotView]
    deliveries: list[TracedDelivery]
    orders: list[TracedOrder]
    corrected: list[CorrectedView]


@get("/trace", operation_id="trace", tags=["Trace"], responses=READ)
async def get_trace(uow: Uow, access: Asker, beginning: Beginning, on: OnDay = None) -> TraceView:
    """Follow seed, plants and heads both ways from a seed lot, batch, section, harvest, lot, delivery or order.

    The batch is what is traced: all of it follows from each of its seed lots and from each section it stood in. An
    entry that was corrected is listed and not followed; its correction is.
    """
    return trace_view(await work.trace(uow, access, beginning, on))


def trace_view(found: Trace) -> TraceView:
    """Return a trace as shown."""
    return TraceView(
        beginning=view(BeginningView, found.beginning),
        farm_id=found.farm_id,
        seed_lots=[view(TracedSeedLot, row) for row in found.seed_lots],
        batches=[view(TracedBatchView, row) for row in found.batches],
        sections=[view(TracedSection, row) for row in found.sections],
        stays=[view(StayView, row) for row in found.stays],
        harvests=[view(TracedHarvest, row) for row in found.harvests],
        packed_lots=[
            TracedLotView(
                id=lot.lot.id,
                code=lot.lot.code,
                house_id=lot.lot.house_id,
                crop=lot.lot.crop,
                packed_at=lot.lot.packed_at,
                heads=lot.lot.heads,
                weight_kg=lot.lot.weight_kg,
                gtin=lot.lot.gtin,
                description=lot.lot.description,
                cooled_at=lot.lot.cooled_at,
                cooled_where=lot.lot.cooled_where,
                packed_where=lot.lot.packed_where,
                reference=lot.lot.reference,
                harvests=[LinkView(entry_id=link.entry_id, heads=link.heads) for link in lot.harvests],
            )
            for lot in found.packed_lots
        ],
        deliveries=[view(TracedDelivery, row) for row in found.deliveries],
        orders=[view(TracedOrder, row) for row in found.orders],
        corrected=[view(CorrectedView, row) for row in found.corrected],
    )
