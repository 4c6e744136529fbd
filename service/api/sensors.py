"""Sensors."""

from __future__ import annotations

from typing import Annotated, Literal

from litestar import Controller, Response, get, patch, post
from litestar.datastructures import State
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
    OfZone,
    RowId,
    Uow,
    made,
    one,
    seen_version,
)
from service.work import sensors
from service.work.quantities import QUANTITIES

HouseId = Annotated[int, Meta(description="The house it is in.", examples=[1])]
ZoneId = Annotated[
    int | None,
    Meta(
        description="The zone it measures; null: outdoors or of the whole house, which makes no hours.",
        examples=[1],
    ),
]
Name = Annotated[str, Meta(description="Name.", examples=["canopy temperature"])]
Quantity = Annotated[
    str,
    Meta(
        description="What it measures, kept in: "
        + "; ".join(f"`{q.name}` ({q.label}), {q.unit}" for q in QUANTITIES.values())
        + ".",
        examples=["temp_air_c"],
    ),
]
Unit = Annotated[
    str,
    Meta(
        description="Unit of its payloads: "
        + "; ".join(f"{q.name}: {', '.join(f'`{unit}`' for unit in q.units)}" for q in QUANTITIES.values())
        + ".",
        examples=["degC"],
    ),
]
Topic = Annotated[
    str,
    Meta(
        description="MQTT topic, which may hold {farm} {house} {zone} {quantity} {name};"
        f" {sensors.ZONE_TOPIC} if not said ({sensors.HOUSE_TOPIC} without a zone). Kept filled in. One that"
        " EVENLEAF_MQTT_TOPIC does not match is refused.",
        examples=["evenleaf/N1/nursery/temp_air_c"],
    ),
]
Pointer = Annotated[
    str,
    Meta(
        description="JSON pointer (RFC 6901) into its payloads; empty: found by itself.",
        examples=["/temperature"],
    ),
]
SamplingWord = Literal["instant", "mean", "change", "total"]
Sampling = Annotated[
    SamplingWord,
    Meta(
        description="How its values come about: `instant`; `mean` over the interval that ends at the stamp;"
        " on `change`; running `total`. instant if not said."
    ),
]
Interval = Annotated[
    float, Meta(description="Expected time between samples, s; 300 if not said.", examples=[300.0])
]
LightSource = Annotated[
    str, Meta(description="Light source, for lux and W m⁻² to photons; sun if not said.", examples=["sun"])
]
Factor = Annotated[
    float, Meta(description="Calibration: multiplies the converted value; 1 if not said.", examples=[1.0])
]
Valid = Annotated[
    float | None,
    Meta(
        description="Bound of plausible values, in the unit kept; null: the quantity's own.", examples=[45.0]
    ),
]
ClockCorrection = Annotated[
    float | None,
    Meta(
        description="Added to the times its messages bring, s, for a device whose clock is off: -3600 if it is an hour"
        " ahead. Null: times are taken as they come.",
        examples=[None],
    ),
]
Active = Annotated[bool, Meta(description="Whether its messages are taken; true if not said.")]


class SensorNew(Body):
    """A sensor to be made."""

    house_id: HouseId
    name: Name
    quantity: Quantity
    unit: Unit
    zone_id: ZoneId | UnsetType = UNSET
    topic: Topic | UnsetType = UNSET
    value_pointer: Pointer | UnsetType = UNSET
    time_pointer: Pointer | UnsetType = UNSET
    sampling: Sampling | UnsetType = UNSET
    interval_s: Interval | UnsetType = UNSET
    light_source: LightSource | UnsetType = UNSET
    factor: Factor | UnsetType = UNSET
    valid_min: Valid | UnsetType = UNSET
    valid_max: Valid | UnsetType = UNSET
    active: Active | UnsetType = UNSET
    clock_correction_s: ClockCorrection | UnsetType = UNSET


class SensorChange(Body):
    """What is to be different about a sensor from now on; what it measured stays as it is."""

    name: Name | UnsetType = UNSET
    unit: Unit | UnsetType = UNSET
    topic: Topic | UnsetType = UNSET
    value_pointer: Pointer | UnsetType = UNSET
    time_pointer: Pointer | UnsetType = UNSET
    sampling: Sampling | UnsetType = UNSET
    interval_s: Interval | UnsetType = UNSET
    light_source: LightSource | UnsetType = UNSET
    factor: Factor | UnsetType = UNSET
    valid_min: Valid | UnsetType = UNSET
    valid_max: Valid | UnsetType = UNSET
    active: Active | UnsetType = UNSET
    clock_correction_s: ClockCorrection | UnsetType = UNSET


class SensorView(View):
    """One stream of values of one quantity."""

    id: int
    house_id: HouseId
    zone_id: ZoneId
    name: Name
    quantity: Quantity
    unit: Unit
    topic: Topic
    value_pointer: Pointer
    time_pointer: Pointer
    sampling: Sampling
    interval_s: Interval
    light_source: LightSource
    factor: Factor
    valid_min: Valid
    valid_max: Valid
    active: Active
    clock_correction_s: ClockCorrection
    version: int


class SensorPage(Page):
    """Sensors."""

    items: list[SensorView]


class Sensors(Controller):
    """Sensors."""

    path = "/sensors"
    tags = ("Conditions",)

    @get(operation_id="listSensors", responses=READ)
    async def list_sensors(
        self,
        uow: Uow,
        access: Asker,
        house_id: OfHouse = None,
        zone_id: OfZone = None,
        quantity: Annotated[str | None, QueryParameter(description="Only of this quantity.")] = None,
        active: Annotated[bool | None, QueryParameter(description="Only those taken, or not.")] = None,
        after: After = None,
        limit: Limit = PAGE,
    ) -> SensorPage:
        """List sensors."""
        rows = await sensors.list_sensors(
            uow,
            access,
            house_id=house_id,
            zone_id=zone_id,
            quantity=quantity,
            active=active,
            after=after,
            limit=limit,
        )
        return page(SensorPage, rows)

    @post(operation_id="createSensor", responses=CREATE, response_headers=[ETAG, LOCATION])
    async def create_sensor(
        self, uow: Uow, access: Asker, state: State, data: JSONBody[SensorNew]
    ) -> Response[SensorView]:
        """Make a sensor. Its messages are taken from now on."""
        listens = state.settings.mqtt_topic
        row = await sensors.create_sensor(uow, access, data.given(), listens=listens)
        return made(SensorView, row, "/v1/sensors")

    @get("/{sensor_id:int}", operation_id="getSensor", responses=READ, response_headers=[ETAG])
    async def get_sensor(self, uow: Uow, access: Asker, sensor_id: RowId) -> Response[SensorView]:
        """Read a sensor."""
        return one(SensorView, await sensors.get_sensor(uow, access, sensor_id))

    @patch("/{sensor_id:int}", operation_id="changeSensor", responses=CHANGE, response_headers=[ETAG])
    async def change_sensor(
        self,
        uow: Uow,
        access: Asker,
        state: State,
        sensor_id: RowId,
        data: JSONBody[SensorChange],
        if_match: IfMatch = None,
    ) -> Response[SensorView]:
        """Change a sensor. What and where it measures stays: make another one for that."""
        row = await sensors.change_sensor(
            uow,
            access,
            sensor_id,
            data.given(),
            seen_version(if_match),
            listens=state.settings.mqtt_topic,
        )
        return one(SensorView, row)
