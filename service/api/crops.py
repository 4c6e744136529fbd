"""Crops, cultivars and crop profiles."""

from __future__ import annotations

from typing import Annotated

from litestar import Controller, Response, get, patch, post
from litestar.params import JSONBody
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
    OfCrop,
    OfFarm,
    RowId,
    Uow,
    made,
    one,
    seen_version,
)
from service.work import crops
from service.work.profiles import profile, profile_names

FarmId = Annotated[int, Meta(description="The farm that grows it.", examples=[1])]
CropName = Annotated[str, Meta(description="Name, one of a kind in its farm.", examples=["Butterhead"])]
Profile = Annotated[str, Meta(description="Name of the crop profile it follows.", examples=["butterhead"])]
TargetFresh = Annotated[
    float | None,
    Meta(description="Fresh weight at which a head is ready, g; null: the profile's.", examples=[150.0]),
]
WindowOpen = Annotated[
    float | None,
    Meta(
        description="True leaves at which the transplant window opens; null: the profile's.", examples=[4.0]
    ),
]
WindowClose = Annotated[
    float | None,
    Meta(
        description="True leaves at which the transplant window closes; null: the profile's.", examples=[5.0]
    ),
]

CropId = Annotated[int, Meta(description="The crop it is a variety of.", examples=[1])]
SeasonMonths = Annotated[
    list[int] | None,
    Meta(
        description="Months in which it is seeded, 1 January to 12 December: advice leaves out seedings in others."
        " Null, if not said: all year.",
        examples=[[3, 4, 5, 6, 7, 8, 9]],
    ),
]
CultivarName = Annotated[str, Meta(description="Name, one of a kind in its crop.", examples=["Early green"])]


class CropNew(Body):
    """A crop to be made."""

    farm_id: FarmId
    name: CropName
    profile: Profile
    target_fresh_g: TargetFresh | UnsetType = UNSET
    window_open_leaves: WindowOpen | UnsetType = UNSET
    window_close_leaves: WindowClose | UnsetType = UNSET


class CropChange(Body):
    """What is to be different about a crop."""

    name: CropName | UnsetType = UNSET
    profile: Profile | UnsetType = UNSET
    target_fresh_g: TargetFresh | UnsetType = UNSET
    window_open_leaves: WindowOpen | UnsetType = UNSET
    window_close_leaves: WindowClose | UnsetType = UNSET


class CropView(View):
    """Species and type as a farm grows it."""

    id: int
    farm_id: FarmId
    name: CropName
    profile: Profile
    target_fresh_g: TargetFresh
    window_open_leaves: WindowOpen
    window_close_leaves: WindowClose
    version: int


class CropPage(Page):
    """Crops."""

    items: list[CropView]


class CultivarNew(Body):
    """A cultivar to be made."""

    crop_id: CropId
    name: CultivarName
    season_months: SeasonMonths | UnsetType = UNSET


class CultivarChange(Body):
    """What is to be different about a cultivar."""

    name: CultivarName | UnsetType = UNSET
    season_months: SeasonMonths | UnsetType = UNSET


class CultivarView(View):
    """A variety of a crop."""

    id: int
    crop_id: CropId
    name: CultivarName
    season_months: SeasonMonths
    version: int


class CultivarPage(Page):
    """Cultivars."""

    items: list[CultivarView]


class ProfileView(View):
    """What comes with the service about a crop: temperatures in °C, thermal times in degree-days (°C d)."""

    name: Annotated[str, Meta(examples=["butterhead"])]
    species: Annotated[str, Meta(examples=["Lactuca sativa"])]
    emergence_base_c: float
    emergence_optimum_c: float
    emergence_ceiling_c: float
    emergence_cd: Annotated[float, Meta(description="Thermal time from seeding to emergence, °C d.")]
    leaf_base_c: float
    leaf_optimum_c: float
    leaf_ceiling_c: float
    phyllochron_cd: Annotated[float, Meta(description="Thermal time a true leaf at 21 mol m⁻² d⁻¹, °C d.")]
    window_open_leaves: float
    window_close_leaves: float
    target_fresh_g: Annotated[float, Meta(description="Fresh weight at which a head is ready, g.")]
    dry_matter_fraction: Annotated[float, Meta(description="Dry over fresh weight of the shoot.")]
    heat_limit_c: Annotated[
        float | None,
        Meta(description="Above it in the first two days, seeds may not germinate; null: not known."),
    ]
    cuts: Annotated[int, Meta(description="Harvests of a planting.")]
    left_share: Annotated[float, Meta(description="Of the shoot weight, left by every cut but the last.")]
    sources: Annotated[dict[str, str], Meta(description="Where each value comes from.")]


