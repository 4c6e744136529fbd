"""When a sensor counts as silent: one rule for the watch, its health and the pages."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np

from service.agronomy.sensor_health import AT_ONCE, Sending, silent_after_s
from service.agronomy.sensor_health import sending as learned
from service.records import sensors as records
from service.records.store import UnitOfWork
from service.records.tables import Sensor

LEARNED_OVER = timedelta(days=2)


async def sendings(uow: UnitOfWork, sensor_ids: Sequence[int], now: datetime) -> dict[int, Sending]:
    """Return how the devices of sensors send, as far as their arrivals tell."""
    arrivals = await records.arrivals_since(uow, sensor_ids, now - LEARNED_OVER)
    return {
        sensor_id: learned(
            np.array([at.timestamp() for at, _, _ in rows]),
            np.array([float(messages) for _, messages, _ in rows]),
            np.array([low_s for _, _, low_s in rows]),
        )
        for sensor_id, rows in arrivals.items()
    }


def silent_after(sensor: Sensor, sends: Sending | None) -> timedelta:
    """Return how long after its last reading a sensor counts as silent."""
    return timedelta(seconds=silent_after_s(sensor.interval_s, sends or AT_ONCE))
