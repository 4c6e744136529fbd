"""A batch's ledger: what its entries say together, and which entries contradict each other.

Entries are facts. One that was wrong is superseded by a correction, never erased; a void correction only
takes the fact back. Everything known of a batch is derived from the facts that hold, in the order in which
they happened, whatever the order in which they were recorded.

- ``seeded``: this many cells. There is always exactly one.
- ``emergence_counted``: this many seedlings came up in all cells so far; the latest count holds. None is a look in
  vain: seeds may still come up until they are discarded.
- ``leaves_counted``: true leaves a plant, on average.
- ``transplanted``: this many plants went from the nursery to channels, into a section if one is said.
- ``moved``: all plants in the nursery (before the first transplant) or in channels (after it) went to another
  zone; or, in channels, this many of them, or all of one section, went to another section.
- ``checked``: someone looked at the plants, and what was found.
- ``weighed``: so many heads in the channels weighed so much on average, and stayed on their sites.
- ``treated``: something was applied; until its waiting time is over, nothing of what was treated is harvested.
- ``discarded``: this many plants were thrown away; those of the nursery first, if no zone is said.
- ``harvested``: this many heads were cut in the channels. If the entry says that they regrow, the plants stay on
  their sites for another cut.

Where the plants of the channels stand is known by section as far as entries say sections. What is taken without
saying a section comes from where it must have come from; where that is open, the section has to be said.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from service.records.tables import Entry
from service.work.errors import FieldProblem, Impossible, impossible

Stage = Literal["nursery", "channels", "finished"]

KINDS = (
    "seeded",
    "emergence_counted",
    "leaves_counted",
    "transplanted",
    "moved",
    "checked",
    "weighed",
    "treated",
    "discarded",
    "harvested",
)
"""Kinds of entries, in the order in which those of one moment are taken to have happened."""

READINESS = ("early", "ready", "held")
"""How ready heads were when they were cut: not yet; just; for some days."""

FINDINGS = ("tipburn", "bolting", "pest", "disease", "root", "other")
"""What a check can find."""

SEVERITIES = ("none", "slight", "severe")

GRADED_OUT = "graded out"
"""Reason of a discard: seedlings too small or uneven to be planted."""

SAMPLE_SHARE = 0.1
"""Of the plants that were transplanted: a cut of fewer is a sample, not yet the harvest; assumed."""

MAX_LEAVES = 60.0
MAX_WEIGHT_G = 5000.0
MAX_WAITING_DAYS = 365.0
MOST_PLANTS_COUNTED = 500
_MEAN_TOLERANCE = 0.05  # leaves are often said to one decimal

_SAID = {
    "seeded": "seeding",
    "emergence_counted": "emergence count",
    "leaves_counted": "leaf count",
    "transplanted": "transplant",
    "moved": "move",
    "checked": "check",
    "weighed": "weighing",
    "treated": "treatment",
    "discarded": "discard",
    "harvested": "harvest",
}
_WITH_PLANTS = frozenset({"seeded", "emergence_counted", "transplanted", "weighed", "discarded", "harvested"})
_IN_SECTIONS = frozenset(
    {"leaves_counted", "transplanted", "moved", "checked", "weighed", "treated", "discarded", "harvested"}
)
_OF_TRAYS = frozenset({"leaves_counted", "transplanted", "checked", "treated", "discarded"})
_WITH_WEIGHT = frozenset({"weighed", "harvested"})
_EMPTYING = frozenset({"emergence_counted", "discarded", "harvested"})


@dataclass(frozen=True)
class LedgerState:
    """What the facts of a ledger say together."""

    seeded_at: datetime
    cells: int
    emerged: int | None
    """None: not counted, or looked for in vain."""
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
    harvest_begun_at: datetime | None = None
    """The first cut that was more than a sample, see :data:`SAMPLE_SHARE`; those from which plants regrow too."""
    weighings: tuple[tuple[datetime, float], ...] = ()
    """Before that: when, grams a head, of heads weighed that stayed and of samples cut; in the order of time."""
    cuts_made: float = 0.0
    """Mean number of such cuts of a plant."""
    not_emerged_at: datetime | None = None
    """The last count before that which found fewer than half."""
    in_sections: tuple[tuple[int, int], ...] = ()
    """Section, plants of the channels that stand in it; by section."""
    section_history: tuple[tuple[datetime, int, int], ...] = ()
    """Since when, section, plants that stood in it from then on; in the order of time."""
    graded_out: int = 0
    """Of the discarded: too small or uneven to be planted."""
    waiting_until: datetime | None = None
    """When the last waiting time of a treatment ends or ended."""
    none_came_up: bool = False
    """Whether it was looked for in vain until all was discarded."""
    cut_while_waiting: tuple[datetime, ...] = ()
    """Harvests within the waiting time of a treatment that was written down only after them."""

    @property
    def failed(self) -> int | None:
        """Cells of which nothing came up; none: not counted yet."""
        if self.none_came_up:
            return self.cells
        return None if self.emerged is None else self.cells - self.emerged


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
        raise impossible("kind", f"a batch is seeded once, not {len(seeding)} times")
    return _Walk(seeding[0], held, entries).state()


@dataclass
class _Wait:
    """The waiting time of a treatment."""

    treated: Entry
    until: datetime
    sections: set[int | None] | None  # none: all of the batch; else those treated, and where they went


class _Walk:
    """Goes through the facts in the order of time and keeps the counts."""

    def __init__(self, seeded: Entry, held: Sequence[Entry], every: Sequence[Entry]) -> None:
        self._seeded = seeded
        self._held = held
        self._by_id = {_id(entry): entry for entry in every if _id(entry) is not None}
        self._cells = _plants(seeded)
        counts = [entry for entry in held if entry.kind == "emergence_counted"]
        self._emerged = _plants(counts[-1]) if counts else None
        half = [c.happened_at for c in counts if self._emerged and 2 * _plants(c) >= self._emerged]
        self._emerged_at = half[0] if half else None
        before = [c.happened_at for c in counts if self._emerged_at and c.happened_at < self._emerged_at]
        self._not_emerged_at = before[-1] if before else None
        # What came up is known to have stood there all along, however late it was counted.
        self._in_nursery = self._emerged or self._cells
        self._in_channels = self._discarded = self._harvested = 0
        self._transplanted_at: datetime | None = None
        self._leaf_counts: list[tuple[datetime, float]] = []
        self._harvests: list[tuple[datetime, int, float | None]] = []
        self._cuts: list[tuple[datetime, float | None]] = []
        self._cuts_made = 0.0
        self._zones: list[tuple[datetime, int]] = []
        self._nursery_zones: set[int | None] = set()
        self._channel_zones: set[int | None] = set()
        self._graded_out = 0
        # Plants in the channels by section; None: somewhere there. They add up to those in the channels.
        self._places: dict[int | None, int] = {}
        self._zone_of: dict[int | None, int | None] = {}
        self._history: list[tuple[datetime, int, int]] = []
        self._waits: list[_Wait] = []
        self._cut_while_waiting: list[datetime] = []

    def state(self) -> LedgerState:
        steps: dict[str, Callable[[Entry], None]] = {
            "seeded": self._enter_zone,
            "emergence_counted": self._count_emergence,
            "leaves_counted": self._count_leaves,
            "transplanted": self._transplant,
            "moved": self._move,
            "checked": self._check,
            "weighed": self._weigh,
            "treated": self._treat,
            "discarded": self._discard,
            "harvested": self._harvest,
        }
        for entry in self._held:
            if entry.happened_at < self._seeded.happened_at:
                raise impossible(
                    "happened_at",
                    f"{_named(entry)} is before the seeding at {_moment(self._seeded.happened_at)}",
                )
            before = dict(self._places)
            steps[entry.kind](entry)
            self._remember(entry, before)
        empty = self._in_nursery + self._in_channels == 0
        emptying = [entry.happened_at for entry in self._held if entry.kind in _EMPTYING]
        finished_at = emptying[-1] if empty and emptying else None
        if finished_at is not None:
            self._refuse_after(finished_at)
        begun_at = self._harvest_begun_at()
        stage: Stage = "finished" if finished_at else "channels" if self._transplanted_at else "nursery"
        return LedgerState(
            seeded_at=self._seeded.happened_at,
            cells=self._cells,
            emerged=self._emerged or None,
            emerged_at=self._emerged_at,
            none_came_up=finished_at is not None and self._emerged == 0,
            in_nursery=self._in_nursery,
            in_channels=self._in_channels,
            discarded=self._discarded,
            harvested=self._harvested,
            transplanted_at=self._transplanted_at,
            finished_at=finished_at,
            leaf_counts=tuple(self._leaf_counts),
            harvest_begun_at=begun_at,
            weighings=tuple(
                (e.happened_at, e.weight_g)
                for e in self._held
                if e.weight_g is not None and (begun_at is None or e.happened_at < begun_at)
            ),
            harvests=tuple(self._harvests),
            stage=stage,
            zones=tuple(self._zones),
            cuts=tuple(self._cuts),
            cuts_made=self._cuts_made,
            not_emerged_at=self._not_emerged_at,
            in_sections=tuple(sorted((s, n) for s, n in self._places.items() if s is not None and n)),
            section_history=tuple(self._history),
            graded_out=self._graded_out,
            waiting_until=max((wait.until for wait in self._waits), default=None),
            cut_while_waiting=tuple(self._cut_while_waiting),
        )

    def _harvest_begun_at(self) -> datetime | None:
        stood = sum(_plants(e) for e in self._held if e.kind == "transplanted")
        cuts = (e for e in self._held if e.kind == "harvested" and _plants(e) >= SAMPLE_SHARE * stood)
        return next((e.happened_at for e in cuts), None)

    def _remember(self, entry: Entry, before: dict[int | None, int]) -> None:
        for section_id in sorted(s for s in self._places if s is not None):
            standing = self._places[section_id]
            if standing != before.get(section_id, 0):
                self._history.append((entry.happened_at, section_id, standing))

    def _enter_zone(self, entry: Entry) -> None:
        if entry.zone_id is not None:
            self._zones.append((entry.happened_at, entry.zone_id))
            (self._channel_zones if self._transplanted_at else self._nursery_zones).add(entry.zone_id)

    def _count_emergence(self, entry: Entry) -> None:
        if _plants(entry) > self._cells:
            raise impossible(
                "plants", f"{_named(entry)} says {entry.plants} of the {self._cells} cells seeded"
            )

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
        self._put(entry, entry.section_id, _plants(entry))

    def _move(self, entry: Entry) -> None:
        part = entry.plants is not None or entry.from_section_id is not None
        if self._transplanted_at is None:
            if part or entry.section_id is not None:
                field = "plants" if entry.plants is not None else "from_section_id" if part else "section_id"
                raise impossible(
                    field,
                    f"{_named(entry)} is before any transplant, when all seedlings move together to a zone",
                )
            self._enter_zone(entry)
            return
        if not part:
            self._enter_zone(entry)
            if self._places:
                self._spread_waits(set(self._places), entry.section_id)
            self._places = dict.fromkeys(self._places, 0)
            self._put(entry, entry.section_id, self._in_channels)
            return
        plants = self._there(entry, entry.from_section_id) if entry.plants is None else entry.plants
        taken = self._take(entry, plants, entry.from_section_id, "from_section_id", but=entry.section_id)
        self._spread_waits(taken, entry.section_id)
        self._put(entry, entry.section_id, plants)
        self._channel_zones.add(entry.zone_id)
        # A batch has one course of conditions: that of the zone where most of it stands.
        there = sum(n for s, n in self._places.items() if self._zone_of.get(s) == entry.zone_id)
        now_in = self._zones[-1][1] if self._zones else None
        if entry.zone_id is not None and entry.zone_id != now_in and 2 * there > self._in_channels:
            self._enter_zone(entry)

    def _check(self, entry: Entry) -> None:
        standing = self._standing(entry)
        if _plants(entry) > standing:
            raise impossible(
                "plants", f"{_named(entry)} found {entry.plants} plants, and {standing} stand there"
            )

    def _weigh(self, entry: Entry) -> None:
        if self._transplanted_at is None:
            raise impossible("happened_at", f"{_named(entry)} is before any transplant")
        if entry.zone_id is not None and entry.zone_id not in self._channel_zones:
            raise _not_there(entry)
        standing = self._in_channels if entry.section_id is None else self._standing(entry)
        if _plants(entry) > standing:
            raise impossible(
                "plants", f"{_named(entry)} is of {entry.plants} heads, and {standing} stand there"
            )

    def _treat(self, entry: Entry) -> None:
        self._standing(entry)
        until = entry.happened_at + timedelta(days=entry.waiting_days or 0.0)
        sections: set[int | None] | None = None if entry.section_id is None else {entry.section_id}
        self._waits.append(_Wait(entry, until, sections))

    def _discard(self, entry: Entry) -> None:
        if entry.section_id is not None:
            self._take(entry, _plants(entry), entry.section_id, "section_id")
            self._in_channels -= _plants(entry)
        elif entry.zone_id is None and entry.tray_id is None:
            left = self._less(self._in_nursery + self._in_channels, entry, "in place")
            kept = min(self._in_channels, left)
            if kept < self._in_channels:
                self._take(entry, self._in_channels - kept, None, "section_id")
            self._in_channels, self._in_nursery = kept, left - kept
        elif entry.tray_id is None and entry.zone_id in self._channel_zones:
            left = self._less(self._in_channels, entry, "in the channels")
            self._take(entry, _plants(entry), None, "section_id")
            self._in_channels = left
        elif entry.zone_id is None or entry.zone_id in self._nursery_zones:
            self._in_nursery = self._less(self._in_nursery, entry, "in the nursery")
        else:
            raise _not_there(entry)
        self._discarded += _plants(entry)
        if entry.reason == GRADED_OUT:
            self._graded_out += _plants(entry)

    def _harvest(self, entry: Entry) -> None:
        if self._transplanted_at is None:
            raise impossible("happened_at", f"{_named(entry)} is before any transplant")
        if entry.zone_id is not None and entry.zone_id not in self._channel_zones:
            raise _not_there(entry)
        left = self._less(self._in_channels, entry, "in the channels")
        before = dict(self._places)
        taken = self._take(entry, _plants(entry), entry.section_id, "section_id")
        self._refuse_waiting(entry, taken)
        if entry.regrows:
            self._places = before
            self._cuts_made += _plants(entry) / self._in_channels
            while self._cuts_made >= len(self._cuts) + 0.5:
                self._cuts.append((entry.happened_at, entry.weight_g))
            return
        self._in_channels = left
        self._harvested += _plants(entry)
        self._harvests.append((entry.happened_at, _plants(entry), entry.weight_g))

    # ----------------------------------------------------------------------- sections

    def _put(self, entry: Entry, section_id: int | None, plants: int) -> None:
        self._places[section_id] = self._places.get(section_id, 0) + plants
        self._zone_of[section_id] = entry.zone_id

    def _there(self, entry: Entry, section_id: int | None) -> int:
        standing = self._places.get(section_id, 0)
        if not standing:
            raise impossible(
                "from_section_id", f"{_named(entry)} is from section {section_id}, where no plant stands then"
            )
        return standing

    def _take(
        self, entry: Entry, plants: int, section_id: int | None, field: str, but: int | None = None
    ) -> set[int | None]:
        """Take plants off their sites and return the sections they stood in (None: somewhere in the channels).

        If the section is not said, it is everything there, the only place where some stand, or the plants of which
        no section was ever said; else it is open, and has to be said.
        """
        if section_id is not None:
            standing = self._places.get(section_id, 0)
            if section_id not in self._places:
                raise impossible(
                    field,
                    f"{_named(entry)} is in section {section_id}, where no plant of the batch stood till then",
                )
            if plants > standing:
                raise impossible(
                    "plants",
                    f"{_named(entry)} takes {plants} plants, and {standing} stand in section {section_id}",
                )
            self._places[section_id] = standing - plants
            return {section_id}
        zone_id = None if field == "from_section_id" else entry.zone_id
        able = {
            s: n
            for s, n in self._places.items()
            if n and (s is None or s != but) and (s is None or zone_id is None or self._zone_of[s] == zone_id)
        }
        if plants > sum(able.values()):
            raise impossible(
                "plants", f"{_named(entry)} takes {plants} plants, and {sum(able.values())} stand there"
            )
        if plants == sum(able.values()):
            self._places.update(dict.fromkeys(able, 0))
            return set(able)
        if len(able) == 1 or able.get(None, 0) >= plants:
            only = None if able.get(None, 0) >= plants else next(iter(able))
            self._places[only] -= plants
            return {only}
        where = ", ".join(f"{n} in section {s}" for s, n in sorted(able.items(), key=str) if s is not None)
        raise impossible(field, f"{_named(entry)} must say from which section; there stand {where}")

    def _standing(self, entry: Entry) -> int:
        """Return how many plants stand where a check or a treatment was made."""
        if entry.section_id is not None:
            standing = self._places.get(entry.section_id, 0)
            if not standing:
                raise impossible(
                    "section_id",
                    f"{_named(entry)} is in section {entry.section_id}, where no plant stands then",
                )
            return standing
        if entry.tray_id is not None or entry.zone_id in self._nursery_zones - {None}:
            return self._in_nursery
        return self._in_nursery + self._in_channels

    # ----------------------------------------------------------------------- waiting times

    def _spread_waits(self, taken: set[int | None], section_id: int | None) -> None:
        """What was treated stays treated wherever it goes."""
        for wait in self._waits:
            if wait.sections is not None and wait.sections & taken:
                wait.sections.add(section_id)

    def _refuse_waiting(self, entry: Entry, taken: set[int | None]) -> None:
        for wait in self._waits:
            within = wait.treated.happened_at <= entry.happened_at < wait.until
            if not within or (wait.sections is not None and not wait.sections & taken):
                continue
            if self._written_before(entry, wait.treated):
                self._cut_while_waiting.append(entry.happened_at)  # a fact, however wrong it was
                break
            raise impossible(
                "happened_at",
                f"{_named(entry)} is within the waiting time of {wait.treated.product}, applied at"
                f" {_moment(wait.treated.happened_at)}: nothing is harvested until {_moment(wait.until)};"
                " if the treatment was written down wrongly, correct it",
            )

    def _written_before(self, harvest: Entry, treated: Entry) -> bool:
        """Say whether a harvest, or what it corrects without moving it in time, was recorded before a treatment."""
        known = _id(treated)
        while (own := _id(harvest)) is not None or harvest.supersedes_id is not None:
            if own is not None and (known is None or own < known):
                return True
            earlier = self._by_id.get(harvest.supersedes_id)
            if earlier is None or earlier.void or earlier.happened_at != harvest.happened_at:
                return False
            harvest = earlier
        return False

    def _less(self, standing: int, entry: Entry, where: str) -> int:
        if _plants(entry) > standing:
            raise impossible(
                "plants", f"{_named(entry)} takes {entry.plants} plants, and {standing} stand {where}"
            )
        return standing - _plants(entry)

    def _refuse_after(self, finished_at: datetime) -> None:
        for entry in self._held:
            if entry.happened_at > finished_at:
                raise impossible(
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
    yield from _plants_problems(entry)
    yield from _leaves_problems(entry)
    yield from _place_problems(entry)
    yield from _harvest_problems(entry)
    yield from _health_problems(entry)


def _plants_problems(entry: Entry) -> Iterable[tuple[str, str]]:
    least = 0 if entry.kind == "emergence_counted" else 1
    if entry.kind in _WITH_PLANTS and entry.plants is None:
        yield "plants", "it says no number of plants"
    elif entry.plants is None:
        return
    elif entry.kind == "moved" and entry.section_id is None and entry.from_section_id is None:
        yield "plants", "all plants of a zone move together, so no number is taken without a section"
    elif entry.plants < least:
        yield "plants", f"it must be at least {least}"


def _leaves_problems(entry: Entry) -> Iterable[tuple[str, str]]:
    if entry.kind != "leaves_counted":
        for name in ("leaves", "leaves_each"):
            if getattr(entry, name) is not None:
                yield name, "only a leaf count has leaves"
        return
    if entry.leaves is None or not 0 <= entry.leaves <= MAX_LEAVES:
        yield "leaves", f"it must be the mean number of true leaves, from 0 to {MAX_LEAVES:g}"
    each = entry.leaves_each
    if each is None:
        return
    if not 1 <= len(each) <= MOST_PLANTS_COUNTED or not all(0 <= n <= MAX_LEAVES for n in each):
        yield (
            "leaves_each",
            f"it must be true leaves from 0 to {MAX_LEAVES:g} of 1 to {MOST_PLANTS_COUNTED} plants",
        )
    elif entry.leaves is not None and abs(entry.leaves - mean_leaves(each)) > _MEAN_TOLERANCE:
        yield (
            "leaves",
            f"it is {entry.leaves:g}, and the mean of the plants counted is {mean_leaves(each):.2f}",
        )


def mean_leaves(each: Sequence[float]) -> float:
    """Return the mean of true leaves of each plant."""
    return math.fsum(each) / len(each)


def _place_problems(entry: Entry) -> Iterable[tuple[str, str]]:
    if entry.section_id is not None and entry.kind not in _IN_SECTIONS:
        yield "section_id", "it is of the nursery, which has no sections"
    if entry.from_section_id is not None and entry.kind != "moved":
        yield "from_section_id", "only a move is from one section to another"
    elif entry.from_section_id is not None and entry.from_section_id == entry.section_id:
        yield "section_id", "it is the section that the plants come from"
    if entry.tray_id is not None:
        if entry.kind not in _OF_TRAYS:
            yield "tray_id", f"a {_SAID[entry.kind]} is not of one tray"
        elif entry.section_id is not None and entry.kind != "transplanted":
            yield "tray_id", "trays stand in the nursery, sections are of the channels; say one of them"


def _harvest_problems(entry: Entry) -> Iterable[tuple[str, str]]:
    if entry.weight_g is not None:
        if entry.kind not in _WITH_WEIGHT:
            yield "weight_g", "only a harvest or a weighing has a weight"
        elif not 0 < entry.weight_g <= MAX_WEIGHT_G:
            yield "weight_g", f"it must be grams a head, above 0 to {MAX_WEIGHT_G:g}"
    elif entry.kind == "weighed":
        yield "weight_g", "it is missing: grams a head, the mean of those weighed"
    if entry.readiness is not None:
        if entry.kind != "harvested":
            yield "readiness", "only what was harvested was more or less ready"
        elif entry.readiness not in READINESS:
            yield "readiness", f"it must be one of {', '.join(READINESS)}"
    if entry.regrows and entry.kind != "harvested":
        yield "regrows", "only what was harvested regrows"
    if entry.grade is not None and entry.kind != "harvested":
        yield "grade", "only what was harvested has a grade"


def _health_problems(entry: Entry) -> Iterable[tuple[str, str]]:
    for name, kind, choices in (
        ("finding", "checked", FINDINGS),
        ("severity", "checked", SEVERITIES),
        ("product", "treated", None),
        ("waiting_days", "treated", None),
    ):
        value = getattr(entry, name)
        if value is not None and entry.kind != kind:
            yield name, f"only a {_SAID[kind]} has it"
        elif value is not None and choices is not None and value not in choices:
            yield name, f"it must be one of {', '.join(choices)}"
    if entry.kind == "checked":
        if entry.severity is None:
            yield "severity", f"it is missing: how bad it is, one of {', '.join(SEVERITIES)}"
        elif entry.finding is None and entry.severity != "none":
            yield "finding", f"it is missing: what was found, one of {', '.join(FINDINGS)}"
        elif entry.plants is not None and entry.severity == "none":
            yield "plants", "nothing was found, so no plants are affected"
    if entry.kind == "treated":
        if entry.product is None:
            yield "product", "it is missing: what was applied"
        if entry.waiting_days is None:
            yield "waiting_days", "it is missing: the days that the label says, 0 if it says none"
        elif not 0 <= entry.waiting_days <= MAX_WAITING_DAYS:
            yield "waiting_days", f"it must be days, from 0 to {MAX_WAITING_DAYS:g}"


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
    return impossible(
        "zone_id", f"{_named(entry)} is in zone {entry.zone_id}, where the batch never stood till then"
    )
