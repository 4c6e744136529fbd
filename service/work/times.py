"""Between moments, epoch hours and local days."""

from __future__ import annotations

from collections.abc import Iterable
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
    return np.fromiter(_clock(hours.tolist(), zone), dtype=np.float64, count=hours.size)


def _clock(hours: Iterable[int], zone: ZoneInfo) -> Iterable[float]:
    for hour in hours:
        local = (EPOCH + timedelta(hours=hour)).astimezone(zone)
        yield local.hour + local.minute / 60.0
