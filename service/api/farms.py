"""Farms."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from litestar import Controller, Response, get, patch, post
from litestar.params import JSONBody
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
    RowId,
    Uow,
    made,
    one,
    seen_version,
)
from service.work import places

Name = Annotated[str, Meta(description="Name, unlike that of any other farm.", examples=["Northfield"])]


Address = Annotated[
    str | None,
    Meta(
        description="Where crops are cut, cooled and packed: street or place, town, region, post code, country."
        " Goes into the records of a trace.",
        examples=["1 Greenhouse Lane, Northfield, 00000"],
    ),
]
Phone = Annotated[
    str | None,
    Meta(description="Telephone number, for the records of a trace.", examples=["+1 555 010 0199"]),
]


class FarmNew(Body):
    """A farm to be made."""

    name: Name
    address: Address | UnsetType = UNSET
    phone: Phone | UnsetType = UNSET


class FarmChange(Body):
    """What is to be different about a farm."""

    name: Name | UnsetType = UNSET
    address: Address | UnsetType = UNSET
    phone: Phone | UnsetType = UNSET


class FarmView(View):
    """A farm: the limit of what a token may see."""

    id: int
    name: Name
    address: Address
    phone: Phone
    created_at: datetime
    version: int


class FarmPage(Page):
    """Farms."""

    items: list[FarmView]


class Farms(Controller):
    """Farms."""

    path = "/farms"
    tags = ("Places",)

    @get(operation_id="listFarms", responses=READ)
    async def list_farms(self, uow: Uow, access: Asker, after: After = None, limit: Limit = PAGE) -> FarmPage:
        """List the farms that the token may see."""
        return page(FarmPage, await places.list_farms(uow, access, after=after, limit=limit))

    @post(
        operation_id="createFarm", opt={"scope": "admin"}, responses=CREATE, response_headers=[ETAG, LOCATION]
    )
    async def create_farm(
        self, uow: Uow, clock: Now, access: Asker, data: JSONBody[FarmNew]
    ) -> Response[FarmView]:
        """Make a farm. Takes the scope `admin` and a token that is not limited to a farm."""
        return made(FarmView, await places.create_farm(uow, clock, access, data.given()), "/v1/farms")

    @get("/{farm_id:int}", operation_id="getFarm", responses=READ, response_headers=[ETAG])
    async def get_farm(self, uow: Uow, access: Asker, farm_id: RowId) -> Response[FarmView]:
        """Read a farm."""
        return one(FarmView, await places.get_farm(uow, access, farm_id))

    @patch(
        "/{farm_id:int}",
        operation_id="changeFarm",
        opt={"scope": "admin"},
        responses=CHANGE,
        response_headers=[ETAG],
    )
    async def change_farm(
        self, uow: Uow, access: Asker, farm_id: RowId, data: JSONBody[FarmChange], if_match: IfMatch = None
    ) -> Response[FarmView]:
        """Change a farm. Takes the scope `admin`."""
        return one(
            FarmView, await places.change_farm(uow, access, farm_id, data.given(), seen_version(if_match))
        )
