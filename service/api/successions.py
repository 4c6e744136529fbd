"""Successions."""

from __future__ import annotations

from typing import Annotated

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
    After,
    Asker,
    IfMatch,
    Limit,
    OfCrop,
    OfHouse,
    RowId,
    Uow,
    made,
    one,
    seen_version,
)
from service.work import programme

HouseId = Annotated[int, Meta(description="The house it runs in.", examples=[1])]
CropId = Annotated[int, Meta(description="The crop, of the same farm.", examples=[1])]
CultivarId = Annotated[
    int | None, Meta(description="The cultivar usually sown; null: not said, or a mix.", examples=[1])
]
NurseryZoneId = Annotated[int, Meta(description="The nursery its seedlings stand in.", examples=[1])]
ChannelsZoneId = Annotated[int, Meta(description="The channels its heads grow in.", examples=[2])]
Name = Annotated[str, Meta(description="Name, one of a kind in its house.", examples=["Butterhead, weekly"])]
Heads = Annotated[int, Meta(description="Heads wanted each harvest interval.", examples=[400])]
HarvestInterval = Annotated[float, Meta(description="Days between two harvests, 1 to 60.", examples=[7.0])]
SeedingInterval = Annotated[
    float, Meta(description="Days between two seedings as practised now, 1 to 60.", examples=[7.0])
]
Weekdays = Annotated[
    list[int],
    Meta(description="Weekdays on which seeding is allowed, 1 Monday to 7 Sunday.", examples=[[1, 3, 5]]),
]
Cells = Annotated[int, Meta(description="Cells sown each seeding.", examples=[480])]
KeepShare = Annotated[
    float, Meta(description="Share of the seeded cells that is transplanted, above 0 to 1.", examples=[0.85])
]
Active = Annotated[bool, Meta(description="Whether it runs; true if not said.")]


class MixMember(Body):
    """One cultivar of a mix."""

    cultivar_id: Annotated[int, Meta(description="The cultivar, of the same crop.", examples=[1])]
    share: Annotated[
        float, Meta(description="Share of a cell's weight, above 0 to 1; all add up to 1.", examples=[0.25])
    ]


Cultivars = Annotated[
    list[MixMember],
    Meta(
        description="A mix: several cultivars sown in every cell, with their shares; empty: none. A cell is ready "
        "when the slowest of them reaches its share of the target weight."
    ),
]


class SuccessionNew(Body):
    """A succession to be made."""

    house_id: HouseId
    crop_id: CropId
    nursery_zone_id: NurseryZoneId
    channels_zone_id: ChannelsZoneId
    name: Name
    heads_per_harvest: Heads
    harvest_interval_days: HarvestInterval
    seeding_interval_days: SeedingInterval
    seeding_weekdays: Weekdays
    cells_per_seeding: Cells
    keep_share: KeepShare
    cultivar_id: CultivarId | UnsetType = UNSET
    cultivars: Cultivars | UnsetType = UNSET
    active: Active | UnsetType = UNSET


class SuccessionChange(Body):
    """What is to be different about a succession."""

    cultivar_id: CultivarId | UnsetType = UNSET
    cultivars: Cultivars | UnsetType = UNSET
    nursery_zone_id: NurseryZoneId | UnsetType = UNSET
    channels_zone_id: ChannelsZoneId | UnsetType = UNSET
    name: Name | UnsetType = UNSET
    heads_per_harvest: Heads | UnsetType = UNSET
    harvest_interval_days: HarvestInterval | UnsetType = UNSET
    seeding_interval_days: SeedingInterval | UnsetType = UNSET
    seeding_weekdays: Weekdays | UnsetType = UNSET
    cells_per_seeding: Cells | UnsetType = UNSET
    keep_share: KeepShare | UnsetType = UNSET
    active: Active | UnsetType = UNSET


class SuccessionView(View):
    """A standing programme: this crop in this house, this many heads every harvest interval."""

    id: int
    house_id: HouseId
    crop_id: CropId
    cultivar_id: CultivarId
    cultivars: Cultivars
    nursery_zone_id: NurseryZoneId
    channels_zone_id: ChannelsZoneId
    name: Name
    heads_per_harvest: Heads
    harvest_interval_days: HarvestInterval
    seeding_interval_days: SeedingInterval
    seeding_weekdays: Weekdays
    cells_per_seeding: Cells
    keep_share: KeepShare
    active: Active
    version: int


class SuccessionPage(Page):
    """Successions."""

    items: list[SuccessionView]


class Successions(Controller):
    """Successions."""

    path = "/successions"
    tags = ("Successions",)

    @get(operation_id="listSuccessions", responses=READ)
    async def list_successions(
        self,
        uow: Uow,
        access: Asker,
        house_id: OfHouse = None,
        crop_id: OfCrop = None,
        active: Annotated[bool | None, QueryParameter(description="Only those that run, or do not.")] = None,
        after: After = None,
        limit: Limit = PAGE,
    ) -> SuccessionPage:
        """List successions."""
        rows = await programme.list_successions(
            uow, access, house_id=house_id, crop_id=crop_id, active=active, after=after, limit=limit
        )
        return page(SuccessionPage, rows)

    @post(operation_id="createSuccession", responses=CREATE, response_headers=[ETAG, LOCATION])
    async def create_succession(
        self, uow: Uow, access: Asker, data: JSONBody[SuccessionNew]
    ) -> Response[SuccessionView]:
        """Make a succession."""
        row = await programme.create_succession(uow, access, data.given())
        return made(SuccessionView, row, "/v1/successions")

    @get("/{succession_id:int}", operation_id="getSuccession", responses=READ, response_headers=[ETAG])
    async def get_succession(self, uow: Uow, access: Asker, succession_id: RowId) -> Response[SuccessionView]:
        """Read a succession."""
        return one(SuccessionView, await programme.get_succession(uow, access, succession_id))

    @patch("/{succession_id:int}", operation_id="changeSuccession", responses=CHANGE, response_headers=[ETAG])
    async def change_succession(
        self,
        uow: Uow,
        access: Asker,
        succession_id: RowId,
        data: JSONBody[SuccessionChange],
        if_match: IfMatch = None,
    ) -> Response[SuccessionView]:
        """Change a succession."""
        row = await programme.change_succession(
            uow, access, succession_id, data.given(), seen_version(if_match)
        )
        return one(SuccessionView, row)
