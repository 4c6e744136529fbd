"""House events."""

from __future__ import annotations

from datetime import date
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
from service.work import events

KindWord = Literal["shade", "set_points", "lamps", "cleaning", "closed"]

HouseId = Annotated[int, Meta(description="The house.", examples=[1])]
Kind = Annotated[KindWord, Meta(description="What changes.", examples=["shade"])]
StartsOn = Annotated[date, Meta(description="First local day.", examples=["2026-05-04"])]
EndsOn = Annotated[
    date | None,
    Meta(
        description="Last local day. Null: until another of its kind starts; cleaning and closed days need one.",
        examples=["2026-09-06"],
    ),
]
LightFactor = Annotated[
    float | None, Meta(description="Of shade: light with the paint over light without.", examples=[0.7])
]
HeatDay = Annotated[float | None, Meta(description="Of set points: heating by day, °C.", examples=[None])]
HeatNight = Annotated[float | None, Meta(description="Of set points: heating by night, °C.", examples=[None])]
Vent = Annotated[float | None, Meta(description="Of set points: ventilation, °C.", examples=[None])]
LampPpfd = Annotated[
    float | None, Meta(description="Of lamps: light at the canopy, µmol m⁻² s⁻¹.", examples=[None])
]
LampStart = Annotated[
    float | None, Meta(description="Of lamps: local clock hour at which they start.", examples=[None])
]
LampHours = Annotated[float | None, Meta(description="Of lamps: hours a day.", examples=[None])]
ZoneId = Annotated[int | None, Meta(description="Of cleaning: the zone, of kind channels.", examples=[None])]
Sites = Annotated[int | None, Meta(description="Of cleaning: sites out of use; null: all.", examples=[None])]
Note = Annotated[str | None, Meta(description="Anything worth keeping.", examples=["one coat"])]
Active = Annotated[bool, Meta(description="False: called off. True if not said.")]


class EventNew(Body):
    """A house event to be recorded."""

    house_id: HouseId
    kind: Kind
    starts_on: StartsOn
    ends_on: EndsOn | UnsetType = UNSET
    light_factor: LightFactor | UnsetType = UNSET
    temp_heat_day_c: HeatDay | UnsetType = UNSET
    temp_heat_night_c: HeatNight | UnsetType = UNSET
    temp_vent_c: Vent | UnsetType = UNSET
    lamp_ppfd_umol: LampPpfd | UnsetType = UNSET
    lamp_start_h: LampStart | UnsetType = UNSET
    lamp_hours: LampHours | UnsetType = UNSET
    zone_id: ZoneId | UnsetType = UNSET
    sites: Sites | UnsetType = UNSET
    note: Note | UnsetType = UNSET
    active: Active | UnsetType = UNSET


class EventChange(Body):
    """What is to be different about a house event."""

    starts_on: StartsOn | UnsetType = UNSET
    ends_on: EndsOn | UnsetType = UNSET
    light_factor: LightFactor | UnsetType = UNSET
    temp_heat_day_c: HeatDay | UnsetType = UNSET
    temp_heat_night_c: HeatNight | UnsetType = UNSET
    temp_vent_c: Vent | UnsetType = UNSET
    lamp_ppfd_umol: LampPpfd | UnsetType = UNSET
    lamp_start_h: LampStart | UnsetType = UNSET
    lamp_hours: LampHours | UnsetType = UNSET
    zone_id: ZoneId | UnsetType = UNSET
    sites: Sites | UnsetType = UNSET
    note: Note | UnsetType = UNSET
    active: Active | UnsetType = UNSET


class EventView(View):
    """A dated change of a house: shade paint, set points, lamps, cleaning, closed days."""

    id: int
    house_id: HouseId
    kind: Kind
    starts_on: StartsOn
    ends_on: EndsOn
    light_factor: LightFactor
    temp_heat_day_c: HeatDay
    temp_heat_night_c: HeatNight
    temp_vent_c: Vent
    lamp_ppfd_umol: LampPpfd
    lamp_start_h: LampStart
    lamp_hours: LampHours
    zone_id: ZoneId
    sites: Sites
    note: Note
    active: Active
    version: int


class EventPage(Page):
    """House events."""

    items: list[EventView]


class Events(Controller):
    """House events."""

    path = "/events"
    tags = ("House",)

    @get(operation_id="listEvents", responses=READ)
    async def list_events(
        self,
        uow: Uow,
        access: Asker,
        house_id: OfHouse = None,
        kind: Annotated[str | None, QueryParameter(description="Only of this kind.")] = None,
        active: Annotated[
            bool | None, QueryParameter(description="Only those that hold, or those called off.")
        ] = None,
        after: After = None,
        limit: Limit = PAGE,
    ) -> EventPage:
        """List house events."""
        rows = await events.list_events(
            uow, access, house_id=house_id, kind=kind, active=active, after=after, limit=limit
        )
        return page(EventPage, rows)

    @post(operation_id="createEvent", responses=CREATE, response_headers=[ETAG, LOCATION])
    async def create_event(self, uow: Uow, access: Asker, data: JSONBody[EventNew]) -> Response[EventView]:
        """Record a dated change of a house, past or to come.

        Shade paint, set points and lamps change the outlook; a day that was measured under paint is read as
        such. Of one kind, what started last holds while it lasts, and two may not start on the same day.
        Cleaning takes sites out of use; on closed days nothing is advised to be seeded.
        """
        return made(EventView, await events.create_event(uow, access, data.given()), "/v1/events")

    @get("/{event_id:int}", operation_id="getEvent", responses=READ, response_headers=[ETAG])
    async def get_event(self, uow: Uow, access: Asker, event_id: RowId) -> Response[EventView]:
        """Read a house event."""
        return one(EventView, await events.get_event(uow, access, event_id))

    @patch("/{event_id:int}", operation_id="changeEvent", responses=CHANGE, response_headers=[ETAG])
    async def change_event(
        self, uow: Uow, access: Asker, event_id: RowId, data: JSONBody[EventChange], if_match: IfMatch = None
    ) -> Response[EventView]:
        """Change a house event, or call it off. For another kind, record another event."""
        row = await events.change_event(uow, access, event_id, data.given(), seen_version(if_match))
        return one(EventView, row)
