"""The belt of a house: where each batch lies on its way to the door, and where there is none.

Time to harvest runs along the belt, the door at its end. A batch lies where its forecast puts it and is as long as
the range of its harvest, 10 to 90 %. Each succession has a lane of its own; on it the transplant window is marked
between the nursery's stretch and the channels'. Pure geometry in days; the templates draw it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from statistics import median

from service.work.line import LineBatch

SHORTEST_DAYS = 14
LONGEST_DAYS = 84  # further away little is known, and what is near would be squeezed
GAP_OVER = 1.5  # harvest intervals without a harvest: a gap; ours
GLUT_UNDER = 0.5  # of a harvest interval between two harvests: a glut; ours
NAME_SHARE = 0.09  # of the belt that a batch's name takes at least
READY_SHARE = 0.14  # with the word that it is ready


@dataclass(frozen=True)
class Laid:
    """A batch where it lies. Days are days to harvest, from now; less than none: overdue."""

    batch: LineBatch
    near: float  # 10 %
    middle: float
    far: float  # 90 %, or the end of the belt
    open_ended: bool  # 90 % lies beyond the belt, or beyond what is foreseen
    centre: float  # of its name
    half: float  # of the room that it takes on its track
    track: int = 0

    @property
    def in_nursery(self) -> bool:
        """Whether it stands in the nursery."""
        return self.batch.stage == "nursery"


@dataclass(frozen=True)
class Stretch:
    """A part of a lane with too few harvests, or too many."""

    kind: str  # gap | glut
    near: float
    far: float
    first: datetime
    last: datetime
    harvests: int

    @property
    def days(self) -> float:
        """How long it is."""
        return self.far - self.near


@dataclass(frozen=True)
class Lane:
    """A succession's lane."""

    succession_id: int
    name: str
    laid: tuple[Laid, ...]
    tracks: int
    window_near: float | None  # days to harvest when the transplant window closes
    window_far: float | None  # and when it opens
    stretches: tuple[Stretch, ...]

    @property
    def boundary(self) -> float | None:
        """Days to harvest at which the nursery ends and the channels begin."""
        if self.window_near is None or self.window_far is None:
            return None
        return (self.window_near + self.window_far) / 2


@dataclass(frozen=True)
class Belt:
    """The belt of a house."""

    at: datetime
    days: int  # its length
    lanes: tuple[Lane, ...]
    later: tuple[LineBatch, ...]  # expected beyond the belt
    unforeseen: tuple[LineBatch, ...]  # not foreseen to be ready, or not forecast yet

    @property
    def weeks(self) -> list[int]:
        """Days ahead at which a week is marked."""
        step = 7 if self.days <= 70 else 14
        return list(range(step, self.days, step))

    def along(self, days: float) -> float:
        """Return how far along the belt something lies, in percent; the door is at 100."""
        return round(100.0 * (1.0 - min(max(days, 0.0), self.days) / self.days), 2)

    def moment(self, days: float) -> datetime:
        """Return the moment so many days ahead."""
        return self.at + timedelta(days=days)

    @property
    def gaps(self) -> list[tuple[Lane, Stretch]]:
        """Every gap, soonest first."""
        return self._stretches("gap")

    @property
    def gluts(self) -> list[tuple[Lane, Stretch]]:
        """Every glut, soonest first."""
        return self._stretches("glut")

    def _stretches(self, kind: str) -> list[tuple[Lane, Stretch]]:
        found = [(lane, s) for lane in self.lanes for s in lane.stretches if s.kind == kind]
        return sorted(found, key=lambda item: item[1].near)


def lay(
    batches: Sequence[LineBatch], now: datetime, intervals: Mapping[int, float], names: Mapping[int, str]
) -> Belt:
    """Lay batches on the belt.

    Parameters
    ----------
    batches
        Of the house, in any order.
    now
        Where the door is.
    intervals
        Days wished between two harvests, by the id of the succession; those that are still seeded.
    names
        Of successions, by id.
    """
    foreseen = [b for b in batches if b.harvest is not None and b.harvest.p50 is not None]
    unforeseen = tuple(b for b in batches if b.harvest is None or b.harvest.p50 is None)
    placed = [b for b in foreseen if _middle(b, now) < LONGEST_DAYS]
    later = tuple(b for b in foreseen if _middle(b, now) >= LONGEST_DAYS)
    reach = max((_middle(b, now) for b in placed), default=0.0) + 1.0
    days = min(max(SHORTEST_DAYS, 7 * math.ceil(reach / 7)), LONGEST_DAYS)
    by_lane: dict[int, list[LineBatch]] = {succession_id: [] for succession_id in intervals}
    for batch in placed:
        by_lane.setdefault(batch.succession_id, []).append(batch)
    lanes = [
        _lane(succession_id, names[succession_id], of, now, days, intervals.get(succession_id))
        for succession_id, of in by_lane.items()
    ]
    return Belt(now, days, tuple(sorted(lanes, key=lambda lane: lane.name)), later, unforeseen)


