"""Readings that a device sends over HTTP: read, checked and stored as those that come over MQTT."""

from __future__ import annotations

from datetime import timedelta

from service.clock import Clock
from service.records.sensors import add_lags
from service.records.store import UnitOfWork
from service.work.access import Access
from service.work.conditions import (
    Limits,
    Stored,
    judge_arrival,
    store_arrivals,
    stream_of,
)
from service.work.errors import FieldProblem, Impossible
from service.work.payloads import decode
from service.work.sensors import get_sensor

_NAMED = 100
_BACKLOG = timedelta(hours=12)
"""What is older was kept back or is brought by hand, and says nothing about how the device sends."""


async def push_readings(
    uow: UnitOfWork, clock: Clock, access: Access, sensor_id: int, payload: bytes, limits: Limits
) -> Stored:
    """Store the readings in a payload of a sensor: all of them, or none.

    What the sensor's topic would take over MQTT is taken: a number, an object, an array of samples.

    Raises
    ------
    NotFound
        If there is no such sensor.
    Impossible
        If the sensor is retired, or anything in the payload is not a reading; each sample is named.
    """
    sensor = await get_sensor(uow, access, sensor_id)
    if not sensor.active:
        raise Impossible(f"sensor {sensor.id} is retired; make it active again, or push to another one")
    stream = stream_of(sensor)
    now = clock.now()
    arrival = decode(sensor.topic, payload, now, [stream])
    faults = judge_arrival(arrival, limits)
    if faults:
        problems = [FieldProblem("", fault.detail) for fault in faults[:_NAMED]]
        more = f"; and {len(faults) - _NAMED} more" if len(faults) > _NAMED else ""
        raise Impossible("; ".join(fault.detail for fault in faults[:5]) + more, *problems)
    newest = max((sample.at for sample in arrival.samples), default=now)
    if timedelta(0) < now - newest <= _BACKLOG:
        row = {"sensor_id": sensor.id, "at": now.replace(minute=0, second=0, microsecond=0), "messages": 1}
        lag_s = (now - newest).total_seconds()
        await add_lags(uow, [{**row, "low_s": lag_s, "high_s": lag_s}])
    return await store_arrivals(uow, [arrival], limits)
