"""Local time of a house, for whole series at once."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

_DAY_S = 86_400


def local_seconds(time_s: NDArray[np.int64], zone: ZoneInfo) -> NDArray[np.int64]:
    """Return seconds since 1970 as the clock on the wall would count them.

    The offset is looked up once an hour; it changes nowhere within one.
    """
    hours, where = np.unique(time_s // 3600, return_inverse=True)
    offsets = np.array([_offset_s(int(hour) * 3600, zone) for hour in hours], dtype=np.int64)
    return time_s + offsets[where]


def local_hour(time_s: NDArray[np.int64], zone: ZoneInfo) -> NDArray[np.float64]:
    """Return the local clock, 0 to 24 h."""
    return (local_seconds(time_s, zone) % _DAY_S) / 3600.0


def moment(day: date, hour: float, zone: ZoneInfo) -> datetime:
    """Return the moment, in UTC, at which the clock on the wall shows this hour of a day."""
    minutes = round(hour * 60)
    return datetime.combine(day, time(minutes // 60, minutes % 60), zone).astimezone(UTC)


def _offset_s(at_s: int, zone: ZoneInfo) -> int:
    offset = datetime.fromtimestamp(at_s, zone).utcoffset()
    return 0 if offset is None else round(offset.total_seconds())
