"""Calibrations of sensors: what a comparison with a better instrument found, and from when until when it holds.

Readings stay as they were measured. Calibrations apply where readings are made into hours, so that one can be
corrected or taken back, and the hours it bears on are computed again. Hours of which the readings were dropped
stay as they are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from service.agronomy import sampling
from service.clock import Clock
from service.records import saving as record_saving
from service.records import sensors as records
from service.records.listing import find
from service.records.store import UnitOfWork
from service.records.tables import Sensor, SensorCalibration
from service.work import fields
from service.work.access import Access
from service.work.errors import Conflict, FieldProblem, NotFound, impossible
from service.work.fields import Field, Merged, checked_changes, checked_new
from service.work.saving import check_version, refusals
from service.work.sensors import get_sensor

_END = datetime(2200, 1, 1, tzinfo=UTC)
_CALIBRATION = {
    "from_at": Field(fields.moment, required=True),
    "until_at": Field(fields.moment, nullable=True),
    "factor": Field(fields.number(0.01, 100)),
    "offset": Field(fields.number(-1e4, 1e4)),
    "note": Field(fields.text(2000), nullable=True),
    "active": Field(fields.flag),
}
_CHANGED = FieldProblem("", "it was changed by someone else")


async def add_calibration(
    uow: UnitOfWork, clock: Clock, access: Access, sensor_id: int, values: Mapping[str, Any]
) -> tuple[SensorCalibration, int]:
    """Record a calibration of a sensor; return it and how many hours will be computed again.

    Raises
    ------
    Impossible
        If the span is none, or a running total is given an offset.
    Conflict
        If another calibration holds in a part of the span.
    """
    cleaned = checked_new(_CALIBRATION, values)
    sensor = await get_sensor(uow, access, sensor_id)
    await records.lock_sensor(uow, sensor.id)
    row = SensorCalibration(**cleaned, sensor_id=sensor.id, recorded_at=clock.now(), recorded_by=access.name)
    await _check(uow, sensor, row)
    with refusals(_CHANGED):
        await record_saving.insert(uow, row)
    return row, await _touch(uow, sensor, [(row.from_at, row.until_at)])


async def list_calibrations(uow: UnitOfWork, access: Access, sensor_id: int) -> Sequence[SensorCalibration]:
    """Return the calibrations of a sensor in order of their beginning, those taken back too."""
    sensor = await get_sensor(uow, access, sensor_id)
    return await records.calibrations_of(uow, [sensor.id], all_of_them=True)


async def get_calibration(uow: UnitOfWork, access: Access, calibration_id: int) -> SensorCalibration:
    """Return a calibration."""
    row = await find(uow, SensorCalibration, calibration_id)
    if row is None:
        raise NotFound(f"there is no calibration {calibration_id}")
    await get_sensor(uow, access, row.sensor_id)
    return row


async def change_calibration(
    uow: UnitOfWork,
    access: Access,
    calibration_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> tuple[SensorCalibration, int]:
    """Change a calibration, or take it back (``active`` false); return it and how many hours it bears on.

    Raises
    ------
    Impossible, Conflict
        As :func:`add_calibration`; also if it is at another version than the expected.
    """
    row = await get_calibration(uow, access, calibration_id)
    sensor = await get_sensor(uow, access, row.sensor_id)
    await records.lock_sensor(uow, sensor.id)
    cleaned = checked_changes(_CALIBRATION, row, changes)
    check_version(row, expected_version)
    await _check(uow, sensor, Merged(row, cleaned), row.id)
    spans = [(row.from_at, row.until_at)]
    with refusals(_CHANGED, expected_version):
        async with record_saving.saving(uow):
            record_saving.change(row, cleaned)
    spans.append((row.from_at, row.until_at))
    return row, await _touch(uow, sensor, spans)


async def _check(
    uow: UnitOfWork, sensor: Sensor, row: SensorCalibration | Merged, own_id: int | None = None
) -> None:
    end = row.until_at or _END
    if end <= row.from_at:
        raise impossible("until_at", f"it must be later than from_at, {row.from_at.isoformat()}")
    if sensor.sampling == "total" and row.offset:
        raise impossible("offset", "a running total takes a factor only: an offset of it changes no light")
    if not row.active:
        return
    for other in await records.calibrations_of(uow, [sensor.id]):
        if other.id != own_id and other.from_at < end and row.from_at < (other.until_at or _END):
            until = "now on" if other.until_at is None else other.until_at.isoformat()
            problem = (
                f"calibration {other.id} holds from {other.from_at.isoformat()} to {until};"
                " end that one first, or take it back"
            )
            raise Conflict(problem, FieldProblem("from_at", problem))


async def _touch(uow: UnitOfWork, sensor: Sensor, spans: Sequence[tuple[datetime, datetime | None]]) -> int:
    """Mark the hours that calibrated readings bear on to be computed again; return how many there are."""
    if sensor.zone_id is None or sensor.quantity not in {"temp_air_c", "ppfd_umol"}:
        return 0
    before_s, after_s = sampling.reach_s(sensor.sampling, sensor.interval_s)
    start = min(span[0] for span in spans) - timedelta(seconds=before_s, hours=1)
    end = max(span[1] or _END for span in spans) + timedelta(seconds=after_s)
    return await records.touch_known_hours(uow, sensor.zone_id, start, end)
