"""One clock for every process.

``EVENLEAF_CLOCK`` replaces the machine's time by a simulated one that the publisher, ingest and service can
share, for example ``start=2026-08-03T00:00:00Z;rate=200000;anchor=1790000000;until=2026-10-12T06:00:00Z``:

- ``start``: the simulated moment at the anchor,
- ``rate``: simulated seconds a real second (default 1; 0 stands still),
- ``anchor``: the real moment, in epoch seconds, at which it starts (default: when the process first looked),
- ``until``: where it stops and stands still.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Protocol


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
        moment = self.start + timedelta(seconds=elapsed)
        return moment if self.until is None else min(moment, self.until)

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
        If the text is not ``key=value`` pairs of start, rate, anchor and until, with ``start`` among them.
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
    rate = float(fields.get("rate", "1"))
    if not 0 <= rate <= 1e7:
        raise ValueError(f"rate={rate:g} is not between 0 and 10000000")
    return SimulatedClock(
        start=_moment(fields["start"]),
        rate=rate,
        anchor=float(fields.get("anchor", time.time())),
        until=_moment(fields["until"]) if "until" in fields else None,
    )


def _moment(text: str) -> datetime:
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} has no offset; write for example {text}Z")
    return moment.astimezone(UTC)
