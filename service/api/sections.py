"""Sections."""

from __future__ import annotations

from typing import Annotated

from litestar import Controller, Response, get, patch, post
from litestar.params import JSONBody, QueryParameter
from msgspec import UNSET, Meta, UnsetType

from service.api.bodies import Body, Page, View
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
    OfZone,
    RowId,
    Uow,
    seen_version,
)
from service.work import sections
from service.work.sections import SectionView as Standing

ZoneId = Annotated[int, Meta(description="The zone it is a part of, of kind channels.", examples=[2])]
Code = Annotated[
    str,
    Meta(description="Short name: letters, digits, - and _; one of a kind in its zone.", examples=["A3"]),
]
Name = Annotated[str, Meta(description="Name; the code if not said.", examples=["Row A, third bench"])]
Sites = Annotated[
    int,
    Meta(
        description="Sites in it; all sections of a zone together have no more than the zone.", examples=[300]
    ),
]
Latitude = Annotated[
    float | None, Meta(description="Degrees north, for a farm map; null: the house's.", examples=[None])
]
Longitude = Annotated[float | None, Meta(description="Degrees east; null: the house's.", examples=[None])]
Active = Annotated[bool, Meta(description="False: it is out of use and takes no more plants.")]


class SectionNew(Body):
    """A section to be made."""

    zone_id: ZoneId
    code: Code
    sites: Sites
    name: Name | UnsetType = UNSET
    latitude_deg: Latitude | UnsetType = UNSET
    longitude_deg: Longitude | UnsetType = UNSET
    active: Active | UnsetType = UNSET


class SectionChange(Body):
    """What is to be different about a section."""

    code: Code | UnsetType = UNSET
    name: Name | UnsetType = UNSET
    sites: Sites | UnsetType = UNSET
    latitude_deg: Latitude | UnsetType = UNSET
    longitude_deg: Longitude | UnsetType = UNSET
    active: Active | UnsetType = UNSET


class SectionView(View):
    """A group of channels of one zone, and what stands in it."""

    id: int
    house_id: Annotated[int, Meta(description="The house it is in.")]
    zone_id: ZoneId
    code: Code
    name: Name
    sites: Sites
    latitude_deg: Latitude
    longitude_deg: Longitude
    active: Active
    standing: Annotated[int, Meta(description="Plants in it now, of all batches.")]
    free: Annotated[int, Meta(description="Sites on which nothing stands now.")]
    version: int


class SectionPage(Page):
    """Sections."""

    items: list[SectionView]


class Sections(Controller):
    """Sections."""

    path = "/sections"
    tags = ("Places",)

    @get(operation_id="listSections", responses=READ)
    async def list_sections(
        self,
        uow: Uow,
        access: Asker,
        house_id: OfHouse = None,
        zone_id: OfZone = None,
        active: Annotated[
            bool | None, QueryParameter(description="Only those in use, or those out of use.")
        ] = None,
        after: After = None,
        limit: Limit = PAGE,
    ) -> SectionPage:
        """List sections with what stands in them."""
        rows, following = await sections.list_sections(
            uow, access, house_id=house_id, zone_id=zone_id, active=active, after=after, limit=limit
        )
        return SectionPage(items=[_view(row) for row in rows], next=following)

    @post(operation_id="createSection", responses=CREATE, response_headers=[ETAG, LOCATION])
    async def create_section(
        self, uow: Uow, access: Asker, data: JSONBody[SectionNew]
    ) -> Response[SectionView]:
        """Make a section of a zone of channels."""
        row = await sections.create_section(uow, access, data.given())
        answer = _one(row)
        answer.status_code = 201
        answer.headers["Location"] = f"/v1/sections/{row.section.id}"
        return answer

    @get("/{section_id:int}", operation_id="getSection", responses=READ, response_headers=[ETAG])
    async def get_section(self, uow: Uow, access: Asker, section_id: RowId) -> Response[SectionView]:
        """Read a section."""
        return _one(await sections.get_section(uow, access, section_id))

    @patch("/{section_id:int}", operation_id="changeSection", responses=CHANGE, response_headers=[ETAG])
    async def change_section(
        self,
        uow: Uow,
        access: Asker,
        section_id: RowId,
        data: JSONBody[SectionChange],
        if_match: IfMatch = None,
    ) -> Response[SectionView]:
        """Change a section, or take it out of use once nothing stands in it."""
        return _one(
            await sections.change_section(uow, access, section_id, data.given(), seen_version(if_match))
        )


def _view(row: Standing) -> SectionView:
    section = row.section
    return SectionView(
        id=section.id,
        house_id=row.house_id,
        zone_id=section.zone_id,
        code=section.code,
        name=section.name,
        sites=section.sites,
        latitude_deg=section.latitude_deg,
        longitude_deg=section.longitude_deg,
        active=section.active,
        standing=row.standing,
        free=row.free,
        version=section.version,
    )


def _one(row: Standing) -> Response[SectionView]:
    return Response(_view(row), headers={"ETag": f'"{row.section.version}"'})