class ProfileList(View):
    """Every crop profile."""

    items: list[ProfileView]


class Crops(Controller):
    """Crops."""

    path = "/crops"
    tags = ("Crops",)

    @get(operation_id="listCrops", responses=READ)
    async def list_crops(
        self,
        uow: Uow,
        access: Asker,
        farm_id: OfFarm = None,
        after: After = None,
        limit: Limit = PAGE,
    ) -> CropPage:
        """List crops."""
        return page(CropPage, await crops.list_crops(uow, access, farm_id=farm_id, after=after, limit=limit))

    @post(operation_id="createCrop", responses=CREATE, response_headers=[ETAG, LOCATION])
    async def create_crop(self, uow: Uow, access: Asker, data: JSONBody[CropNew]) -> Response[CropView]:
        """Make a crop."""
        return made(CropView, await crops.create_crop(uow, access, data.given()), "/v1/crops")

    @get("/{crop_id:int}", operation_id="getCrop", responses=READ, response_headers=[ETAG])
    async def get_crop(self, uow: Uow, access: Asker, crop_id: RowId) -> Response[CropView]:
        """Read a crop."""
        return one(CropView, await crops.get_crop(uow, access, crop_id))

    @patch("/{crop_id:int}", operation_id="changeCrop", responses=CHANGE, response_headers=[ETAG])
    async def change_crop(
        self, uow: Uow, access: Asker, crop_id: RowId, data: JSONBody[CropChange], if_match: IfMatch = None
    ) -> Response[CropView]:
        """Change a crop."""
        return one(
            CropView, await crops.change_crop(uow, access, crop_id, data.given(), seen_version(if_match))
        )


class Cultivars(Controller):
    """Cultivars."""

    path = "/cultivars"
    tags = ("Crops",)

    @get(operation_id="listCultivars", responses=READ)
    async def list_cultivars(
        self,
        uow: Uow,
        access: Asker,
        crop_id: OfCrop = None,
        after: After = None,
        limit: Limit = PAGE,
    ) -> CultivarPage:
        """List cultivars."""
        return page(
            CultivarPage, await crops.list_cultivars(uow, access, crop_id=crop_id, after=after, limit=limit)
        )

    @post(operation_id="createCultivar", responses=CREATE, response_headers=[ETAG, LOCATION])
    async def create_cultivar(
        self, uow: Uow, access: Asker, data: JSONBody[CultivarNew]
    ) -> Response[CultivarView]:
        """Make a cultivar."""
        return made(CultivarView, await crops.create_cultivar(uow, access, data.given()), "/v1/cultivars")

    @get("/{cultivar_id:int}", operation_id="getCultivar", responses=READ, response_headers=[ETAG])
    async def get_cultivar(self, uow: Uow, access: Asker, cultivar_id: RowId) -> Response[CultivarView]:
        """Read a cultivar."""
        return one(CultivarView, await crops.get_cultivar(uow, access, cultivar_id))

    @patch("/{cultivar_id:int}", operation_id="changeCultivar", responses=CHANGE, response_headers=[ETAG])
    async def change_cultivar(
        self,
        uow: Uow,
        access: Asker,
        cultivar_id: RowId,
        data: JSONBody[CultivarChange],
        if_match: IfMatch = None,
    ) -> Response[CultivarView]:
        """Change a cultivar."""
        row = await crops.change_cultivar(uow, access, cultivar_id, data.given(), seen_version(if_match))
        return one(CultivarView, row)


@get("/crop-profiles", operation_id="listCropProfiles", responses=READ, tags=["Crops"], sync_to_thread=False)
def list_crop_profiles() -> ProfileList:
    """List the crop profiles that come with the service, each value with its source."""
    return ProfileList(items=[view(ProfileView, profile(name)) for name in profile_names()])