def _ahead(moment: datetime, now: datetime) -> float:
    return (moment - now).total_seconds() / 86400.0


def _middle(batch: LineBatch, now: datetime) -> float:
    if batch.harvest is None or batch.harvest.p50 is None:
        return math.inf
    return _ahead(batch.harvest.p50, now)


def _lane(
    succession_id: int,
    name: str,
    batches: Sequence[LineBatch],
    now: datetime,
    days: int,
    interval: float | None,
) -> Lane:
    laid, tracks = _pack([_laid(b, now, days) for b in batches])
    nursery = [b for b in batches if b.stage == "nursery"] or list(batches)
    opens = [d for b in nursery if (d := _before_harvest(b, "window_open")) is not None]
    closes = [d for b in nursery if (d := _before_harvest(b, "window_close")) is not None]
    return Lane(
        succession_id=succession_id,
        name=name,
        laid=tuple(laid),
        tracks=tracks,
        window_near=median(closes) if closes else None,
        window_far=median(opens) if opens else None,
        stretches=tuple(_stretches(laid, now, interval)) if interval else (),
    )


def _laid(batch: LineBatch, now: datetime, days: int) -> Laid:
    span = batch.harvest
    assert span is not None  # noqa: S101 - only those that have one are placed
    middle = _middle(batch, now)
    near = _ahead(span.p10, now) if span.p10 else middle
    beyond = span.p90 is None or _ahead(span.p90, now) > days
    far = float(days) if beyond or span.p90 is None else _ahead(span.p90, now)
    least = (READY_SHARE if middle <= 0 else NAME_SHARE) * days
    half = max(far - max(near, 0.0), least) / 2
    centre = min(max((far + max(near, 0.0)) / 2, half), days - half)
    return Laid(batch, near, middle, far, beyond, centre, half)


def _before_harvest(batch: LineBatch, event: str) -> float | None:
    """Return how many days before its harvest something of a batch happens, medians taken."""
    span = getattr(batch, event)
    if span is None or span.p50 is None or batch.harvest is None or batch.harvest.p50 is None:
        return None
    return _ahead(batch.harvest.p50, span.p50)


def _pack(laid: Sequence[Laid]) -> tuple[list[Laid], int]:
    """Put batches on as few tracks as keep them and their names apart."""
    ends: list[float] = []
    packed = []
    for item in sorted(laid, key=lambda i: (i.centre - i.half, i.middle, i.batch.id)):
        track = next((n for n, end in enumerate(ends) if end <= item.centre - item.half), len(ends))
        if track == len(ends):
            ends.append(0.0)
        ends[track] = item.centre + item.half
        packed.append(replace(item, track=track))
    return packed, max(1, len(ends))


def _stretches(laid: Sequence[Laid], now: datetime, interval: float) -> list[Stretch]:
    """Return gaps and gluts between the coming harvests, and the gap before the first."""
    found: list[Stretch] = []
    days = sorted(max(item.middle, 0.0) for item in laid)
    before = 0.0
    for n, day in enumerate(days):
        apart = day - before
        if apart > GAP_OVER * interval:
            found.append(_stretch("gap", before, day, now, 0))
        elif n and apart < GLUT_UNDER * interval:
            last = found[-1] if found else None
            if last is not None and last.kind == "glut" and last.far >= before:
                found[-1] = _stretch("glut", last.near, day, now, last.harvests + 1)
            else:
                found.append(_stretch("glut", before, day, now, 2))
        before = day
    return found


def _stretch(kind: str, near: float, far: float, now: datetime, harvests: int) -> Stretch:
    return Stretch(kind, near, far, now + timedelta(days=near), now + timedelta(days=far), harvests)
