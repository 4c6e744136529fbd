"""Between moments, epoch hours and local days."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_HOUR = timedelta(hours=1)

SEEDING_TIME = time(8)  # local; what a seeding without a time of day is taken for


def epoch_hours(moment: datetime) -> float:
    """Return hours since 1970-01-01T00Z."""
    return (moment - EPOCH) / _HOUR


def moment_of(hours: float) -> datetime:
    """Return the moment, to the minute."""
    return EPOCH + timedelta(minutes=round(hours * 60.0))


def local_day(moment: datetime, zone: ZoneInfo) -> date:
    """Return the local day of a moment."""
    return moment.astimezone(zone).date()


def day_begin(day: date, zone: ZoneInfo) -> datetime:
    """Return the moment, in UTC, at which a local day begins."""
    return datetime.combine(day, time(), zone).astimezone(UTC)


def seeding_moment(day: date, zone: ZoneInfo) -> datetime:
    """Return the moment at which a seeding of that local day is taken to happen."""
    return datetime.combine(day, SEEDING_TIME, zone).astimezone(UTC)


def local_clock_hours(hours: NDArray[np.int64], zone: ZoneInfo) -> NDArray[np.float64]:
    """Return the local clock time at the start of each epoch hour, 0 to 24."""
    if not hours.size:
        return np.empty(0)
    # The clock is asked once a day, and each hour only on days on which it is changed.
    days = np.arange(hours.min() // 24, hours.max() // 24 + 2)
    offset = np.array([_offset_h(24 * day, zone) for day in days.tolist()])
    at = hours // 24 - days[0]
    found = offset[at]
    changed = np.flatnonzero(found != offset[at + 1])
    found[changed] = [_offset_h(hour, zone) for hour in hours[changed].tolist()]
    return np.asarray((hours + found) % 24.0)


def _offset_h(hour: int, zone: ZoneInfo) -> float:
    offset = (EPOCH + timedelta(hours=hour)).astimezone(zone).utcoffset() or timedelta()
    return offset / _HOUR
