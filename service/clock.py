"""One clock for every process.

``EVENLEAF_CLOCK`` replaces the machine's time by a simulated one that the publisher, ingest and service can
share, for example ``start=2026-08-03T00:00:00Z;rate=200000;anchor=1790000000;until=2026-10-12T06:00:00Z``:

- ``start``: the simulated moment at the anchor,
- ``rate``: simulated seconds a real second (default 1; 0 stands still),
- ``anchor``: the real moment, in epoch seconds, at which it starts (default: when the process first looked),
- ``until``: where it stops and stands still.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Protocol

_LAST = datetime(9999, 1, 1, tzinfo=UTC)


class Clock(Protocol):
    """Tells the time. Everything outside :mod:`service.agronomy` that needs the time is handed one."""

    def now(self) -> datetime:
        """Return the present moment, aware, in UTC."""
        ...

    @property
    def rate(self) -> float:
        """Clock seconds a real second."""
        ...


class SystemClock:
    """The machine's own time."""

    rate = 1.0

    def now(self) -> datetime:
        """Return the present moment, aware, in UTC."""
        return datetime.now(UTC)


@dataclass(frozen=True)
class FixedClock:
    """A clock that stands still at one moment, for tests."""

    moment: datetime
    rate: float = 0.0

    def now(self) -> datetime:
        """Return the moment it stands at."""
        return self.moment


@dataclass(frozen=True)
class SimulatedClock:
    """A clock that starts at a stated moment, runs at a stated rate and may stop."""

    start: datetime
    rate: float
    anchor: float
    until: datetime | None = None

    def now(self) -> datetime:
        """Return the simulated moment, aware, in UTC."""
        elapsed = max(0.0, time.time() - self.anchor) * self.rate
        end = _LAST if self.until is None else self.until
        # Compared in seconds: a fast clock that is left running would leave the years that a date can have.
        return (
            end if elapsed >= (end - self.start).total_seconds() else self.start + timedelta(seconds=elapsed)
        )

    def spec(self) -> str:
        """Return the text that makes another process share this clock."""
        parts = [f"start={self.start.isoformat()}", f"rate={self.rate!r}", f"anchor={self.anchor!r}"]
        if self.until is not None:
            parts.append(f"until={self.until.isoformat()}")
        return ";".join(parts)


def parse_clock(spec: str | None) -> Clock:
    """Return the clock that a setting asks for.

    Raises
    ------
    ValueError
        If the text is not ``key=value`` pairs of start, rate, anchor and until, with ``start`` among them, or
        ``until`` lies before ``start``.
    """
    if not spec:
        return SystemClock()
    fields: dict[str, str] = {}
    for part in spec.split(";"):
        key, found, value = part.partition("=")
        if not found or key.strip() not in {"start", "rate", "anchor", "until"}:
            raise ValueError(f"{part!r} is not start=, rate=, anchor= or until=")
        fields[key.strip()] = value.strip()
    if "start" not in fields:
        raise ValueError("start= is missing, for example start=2026-08-03T00:00:00Z;rate=3600")
    start, rate = _moment("start", fields["start"]), _number("rate", fields.get("rate", "1"))
    until = _moment("until", fields["until"]) if "until" in fields else None
    if until is not None and until < start:
        raise ValueError(f"until={fields['until']} lies before start={fields['start']}")
    if not 0 <= rate <= 1e7:
        raise ValueError(f"rate={rate:g} is not between 0 and 10000000")
    return SimulatedClock(
        start=start,
        rate=rate,
        anchor=_number("anchor", fields["anchor"]) if "anchor" in fields else time.time(),
        until=until,
    )


def _number(key: str, text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise ValueError(f"{key}={text} is not a number")
    return number


def _moment(key: str, text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{key}={text} is not a moment such as 2026-08-03T00:00:00Z") from None
    if moment.tzinfo is None:
        raise ValueError(f"{key}={text} has no offset; write for example {moment.isoformat()}Z")
    return moment.astimezone(UTC)
