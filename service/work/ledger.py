"""A batch's ledger: what its entries say together, and which entries contradict each other.

Entries are facts. One that was wrong is superseded by a correction, never erased; a void correction only
takes the fact back. Everything known of a batch is derived from the facts that hold, in the order in which
they happened, whatever the order in which they were recorded.

- ``seeded``: this many cells. There is always exactly one.
- ``emergence_counted``: this many seedlings came up in all cells so far; the latest count holds.
- ``leaves_counted``: true leaves a plant, on average.
- ``transplanted``: this many plants went from the nursery to channels.
- ``moved``: all plants in the nursery (before the first transplant) or in channels (after it) went to another
  zone.
- ``discarded``: this many plants were thrown away; those of the nursery first, if no zone is said.
- ``harvested``: this many heads were cut in the channels. If the entry says that they regrow, the plants stay on
  their sites for another cut.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from service.records.tables import Entry
from service.work.errors import FieldProblem, Impossible

Stage = Literal["nursery", "channels", "finished"]

KINDS = (
    "seeded",
    "emergence_counted",
    "leaves_counted",
    "transplanted",
    "moved",
    "discarded",
    "harvested",
)
"""Kinds of entries, in the order in which those of one moment are taken to have happened."""

READINESS = ("early", "ready", "held")
"""How ready heads were when they were cut: not yet; just; for some days."""

MAX_LEAVES = 60.0
MAX_WEIGHT_G = 5000.0

_SAID = {
    "seeded": "seeding",
    "emergence_counted": "emergence count",
    "leaves_counted": "leaf count",
    "transplanted": "transplant",
    "moved": "move",
    "discarded": "discard",
    "harvested": "harvest",
}
_WITH_PLANTS = frozenset({"seeded", "emergence_counted", "transplanted", "discarded", "harvested"})
_WITHOUT_PLANTS = frozenset({"moved"})
_EMPTYING = frozenset({"emergence_counted", "discarded", "harvested"})


@dataclass(frozen=True)
class LedgerState:
    """What the facts of a ledger say together."""

    seeded_at: datetime
    cells: int
    emerged: int | None
    emerged_at: datetime | None
    """The first count that found at least half of the seedlings that came up in the end; they may have been before."""
    in_nursery: int
    in_channels: int
    discarded: int
    harvested: int
    """Plants that are gone because they were cut; those that were cut and regrow are still in place."""
    transplanted_at: datetime | None
    """First transplant."""
    finished_at: datetime | None
    leaf_counts: tuple[tuple[datetime, float], ...]
    """When, true leaves a plant; in the order of time."""
    harvests: tuple[tuple[datetime, int, float | None], ...]
    """When, heads, grams a head, of plants that are gone; in the order of time."""
    stage: Stage
    zones: tuple[tuple[datetime, int], ...]
    """Since when, zone whose conditions the batch gets; in the order of time."""
    cuts: tuple[tuple[datetime, float | None], ...] = ()
    """Cuts from which the batch regrows: when at least half of the plants then in place had been cut once more, and
    the grams taken off a plant; in the order of time."""
    cuts_made: float = 0.0
    """Mean number of such cuts of a plant."""
    not_emerged_at: datetime | None = None
    """The last count before that which found fewer than half."""


def facts(entries: Iterable[Entry]) -> list[Entry]:
    """Return the entries that hold, in the order in which they happened."""
    every = list(entries)
    superseded = {entry.supersedes_id for entry in every if entry.supersedes_id is not None}
    return sorted(
        (entry for entry in every if not entry.void and (_id(entry) is None or entry.id not in superseded)),
        key=_order,
    )


def derive(entries: Sequence[Entry]) -> LedgerState:
    """Return what a ledger says; superseded and void entries are left out.

    Raises
    ------
    Impossible
        If the facts contradict each other; the field of the entry at fault is named.
    """
    held = facts(entries)
    for entry in held:
        _check_alone(entry)
    seeding = [entry for entry in held if entry.kind == "seeded"]
    if len(seeding) != 1:
        raise _refuse("kind", f"a batch is seeded once, not {len(seeding)} times")
    return _Walk(seeding[0], held).state()


class _Walk:
    """Goes through the facts in the order of time and keeps the counts."""

    def __init__(self, seeded: Entry, held: Sequence[Entry]) -> None:
        self._seeded = seeded
        self._held = held
        self._cells = _plants(seeded)
        counts = [entry for entry in held if entry.kind == "emergence_counted"]
        self._emerged = _plants(counts[-1]) if counts else None
        half = [c.happened_at for c in counts if self._emerged and 2 * _plants(c) >= self._emerged]
        self._emerged_at = half[0] if half else None
        before = [c.happened_at for c in counts if self._emerged_at and c.happened_at < self._emerged_at]
        self._not_emerged_at = before[-1] if before else None
        # What came up is known to have stood there all along, however late it was counted.
        self._in_nursery = self._cells if self._emerged is None else self._emerged
        self._in_channels = self._discarded = self._harvested = 0
        self._transplanted_at: datetime | None = None
        self._leaf_counts: list[tuple[datetime, float]] = []
        self._harvests: list[tuple[datetime, int, float | None]] = []
        self._cuts: list[tuple[datetime, float | None]] = []
        self._cuts_made = 0.0
        self._zones: list[tuple[datetime, int]] = []
        self._nursery_zones: set[int | None] = set()
        self._channel_zones: set[int | None] = set()

    def state(self) -> LedgerState:
        steps: dict[str, Callable[[Entry], None]] = {
            "seeded": self._enter_zone,
            "emergence_counted": self._count_emergence,
            "leaves_counted": self._count_leaves,
            "transplanted": self._transplant,
            "moved": self._enter_zone,
            "discarded": self._discard,
            "harvested": self._harvest,
        }
        for entry in self._held:
            if entry.happened_at < self._seeded.happened_at:
                raise _refuse(
                    "happened_at",
                    f"{_named(entry)} is before the seeding at {_moment(self._seeded.happened_at)}",
                )
            steps[entry.kind](entry)
        empty = self._in_nursery + self._in_channels == 0
        emptying = [entry.happened_at for entry in self._held if entry.kind in _EMPTYING]
        finished_at = emptying[-1] if empty and emptying else None
        if finished_at is not None:
            self._refuse_after(finished_at)
        stage: Stage = "finished" if finished_at else "channels" if self._transplanted_at else "nursery"
        return LedgerState(
            seeded_at=self._seeded.happened_at,
            cells=self._cells,
            emerged=self._emerged,
            emerged_at=self._emerged_at,
            in_nursery=self._in_nursery,
            in_channels=self._in_channels,
            discarded=self._discarded,
            harvested=self._harvested,
            transplanted_at=self._transplanted_at,
            finished_at=finished_at,
            leaf_counts=tuple(self._leaf_counts),
            harvests=tuple(self._harvests),
            stage=stage,
            zones=tuple(self._zones),
            cuts=tuple(self._cuts),
            cuts_made=self._cuts_made,
            not_emerged_at=self._not_emerged_at,
        )

    def _enter_zone(self, entry: Entry) -> None:
        if entry.zone_id is not None:
            self._zones.append((entry.happened_at, entry.zone_id))
            (self._channel_zones if self._transplanted_at else self._nursery_zones).add(entry.zone_id)

    def _count_emergence(self, entry: Entry) -> None:
        if _plants(entry) > self._cells:
            raise _refuse("plants", f"{_named(entry)} says {entry.plants} of the {self._cells} cells seeded")

    def _count_leaves(self, entry: Entry) -> None:
        self._leaf_counts.append((entry.happened_at, float(entry.leaves or 0.0)))

    def _transplant(self, entry: Entry) -> None:
        self._in_nursery = self._less(self._in_nursery, entry, "in the nursery")
        self._in_channels += _plants(entry)
        if self._transplanted_at is None:
            self._transplanted_at = entry.happened_at
            self._enter_zone(entry)  # the conditions of the first are taken for all that follow
        elif entry.zone_id is not None:
            self._channel_zones.add(entry.zone_id)

    def _discard(self, entry: Entry) -> None:
        if entry.zone_id is None:
            left = self._less(self._in_nursery + self._in_channels, entry, "in place")
            self._in_channels = min(self._in_channels, left)
            self._in_nursery = left - self._in_channels
        elif entry.zone_id in self._channel_zones:
            self._in_channels = self._less(self._in_channels, entry, "in the channels")
        elif entry.zone_id in self._nursery_zones:
            self._in_nursery = self._less(self._in_nursery, entry, "in the nursery")
        else:
            raise _not_there(entry)
        self._discarded += _plants(entry)

    def _harvest(self, entry: Entry) -> None:
        if self._transplanted_at is None:
            raise _refuse("happened_at", f"{_named(entry)} is before any transplant")
        if entry.zone_id is not None and entry.zone_id not in self._channel_zones:
            raise _not_there(entry)
        left = self._less(self._in_channels, entry, "in the channels")
        if entry.regrows:
            self._cuts_made += _plants(entry) / self._in_channels
            while self._cuts_made >= len(self._cuts) + 0.5:
                self._cuts.append((entry.happened_at, entry.weight_g))
            return
        self._in_channels = left
        self._harvested += _plants(entry)
        self._harvests.append((entry.happened_at, _plants(entry), entry.weight_g))

    def _less(self, standing: int, entry: Entry, where: str) -> int:
        if _plants(entry) > standing:
            raise _refuse(
                "plants", f"{_named(entry)} takes {entry.plants} plants, and {standing} stand {where}"
            )
        return standing - _plants(entry)

    def _refuse_after(self, finished_at: datetime) -> None:
        for entry in self._held:
            if entry.happened_at > finished_at:
                raise _refuse(
                    "happened_at",
                    f"{_named(entry)} is after the last plant was gone at {_moment(finished_at)}",
                )


def _check_alone(entry: Entry) -> None:
    """Refuse an entry that is wrong whatever else the ledger says."""
    problems = [
        FieldProblem(field, f"{_named(entry)}: {problem}") for field, problem in problems_alone(entry)
    ]
    if problems:
        raise Impossible("; ".join(p.problem for p in problems), *problems)


def problems_alone(entry: Entry) -> Iterable[tuple[str, str]]:
    """Yield field and problem of what is wrong with an entry whatever else its ledger says."""
    if entry.kind not in KINDS:
        yield "kind", f"it must be one of {', '.join(KINDS)}"
        return
    least = 0 if entry.kind == "emergence_counted" else 1
    if entry.kind in _WITH_PLANTS and entry.plants is None:
        yield "plants", "it says no number of plants"
    elif entry.plants is not None and entry.kind in _WITHOUT_PLANTS:
        yield "plants", "all plants move together, so no number is taken"
    elif entry.plants is not None and entry.plants < least:
        yield "plants", f"it must be at least {least}"
    if entry.kind == "leaves_counted":
        if entry.leaves is None or not 0 <= entry.leaves <= MAX_LEAVES:
            yield "leaves", f"it must be the mean number of true leaves, from 0 to {MAX_LEAVES:g}"
    elif entry.leaves is not None:
        yield "leaves", "only a leaf count has leaves"
    yield from _harvest_problems(entry)


def _harvest_problems(entry: Entry) -> Iterable[tuple[str, str]]:
    if entry.weight_g is not None:
        if entry.kind != "harvested":
            yield "weight_g", "only a harvest has a weight"
        elif not 0 < entry.weight_g <= MAX_WEIGHT_G:
            yield "weight_g", f"it must be grams a head, above 0 to {MAX_WEIGHT_G:g}"
    if entry.readiness is not None:
        if entry.kind != "harvested":
            yield "readiness", "only what was harvested was more or less ready"
        elif entry.readiness not in READINESS:
            yield "readiness", f"it must be one of {', '.join(READINESS)}"
    if entry.regrows and entry.kind != "harvested":
        yield "regrows", "only what was harvested regrows"


def _plants(entry: Entry) -> int:
    return entry.plants or 0


def _id(entry: Entry) -> int | None:
    # An entry that is not stored yet has none.
    return getattr(entry, "id", None)


def _order(entry: Entry) -> tuple[datetime, int, float]:
    row_id = _id(entry)
    rank = KINDS.index(entry.kind) if entry.kind in KINDS else len(KINDS)
    return entry.happened_at, rank, math.inf if row_id is None else row_id


def _named(entry: Entry) -> str:
    row_id = _id(entry)
    which = "this" if row_id is None else "the"
    number = "" if row_id is None else f" (entry {row_id})"
    return f"{which} {_SAID.get(entry.kind, 'entry')} at {_moment(entry.happened_at)}{number}"


def _moment(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M} UTC"


def _not_there(entry: Entry) -> Impossible:
    return _refuse(
        "zone_id", f"{_named(entry)} is in zone {entry.zone_id}, where the batch never stood till then"
    )


def _refuse(field: str, problem: str) -> Impossible:
    return Impossible(problem, FieldProblem(field, problem))
