"""Houses."""

from __future__ import annotations

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
    OfFarm,
    RowId,
    Uow,
    made,
    one,
    seen_version,
)
from service.work import places

FarmId = Annotated[int, Meta(description="The farm it belongs to.", examples=[1])]
Name = Annotated[str, Meta(description="Name.", examples=["North house"])]
Code = Annotated[
    str,
    Meta(
        description="Short name in MQTT topics and batch codes: letters, digits, - and _;"
        " one of a kind in its farm.",
        examples=["N1"],
    ),
]
Latitude = Annotated[float, Meta(description="Degrees north, -90 to 90.", examples=[52.1])]
Longitude = Annotated[float, Meta(description="Degrees east, -180 to 180.", examples=[5.3])]
Elevation = Annotated[
    float, Meta(description="Metres above sea level, -450 to 6000; 0 if not said.", examples=[12.0])
]
TimeZone = Annotated[
    str, Meta(description="IANA time zone of its local days and clock hours.", examples=["Europe/Paris"])
]
Transmission = Annotated[
    float, Meta(description="Light inside over light outside, above 0 to 1; 0.6 if not said.", examples=[0.6])
]
Co2 = Annotated[
    float, Meta(description="Carbon dioxide by day, ppm, 100 to 3000; 400 if not said.", examples=[400.0])
]
HeatDay = Annotated[float, Meta(description="Heating set point by day, °C; 18 if not said.", examples=[18.0])]
HeatNight = Annotated[
    float, Meta(description="Heating set point by night, °C; 16 if not said.", examples=[16.0])
]
Vent = Annotated[float, Meta(description="Ventilation set point, °C; 24 if not said.", examples=[24.0])]
LampPpfd = Annotated[
    float,
    Meta(
        description="Lamp light at the canopy, µmol m⁻² s⁻¹; 0, if not said, is no lamps.", examples=[120.0]
    ),
]
LampStart = Annotated[
    float, Meta(description="Local clock hour at which lamps start, 0 to 24.", examples=[4.0])
]
LampHours = Annotated[float, Meta(description="Hours a day that lamps are on, 0 to 24.", examples=[16.0])]


class HouseNew(Body):
    """A house to be made."""

    farm_id: FarmId
    name: Name
    code: Code
    latitude_deg: Latitude
    longitude_deg: Longitude
    time_zone: TimeZone
    elevation_m: Elevation | UnsetType = UNSET
    light_transmission: Transmission | UnsetType = UNSET
    co2_ppm: Co2 | UnsetType = UNSET
    temp_heat_day_c: HeatDay | UnsetType = UNSET
    temp_heat_night_c: HeatNight | UnsetType = UNSET
    temp_vent_c: Vent | UnsetType = UNSET
    lamp_ppfd_umol: LampPpfd | UnsetType = UNSET
    lamp_start_h: LampStart | UnsetType = UNSET
    lamp_hours: LampHours | UnsetType = UNSET


class HouseChange(Body):
    """What is to be different about a house."""

    name: Name | UnsetType = UNSET
    code: Code | UnsetType = UNSET
    latitude_deg: Latitude | UnsetType = UNSET
    longitude_deg: Longitude | UnsetType = UNSET
    elevation_m: Elevation | UnsetType = UNSET
    time_zone: TimeZone | UnsetType = UNSET
    light_transmission: Transmission | UnsetType = UNSET
    co2_ppm: Co2 | UnsetType = UNSET
    temp_heat_day_c: HeatDay | UnsetType = UNSET
    temp_heat_night_c: HeatNight | UnsetType = UNSET
    temp_vent_c: Vent | UnsetType = UNSET
    lamp_ppfd_umol: LampPpfd | UnsetType = UNSET
    lamp_start_h: LampStart | UnsetType = UNSET
    lamp_hours: LampHours | UnsetType = UNSET


class HouseView(View):
    """A greenhouse."""

    id: int
    farm_id: FarmId
    name: Name
    code: Code
    latitude_deg: Latitude
    longitude_deg: Longitude
    elevation_m: Elevation
    time_zone: TimeZone
    light_transmission: Transmission
    co2_ppm: Co2
    temp_heat_day_c: HeatDay
    temp_heat_night_c: HeatNight
    temp_vent_c: Vent
    lamp_ppfd_umol: LampPpfd
    lamp_start_h: LampStart
    lamp_hours: LampHours
    version: int


class HousePage(Page):
    """Houses."""

    items: list[HouseView]


class Houses(Controller):
    """Houses."""

    path = "/houses"
    tags = ("Places",)

    @get(operation_id="listHouses", responses=READ)
    async def list_houses(
        self,
        uow: Uow,
        access: Asker,
        farm_id: OfFarm = None,
        after: After = None,
        limit: Limit = PAGE,
    ) -> HousePage:
        """List houses."""
        return page(
            HousePage, await places.list_houses(uow, access, farm_id=farm_id, after=after, limit=limit)
        )

    @post(operation_id="createHouse", responses=CREATE, response_headers=[ETAG, LOCATION])
    async def create_house(self, uow: Uow, access: Asker, data: JSONBody[HouseNew]) -> Response[HouseView]:
        """Make a house."""
        return made(HouseView, await places.create_house(uow, access, data.given()), "/v1/houses")

    @get("/{house_id:int}", operation_id="getHouse", responses=READ, response_headers=[ETAG])
    async def get_house(self, uow: Uow, access: Asker, house_id: RowId) -> Response[HouseView]:
        """Read a house."""
        return one(HouseView, await places.get_house(uow, access, house_id))

    @patch("/{house_id:int}", operation_id="changeHouse", responses=CHANGE, response_headers=[ETAG])
    async def change_house(
        self, uow: Uow, access: Asker, house_id: RowId, data: JSONBody[HouseChange], if_match: IfMatch = None
    ) -> Response[HouseView]:
        """Change a house."""
        return one(
            HouseView, await places.change_house(uow, access, house_id, data.given(), seen_version(if_match))
        )
