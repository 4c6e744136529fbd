"""What comes from sensors otherwise than over MQTT, what corrects it, and dead letters read again."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated, Literal, cast

from litestar import Response, get, patch, post
from litestar.datastructures import State
from litestar.openapi.spec import OpenAPIMediaType, Operation, RequestBody, Schema
from litestar.params import JSONBody, RawBody
from msgspec import UNSET, Meta, UnsetType

from service.api.bodies import Body, View, view
from service.api.operations import (
    CHANGE,
    CREATE,
    ETAG,
    READ,
    Asker,
    IfMatch,
    Now,
    RowId,
    Uow,
    seen_version,
    worked_out,
)
from service.api.problems import problem_responses
from service.records.store import Store
from service.records.tables import SensorCalibration
from service.settings import Settings
from service.work import imports
from service.work.conditions import Limits
from service.work.dead_letters import MOST_REPLAYED, replay_dead_letters
from service.work.payloads import MAX_PAYLOAD_BYTES
from service.work.pushing import push_readings as push
from service.work.sensor_calibrations import add_calibration, change_calibration, list_calibrations
from service.work.sensor_health import sensor_health


def limits_of(settings: Settings) -> Limits:
    """Return which moments are taken."""
    return Limits(
        timedelta(seconds=settings.max_reading_lead_s), timedelta(days=settings.max_reading_age_days)
    )


# --------------------------------------------------------------------------- pushed readings


class PushedView(View):
    """What became of pushed readings."""

    readings: Annotated[int, Meta(description="Readings stored; of several for one moment the last.")]
    hours: Annotated[int, Meta(description="Hours of the zone that they bear on.")]


@dataclass
class PayloadOperation(Operation):
    """An operation that takes a payload as devices send it, which is read as bytes and has no type to describe."""

    def __post_init__(self) -> None:
        """Describe the body."""
        content = {"application/json": OpenAPIMediaType(schema=Schema())}
        self.request_body = RequestBody(
            content=content,
            required=True,
            description="A number; an object with the value and its time at the sensor's pointers, or under `value`"
            ' and `time`; or an array of samples `[["2026-08-03T06:00:00Z", 21.5], ...]` or of such objects.',
        )


@post(
    "/sensors/{sensor_id:int}/readings",
    operation_id="pushReadings",
    tags=["Conditions"],
    responses=problem_responses(400, 401, 403, 404, 413, 422),
    status_code=200,
    dto=None,
    opt={"scope": "ingest"},
    request_max_body_size=MAX_PAYLOAD_BYTES,
    operation_class=PayloadOperation,
)
async def push_readings(
    state: State, clock: Now, access: Asker, sensor_id: RowId, body: RawBody
) -> PushedView:
    """Push readings of a sensor, in the unit of its payloads.

    The body is what the sensor's topic would take over MQTT. A value without a time is of now; one that is there
    already is overwritten, so that sending again does no harm. All or nothing: if anything is wrong, the answer is
    422 with every fault, and nothing is stored.
    """
    store: Store = state.store
    async with store.write() as uow:
        stored = await push(uow, clock, access, sensor_id, body, limits_of(state.settings))
    if stored.touched:
        await imports.settle_all(store)
    return PushedView(readings=stored.readings, hours=len(stored.touched))


# --------------------------------------------------------------------------- calibrations

FromAt = Annotated[datetime, Meta(description="First moment it holds.", examples=["2026-08-03T06:00:00Z"])]
UntilAt = Annotated[
    datetime | None,
    Meta(description="Moment before which it ends; null: until further notice.", examples=[None]),
]
Factor = Annotated[
    float, Meta(description="Right value = factor × value + offset; 1 if not said.", examples=[1.04])
]
Offset = Annotated[float, Meta(description="In the unit kept; 0 if not said.", examples=[0.0])]
Note = Annotated[
    str | None, Meta(description="With what it was compared.", examples=["against the quantum meter"])
]
Active = Annotated[bool, Meta(description="False: taken back. True if not said.")]


class CalibrationNew(Body):
    """A calibration to be recorded."""

    from_at: FromAt
    until_at: UntilAt | UnsetType = UNSET
    factor: Factor | UnsetType = UNSET
    offset: Offset | UnsetType = UNSET
    note: Note | UnsetType = UNSET


class CalibrationChange(Body):
    """What is to be different about a calibration."""

    from_at: FromAt | UnsetType = UNSET
    until_at: UntilAt | UnsetType = UNSET
    factor: Factor | UnsetType = UNSET
    offset: Offset | UnsetType = UNSET
    note: Note | UnsetType = UNSET
    active: Active | UnsetType = UNSET


class SensorCalibrationView(View):
    """What a comparison with a better instrument found."""

    id: int
    sensor_id: int
    from_at: FromAt
    until_at: UntilAt
    factor: Factor
    offset: Offset
    note: Note
    recorded_at: datetime
    recorded_by: str
    active: Active
    version: int
    hours: Annotated[
        int | UnsetType, Meta(description="Of a change: known hours that are computed again.")
    ] = UNSET


class SensorCalibrationList(View):
    """Calibrations of a sensor in order of their beginning, those taken back too."""

    items: list[SensorCalibrationView]


def _changed(
    changed: tuple[SensorCalibration, int], status_code: int = 200
) -> Response[SensorCalibrationView]:
    row, hours = changed
    shown = view(SensorCalibrationView, row)
    shown.hours = hours
    return Response(shown, status_code=status_code, headers={"ETag": f'"{row.version}"'})


@get(
    "/sensors/{sensor_id:int}/calibrations",
    operation_id="listSensorCalibrations",
    tags=["Conditions"],
    responses=READ,
)
async def list_sensor_calibrations(uow: Uow, access: Asker, sensor_id: RowId) -> SensorCalibrationList:
    """List the calibrations of a sensor."""
    rows = await list_calibrations(uow, access, sensor_id)
    return SensorCalibrationList(items=[view(SensorCalibrationView, row) for row in rows])


@post(
    "/sensors/{sensor_id:int}/calibrations",
    operation_id="addSensorCalibration",
    tags=["Conditions"],
    responses={**CREATE, **problem_responses(404)},
    response_headers=[ETAG],
)
async def add_sensor_calibration(
    uow: Uow, clock: Now, access: Asker, sensor_id: RowId, data: JSONBody[CalibrationNew]
) -> Response[SensorCalibrationView]:
    """Record a calibration. Readings stay as measured; the hours they make are computed again with it."""
    return _changed(await add_calibration(uow, clock, access, sensor_id, data.given()), 201)


@patch(
    "/sensor-calibrations/{calibration_id:int}",
    operation_id="changeSensorCalibration",
    tags=["Conditions"],
    responses=CHANGE,
    response_headers=[ETAG],
)
async def change_sensor_calibration(
    uow: Uow,
    access: Asker,
    calibration_id: RowId,
    data: JSONBody[CalibrationChange],
    if_match: IfMatch = None,
) -> Response[SensorCalibrationView]:
    """Change a calibration, or take it back. The hours it bore and bears on are computed again."""
    return _changed(
        await change_calibration(uow, access, calibration_id, data.given(), seen_version(if_match))
    )


# --------------------------------------------------------------------------- health

FaultWord = Literal[
    "silent",
    "stuck",
    "out_of_range",
    "jumping",
    "light_at_night",
    "dark_at_noon",
    "disagreement",
    "drift",
    "clock",
]


class SensorFaultView(View):
    """Something wrong with a sensor."""

    fault: FaultWord
    sentence: str
    next_step: str
    evidence: Annotated[dict[str, float], Meta(description="The figures it rests on.")]
    other_sensor_id: Annotated[int | None, Meta(description="Of a disagreement: the other sensor.")]


class SensorHealthView(View):
    """How a sensor does."""

    sensor_id: int
    at: datetime
    last_reading_at: Annotated[datetime | None, Meta(description="Null: none in the last week.")]
    readings: Annotated[int, Meta(description="Readings of the last day.")]
    dead_letters: Annotated[dict[str, int], Meta(description="Dead letters of the last day, by reason.")]
    faults: list[SensorFaultView]


@get("/sensors/{sensor_id:int}/health", operation_id="getSensorHealth", tags=["Conditions"], responses=READ)
async def get_sensor_health(
    uow: Uow, clock: Now, access: Asker, sensor_id: RowId
) -> Response[SensorHealthView]:
    """Read how a sensor does: whether it is silent, stuck, out of range, jumping, at odds with the sun or with its
    neighbour, drifting, or its device's clock is off. Alerts tell the same for as long as it lasts.
    """
    health = await sensor_health(uow, clock, access, sensor_id)
    shown = SensorHealthView(
        sensor_id=health.sensor.id,
        at=health.at,
        last_reading_at=health.last_at,
        readings=health.readings,
        dead_letters=health.refused,
        faults=[
            SensorFaultView(
                fault=cast("FaultWord", f.fault),
                sentence=f.sentence,
                next_step=f.next_step,
                evidence=f.evidence,
                other_sensor_id=f.other_id,
            )
            for f in health.faults
        ],
    )
    return worked_out(shown, "at")


# --------------------------------------------------------------------------- dead letters


class ReplayAsked(Body):
    """Which dead letters to read again: say at least a topic, a sensor or a reason."""

    topic: Annotated[str, Meta(description="Of this topic.", examples=["evenleaf/N1/temp"])] | UnsetType = (
        UNSET
    )
    sensor_id: Annotated[int, Meta(description="On the topic of this sensor.", examples=[1])] | UnsetType = (
        UNSET
    )
    reason: Annotated[str, Meta(description="With this reason.", examples=["unknown_topic"])] | UnsetType = (
        UNSET
    )
    after: Annotated[int, Meta(description="`next` of the answer before.", examples=[0])] | UnsetType = UNSET
    limit: (
        Annotated[int, Meta(description=f"How many to look at, 1 to {MOST_REPLAYED}.", examples=[1000])]
        | UnsetType
    ) = UNSET


class ReplayedView(View):
    """What became of dead letters that were read again."""

    looked_at: int
    gone: Annotated[int, Meta(description="Letters without a fault now: they left the list.")]
    readings: Annotated[int, Meta(description="Readings in them; those that were there already stayed.")]
    next: Annotated[int | None, Meta(description="`after` to go on with; null: none is left.")]


@post(
    "/dead-letters/replay",
    operation_id="replayDeadLetters",
    tags=["Conditions"],
    responses=problem_responses(400, 401, 403, 422),
    status_code=200,
)
async def replay(uow: Uow, state: State, access: Asker, data: JSONBody[ReplayAsked]) -> ReplayedView:
    """Read dead letters again, after a sensor was made or put right, oldest first.

    What parses now is stored, and a letter without a fault leaves the list; the others keep what is wrong with them
    now. Only letters on a topic that a sensor claims are looked at. The hours are computed shortly after.
    """
    done = await replay_dead_letters(uow, access, limits_of(state.settings), **data.given())
    return ReplayedView(looked_at=done.looked_at, gone=done.gone, readings=done.readings, next=done.next)
