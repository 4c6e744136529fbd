"""Zones."""

from __future__ import annotations

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
    After,
    Asker,
    IfMatch,
    Limit,
    OfHouse,
    RowId,
    Uow,
    made,
    one,
    seen_version,
)
from service.work import places

ZoneKind = Literal["nursery", "channels"]

HouseId = Annotated[int, Meta(description="The house it is a part of.", examples=[1])]
Name = Annotated[str, Meta(description="Name.", examples=["Nursery table"])]
Code = Annotated[
    str,
    Meta(
        description="Short name in MQTT topics: letters, digits, - and _; one of a kind in its house.",
        examples=["nursery"],
    ),
]
Kind = Annotated[ZoneKind, Meta(description="Where seedlings stand, or where heads grow.")]
Capacity = Annotated[int, Meta(description="Cells of a nursery, sites of channels.", examples=[2400])]
PlantsM2 = Annotated[float, Meta(description="Spacing, plants m⁻².", examples=[25.0])]


class ZoneNew(Body):
    """A zone to be made."""

    house_id: HouseId
    name: Name
    code: Code
    kind: Kind
    capacity: Capacity
    plants_m2: PlantsM2


class ZoneChange(Body):
    """What is to be different about a zone."""

    name: Name | UnsetType = UNSET
    code: Code | UnsetType = UNSET
    capacity: Capacity | UnsetType = UNSET
    plants_m2: PlantsM2 | UnsetType = UNSET


class ZoneView(View):
    """A part of a house with one climate and one spacing."""

    id: int
    house_id: HouseId
    name: Name
    code: Code
    kind: Kind
    capacity: Capacity
    plants_m2: PlantsM2
    version: int


class ZonePage(Page):
    """Zones."""

    items: list[ZoneView]


class Zones(Controller):
    """Zones."""

    path = "/zones"
    tags = ("Places",)

    @get(operation_id="listZones", responses=READ)
    async def list_zones(
        self,
        uow: Uow,
        access: Asker,
        house_id: OfHouse = None,
        kind: Annotated[ZoneKind | None, QueryParameter(description="Only of this kind.")] = None,
        after: After = None,
        limit: Limit = PAGE,
    ) -> ZonePage:
        """List zones."""
        rows = await places.list_zones(uow, access, house_id=house_id, kind=kind, after=after, limit=limit)
        return page(ZonePage, rows)

    @post(operation_id="createZone", responses=CREATE, response_headers=[ETAG, LOCATION])
    async def create_zone(self, uow: Uow, access: Asker, data: JSONBody[ZoneNew]) -> Response[ZoneView]:
        """Make a zone."""
        return made(ZoneView, await places.create_zone(uow, access, data.given()), "/v1/zones")

    @get("/{zone_id:int}", operation_id="getZone", responses=READ, response_headers=[ETAG])
    async def get_zone(self, uow: Uow, access: Asker, zone_id: RowId) -> Response[ZoneView]:
        """Read a zone."""
        return one(ZoneView, await places.get_zone(uow, access, zone_id))

    @patch("/{zone_id:int}", operation_id="changeZone", responses=CHANGE, response_headers=[ETAG])
    async def change_zone(
        self, uow: Uow, access: Asker, zone_id: RowId, data: JSONBody[ZoneChange], if_match: IfMatch = None
    ) -> Response[ZoneView]:
        """Change a zone. Its kind stays: batches are in it because of it."""
        return one(
            ZoneView, await places.change_zone(uow, access, zone_id, data.given(), seen_version(if_match))
        )
