"""Gaps and gluts of harvest, seedlings against sites that fall free, and space that runs over.

Times are days on any scale, the same for all. Every judgement has two thresholds, to begin and to end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

GAP, GAP_BACK = 1.5, 1.3
"""Days between two harvests over the wished, from which it is a gap, and below which it is none any more. Assumed."""
GLUT, GLUT_BACK = 0.4, 0.55
LEAST_DAYS = 2.0
"""Days by which they must differ at least: a day is made up by cutting a little early or late."""
YOUNG_DAYS, YOUNG_BACK_DAYS = 2.0, 1.0
"""Days that seedlings need longer than their sites wait, to begin and to end. Assumed."""
FULL_BACK = 0.97


@dataclass(frozen=True)
class Spacing:
    """Two harvests of a succession that are too far apart or too close."""

    kind: Literal["gap", "glut"]
    first: float
    """Day of the earlier harvest."""
    second: float
    days: float


def harvest_spacing(
    harvests: Sequence[float],
    interval_days: float,
    now: float,
    horizon_days: float,
    was: Literal["gap", "glut"] | None,
) -> Spacing | None:
    """Return the worst spacing between harvests that follow each other, of those that begin within the horizon.

    Parameters
    ----------
    harvests : sequence of float
        Days on which batches were or are expected to be cut, the last one before now included. [d]
    interval_days : float
        Wished. [d]
    now, horizon_days : float
        Present day, and how far to look. [d]
    was : {"gap", "glut"} or None
        What an alert is open of already.
    """
    days = sorted(harvests)
    worst: tuple[float, Spacing] | None = None
    for first, second in pairwise(days):
        apart = second - first
        if second <= now or first > now + horizon_days:
            continue
        kind: Literal["gap", "glut"] = "gap" if apart > interval_days else "glut"
        off = abs(apart - interval_days)
        if kind == "gap":
            passed = apart > (GAP_BACK if was == "gap" else GAP) * interval_days
        else:
            passed = apart < (GLUT_BACK if was == "glut" else GLUT) * interval_days
        if passed and off >= LEAST_DAYS and (worst is None or off > worst[0]):
            worst = (off, Spacing(kind, first, second, apart))
    return None if worst is None else worst[1]


@dataclass(frozen=True)
class Waiting:
    """Seedlings on the nursery table."""

    code: str
    plants: float
    opens: float
    """Day on which they are old enough."""
    closes: float
    """Day after which they are too old."""
    planned: float | None = None
    """Day on which they are to be transplanted, where that is settled."""


@dataclass(frozen=True)
class Standing:
    """A batch in the channels."""

    plants: float
    leaves: float
    """Day on which its sites fall free."""


@dataclass(frozen=True)
class Young:
    """Seedlings that are too young when their sites are free."""

    code: str
    free: float
    opens: float
    planned: bool

    @property
    def days(self) -> float:
        """How long sites wait for them."""
        return self.opens - self.free


def too_young(
    waiting: Sequence[Waiting],
    standing: Sequence[Standing],
    sites: float,
    now: float,
    was: Sequence[str] = (),
) -> list[Young]:
    """Return seedlings whose sites fall free, or whose transplant is planned, before they are old enough.

    Batches take sites in the order given. Sites that are free already are no news: only a harvest to come makes sites
    wait.

    Parameters
    ----------
    waiting, standing
        Batches on the table and in the channels.
    sites
        Of the zone.
    now
        Present day. [d]
    was
        Codes of which an alert is open already.
    """
    found = []
    freed = sorted(((max(s.leaves, now), s.plants) for s in standing), key=lambda pair: pair[0])
    free = sites - sum(s.plants for s in standing)
    at = now
    for batch in waiting:
        while free < batch.plants and freed:
            at, plants = freed.pop(0)
            free += plants
        if free < batch.plants:
            break
        free -= batch.plants
        least = YOUNG_BACK_DAYS if batch.code in was else YOUNG_DAYS
        planned = batch.planned is not None
        when = batch.planned if batch.planned is not None else at
        if (planned or at > now) and batch.opens - when >= least:
            found.append(Young(batch.code, when, batch.opens, planned))
    return found


@dataclass(frozen=True)
class Stay:
    """Plants or cells that take up space from one day to another."""

    amount: float
    begins: float
    ends: float


@dataclass(frozen=True)
class Overfull:
    """More than fits."""

    first: float
    """First day on which it is too much."""
    peak: float
    """The most there is, of what fits so much."""
    capacity: float

    @property
    def over(self) -> float:
        """How much too much."""
        return self.peak - self.capacity


def overfull(
    stays: Sequence[Stay], capacity: float, now: float, horizon_days: float, was: bool
) -> Overfull | None:
    """Return when and by how much space runs over within the horizon; it ends a little below full."""
    most = FULL_BACK * capacity if was else capacity
    days = sorted({now, *(s.begins for s in stays if now < s.begins <= now + horizon_days)})
    load = [(day, sum(s.amount for s in stays if s.begins <= day < s.ends)) for day in days]
    over = [(day, amount) for day, amount in load if amount > most]
    if not over:
        return None
    return Overfull(over[0][0], max(amount for _, amount in over), capacity)
