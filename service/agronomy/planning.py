r"""The plan: how many trays to seed on which days, so that orders are met from the sites there are.

A mixed-integer program over days of a horizon. Whole trays are seeded on allowed days; parts :math:`x_r` of a seeding
can be moved to the channels in different *ways*, early or late in its transplant window, and from there are ready for
each of their cuts from a first to a last day. Plants :math:`p_r \le g x_r` are moved, and heads :math:`d_{rck}` of
cut :math:`c` go to demand :math:`k`:

.. math::

   \min \sum_k w_k s_k + \sum_r g x_r + \text{changes} + \text{seedings}, \qquad
   \sum_r d_{rck} + s_k = D_k, \qquad \sum_k d_{rck} \le p_r

with as many cells and sites held on any day as there are. A head of the last cut frees its site when it is cut, one
that nobody wants at the end of its harvest window. A head short weighs more than some whole trays raised for nobody;
then count plants raised, which beyond what is delivered are waste; then changes to the plan in force; then the number
of seedings. Days are given by the forecast; of several members of the
outlook, trays are common to all and what follows is each member's own (a two-stage program): shortfall and waste
are then means.

Plants that stand in the channels already can be cleared at once where they are in the way; they are waste then.
Held cells and sites need looking at only on days on which they can grow or fewer are there; that leaves out most
rows without changing what is allowed.

What stands in the way of a demand is found by solving once more with trays divisible and with every limit stretched,
week by week, at a price: the least stretching that leaves the least shortfall. What is stretched is what binds, and by
how much; what is short even then no space can mend, because no seeding is ready on the day.

References
----------
.. [1] Q. Huangfu, J. A. J. Hall, "Parallelizing the dual revised simplex method", Mathematical Programming Computation
   10 (2018) 119-142 (HiGHS, which solves the program).
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, OptimizeResult, milp
from scipy.sparse import csr_array

Array = NDArray[np.float64]

LimitKind = Literal["sites", "cells", "labour", "window", "trays"]

SHORT_TRAYS = 3.0  # trays that may be raised for nobody to deliver one head more
CHANGE_WEIGHT = 0.3  # of a tray more or less than in the plan in force, against a plant raised
SEEDING_WEIGHT = 0.1  # of a seeding
CLEAR_WEIGHT = 0.01  # of a plant cleared: only where it is in the way
FEW_SEEDINGS = 60  # up to so many possible ones, their number is weighed with everything else
_POLISH_WEEKS = 4  # of more, so many weeks at a time ...
_POLISH_SHARE = 0.012  # ... and each for at most this share of the time
_STRETCH_WEIGHT = 1e-3  # a site more for a week, against a head short
_LABOUR_STRETCH_WEIGHT = 1e-4  # a minute more
SMALL = 0.05  # heads, sites: less is rounding


class PlanError(ValueError):
    """The program could not be solved; the message says why."""


@dataclass(frozen=True)
class Space:
    """Cells of a nursery or sites of channels, by day of the horizon."""

    name: str
    capacity: NDArray[np.int64]  # (days,)
    turnaround_days: int = 0  # after a site or cell falls free, before it is taken again


@dataclass(frozen=True)
class Crew:
    """Working time, by day of the horizon."""

    name: str
    minutes: Array  # (days,)
    seed_minutes: float = 0.0  # a tray
    move_minutes: float = 0.0  # a plant
    cut_minutes: float = 0.0  # a head


@dataclass(frozen=True)
class Programme:
    """A succession as the plan sees it; spaces and crew by their positions."""

    name: str
    nursery: int
    channels: int
    tray_cells: int
    plants_a_tray: float  # good ones
    crew: int | None = None


class Cut(NamedTuple):
    """Days on which heads may be cut, both included."""

    ready: int
    last: int


class Course(NamedTuple):
    """What becomes of a seeding: when it is moved, when it can be cut."""

    transplant: int
    cuts: tuple[Cut, ...]


Ways = tuple[tuple[Course, ...], ...]
"""Courses by way and by member."""


@dataclass(frozen=True)
class Seeding:
    """A day on which a succession may be seeded, and what would become of it."""

    programme: int
    day: int
    ways: Ways
    trays_before: int = 0  # in the plan in force


@dataclass(frozen=True)
class Standing:
    """A batch that is there already. One in the channels has a single way, and its transplant lies behind."""

    programme: int
    plants: float
    ways: Ways
    cells: int = 0  # of the nursery, until the last of its ways
    in_channels: bool = False


@dataclass(frozen=True)
class Demand:
    """Heads wanted on a day, of any of some programmes."""

    day: int
    heads: float
    programmes: frozenset[int]
    weight: float = 1.0  # of being short, against other demands


@dataclass(frozen=True)
class Problem:
    """All that a plan is made from."""

    days: int
    spaces: tuple[Space, ...]
    programmes: tuple[Programme, ...]
    seedings: tuple[Seeding, ...]
    demands: tuple[Demand, ...]
    standing: tuple[Standing, ...] = ()
    crews: tuple[Crew, ...] = ()
    keep_plan: bool = False  # whether there is a plan in force, from which changes are counted

    @property
    def members(self) -> int:
        """How many members the courses have."""
        sources: Sequence[Seeding | Standing] = (*self.seedings, *self.standing)
        return len(sources[0].ways[0]) if sources else 1


class Move(NamedTuple):
    """A part of a seeding that is moved to the channels one way."""

    way: int
    trays: float
    plants: float  # the best of them, mean over members


@dataclass(frozen=True)
class Planned:
    """Trays to seed of one succession on one day, and how they are moved."""

    seeding: int  # position in the problem
    trays: int
    moves: tuple[Move, ...]


@dataclass(frozen=True)
class Delivery:
    """Heads of one source for one demand, mean over members."""

    demand: int
    heads: float
    seeding: int | None  # position in the problem
    standing: int | None
    way: int
    cut: int


@dataclass(frozen=True)
class Limit:
    """What stands in the way: so many more of a space, from one day to another; or nothing that space could mend.

    ``window``: no seeding that is still possible is ready on the day. ``trays``: only that trays are whole, or
    that the plan is not quite the best.
    """

    kind: LimitKind
    where: int | None = None  # position of the space or crew
    first_day: int | None = None
    last_day: int | None = None
    amount: float = 0.0  # sites, cells or minutes


@dataclass(frozen=True)
class Shortfall:
    """What a demand lacks, mean over members, and why."""

    demand: int
    heads: float
    limits: tuple[Limit, ...]


@dataclass(frozen=True)
class Plan:
    """What to seed, and what comes of it."""

    planned: tuple[Planned, ...]
    deliveries: tuple[Delivery, ...]
    shortfalls: tuple[Shortfall, ...]
    waste: float  # plants and heads raised for nobody, mean over members
    objective: float  # in plants raised, see the module
    gap: float  # how far the objective may lie above the best, as a share of it
    optimal: bool  # within the wished gap
    limits: tuple[Limit, ...] = field(default=())  # all that bind, whichever demand they touch
    cleared: tuple[tuple[int, float], ...] = field(default=())  # standing in the channels, taken out at once


def solve(problem: Problem, *, gap: float = 0.01, time_limit_s: float = 30.0) -> Plan:
    """Find the trays to seed.

    Parameters
    ----------
    problem : Problem
        What there is and what is wanted.
    gap : float, optional
        Share of the objective by which the plan may be off the best.
    time_limit_s : float, optional
        After which the best plan so far is taken. [s]

    Raises
    ------
    PlanError
        If no plan was found in time, or the problem contradicts itself.
    """
    check(problem)
    model = _Model(problem)
    found, reached = model.solve(gap=gap, time_limit_s=time_limit_s)
    return _told(problem, model, found, reached, reached <= gap + 1e-9)


def check(problem: Problem) -> None:
    """Refuse a problem that contradicts itself.

    Raises
    ------
    PlanError
        Naming the first contradiction.
    """
    members = problem.members
    for space in problem.spaces:
        if space.capacity.shape != (problem.days,):
            raise PlanError(f"{space.name}: the capacity is not one of {problem.days} days")
    sources: Sequence[Seeding | Standing] = (*problem.seedings, *problem.standing)
    for source in sources:
        begin = source.day if isinstance(source, Seeding) else None
        for courses in source.ways:
            if len(courses) != members:
                raise PlanError("all courses must have the same members")
            for course in courses:
                before = course.transplant
                if begin is not None and before <= begin:
                    raise PlanError("a seeding must be moved after it is made")
                for cut in course.cuts:
                    if not before < cut.ready <= cut.last:
                        raise PlanError("moving and cuts must follow each other")
                    before = cut.last
    if any(not 0 <= d.day < problem.days for d in problem.demands):
        raise PlanError("a demand lies outside the horizon")


# --------------------------------------------------------------------------- the program


class _Run(NamedTuple):
    """A seeding or a standing batch, moved one way."""

    seeding: int | None
    standing: int | None
    way: int
    programme: int
    courses: tuple[Course, ...]


class _Flow(NamedTuple):
    """A column: heads of one cut of a run for a demand, in a member."""

    run: int
    member: int
    cut: int
    demand: int
    column: int


class _Rows:
    """Rows of a sparse matrix, as they come."""

    def __init__(self) -> None:
        self.row: list[int] = []
        self.column: list[int] = []
        self.value: list[float] = []
        self.low: list[float] = []
        self.high: list[float] = []

    def new(self, low: float, high: float) -> int:
        self.low.append(low)
        self.high.append(high)
        return len(self.low) - 1

    def put(self, row: int, column: int, value: float) -> None:
        self.row.append(row)
        self.column.append(column)
        self.value.append(value)


class _Model:
    """The program of a problem: columns, rows, and what they stand for."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.cost: list[float] = []
        self.low: list[float] = []
        self.high: list[float] = []
        self.whole: list[int] = []
        self.rows = _Rows()
        self.limit_rows: list[tuple[LimitKind, int, int, int]] = []  # kind, where, day, row
        self.runs: list[_Run] = []
        self.trays: dict[int, int] = {}  # run -> column
        self.moved: dict[tuple[int, int], int] = {}  # run, member -> column
        self.flows: list[_Flow] = []
        self.short: dict[tuple[int, int], int] = {}  # demand, member -> column
        self.whole_trays: dict[int, int] = {}  # seeding -> column
        self.made: list[int] = []  # columns that say whether a seeding is made
        self._share = 1.0 / problem.members
        largest = max((_raised_a_tray(problem, s) for s in problem.seedings), default=1.0)
        self.short_weight = SHORT_TRAYS * max(1.0, largest)
        self._demands_of = _demands_by_programme(problem)
        self._runs()
        self._demands()
        self._spaces()
        self._crews()
        self._seedings()

    # ---- columns

    def _new(self, cost: float, low: float, high: float, *, whole: bool = False) -> int:
        self.cost.append(cost)
        self.low.append(low)
        self.high.append(high)
        self.whole.append(int(whole))
        return len(self.cost) - 1

    def _runs(self) -> None:
        problem = self.problem
        for index, seeding in enumerate(problem.seedings):
            programme = problem.programmes[seeding.programme]
            for way, courses in enumerate(seeding.ways):
                reach = [self._reached(seeding.programme, course) for course in courses]
                most = max(
                    (sum(problem.demands[k].heads for k in per_cut) for cuts in reach for per_cut in cuts),
                    default=0.0,
                )
                if most <= 0.0 or programme.plants_a_tray <= 0.0:
                    continue  # nobody wants what comes of it
                room = problem.spaces[programme.nursery].capacity.max(initial=0) // programme.tray_cells
                trays = min(float(room), float(np.ceil(most / programme.plants_a_tray)))
                run = len(self.runs)
                self.runs.append(_Run(index, None, way, seeding.programme, courses))
                cuts = max(len(course.cuts) for course in courses)
                self.trays[run] = self._new(programme.plants_a_tray * cuts, 0.0, trays)
                for member, per_cut in enumerate(reach):
                    column = self._new(0.0, 0.0, np.inf)
                    self.moved[run, member] = column
                    row = self.rows.new(-np.inf, 0.0)
                    self.rows.put(row, column, 1.0)
                    self.rows.put(row, self.trays[run], -programme.plants_a_tray)
                    self._flow(run, member, per_cut)
        for index, batch in enumerate(problem.standing):
            first = len(self.runs)
            for way, courses in enumerate(batch.ways):
                run = len(self.runs)
                self.runs.append(_Run(None, index, way, batch.programme, courses))
                for member, course in enumerate(courses):
                    column = self._new(0.0, 0.0, batch.plants)
                    self.moved[run, member] = column
                    if batch.in_channels:
                        cleared = self._new(CLEAR_WEIGHT * self._share, 0.0, batch.plants)
                        row = self.rows.new(batch.plants, batch.plants)
                        self.rows.put(row, column, 1.0)
                        self.rows.put(row, cleared, 1.0)
                    self._flow(run, member, self._reached(batch.programme, course))
            for member in range(problem.members if len(batch.ways) > 1 else 0):
                row = self.rows.new(-np.inf, batch.plants)
                for run in range(first, len(self.runs)):
                    self.rows.put(row, self.moved[run, member], 1.0)

    def _reached(self, programme: int, course: Course) -> list[list[int]]:
        """Demands that each cut can serve."""
        days, demands = self._demands_of[programme]
        return [
            demands[bisect_left(days, cut.ready) : bisect_left(days, cut.last + 1)] for cut in course.cuts
        ]

    def _flow(self, run: int, member: int, reached: list[list[int]]) -> None:
        for cut, demands in enumerate(reached):
            if not demands:
                continue
            row = self.rows.new(-np.inf, 0.0)
            self.rows.put(row, self.moved[run, member], -1.0)
            for demand in demands:
                heads = self.problem.demands[demand].heads
                column = self._new(0.0, 0.0, heads)
                self.flows.append(_Flow(run, member, cut, demand, column))
                self.rows.put(row, column, 1.0)

    # ---- rows

    def _demands(self) -> None:
        rows: dict[tuple[int, int], int] = {}
        reached = {(flow.demand, flow.member) for flow in self.flows}
        for index, demand in enumerate(self.problem.demands):
            for member in range(self.problem.members):
                # What cannot be served at all is not a matter of the plan, and would blur how good it is.
                weight = self.short_weight * demand.weight if (index, member) in reached else 0.0
                column = self._new(weight * self._share, 0.0, demand.heads)
                row = self.rows.new(demand.heads, demand.heads)
                self.rows.put(row, column, 1.0)
                self.short[index, member], rows[index, member] = column, row
        for flow in self.flows:
            self.rows.put(rows[flow.demand, flow.member], flow.column, 1.0)

    def _spaces(self) -> None:
        cut_by = defaultdict(list)
        for flow in self.flows:
            cut_by[flow.run, flow.member].append(flow)
        for member in range(self.problem.members):
            held: dict[int, list[tuple[int, int, int, float]]] = defaultdict(
                list
            )  # by space: from, to, column, a unit
            for run, item in enumerate(self.runs):
                programme, course = self.problem.programmes[item.programme], item.courses[member]
                if item.seeding is not None:
                    begin = self.problem.seedings[item.seeding].day
                    held[programme.nursery].append(
                        (begin, course.transplant, self.trays[run], float(programme.tray_cells))
                    )
                in_place = item.standing is not None and self.problem.standing[item.standing].in_channels
                begin = -1 if in_place else course.transplant
                end = course.cuts[-1].last if course.cuts else self.problem.days
                held[programme.channels].append((begin, end, self.moved[run, member], 1.0))
                for flow in cut_by[run, member]:
                    if flow.cut == len(course.cuts) - 1:
                        day = self.problem.demands[flow.demand].day
                        held[programme.channels].append((day, end, flow.column, -1.0))
            for space, parts in held.items():
                self._space_rows(space, member, parts)

    def _space_rows(self, space: int, member: int, parts: list[tuple[int, int, int, float]]) -> None:
        place, days = self.problem.spaces[space], self.problem.days
        extra = place.turnaround_days
        fixed = self._fixed(space, member)
        free = place.capacity - fixed
        grows = {begin for begin, _, _, unit in parts if unit > 0.0}
        falls = set((np.flatnonzero(np.diff(free) < 0) + 1).tolist())
        every_week = set(range(0, days, 7))  # so that what binds is known of each
        looked = sorted(day for day in grows | falls | every_week if 0 <= day < days)
        kind: LimitKind = "cells" if self._is_nursery(space) else "sites"
        rows = []
        for day in looked:
            row = self.rows.new(-np.inf, float(max(0, free[day])))
            rows.append(row)
            self.limit_rows.append((kind, space, day, row))
        for begin, end, column, unit in parts:
            # What is cut frees its place only after the turnaround, and so does what is thrown away.
            first = bisect_left(looked, begin if unit > 0.0 else begin + extra)
            for at in range(first, bisect_left(looked, end + extra)):
                self.rows.put(rows[at], column, unit)

    def _is_nursery(self, space: int) -> bool:
        return any(programme.nursery == space for programme in self.problem.programmes)

    def _fixed(self, space: int, member: int) -> NDArray[np.int64]:
        """Cells held by batches that stand in the nursery."""
        held = np.zeros(self.problem.days, dtype=np.int64)
        extra = self.problem.spaces[space].turnaround_days
        for batch in self.problem.standing:
            if not batch.in_channels and self.problem.programmes[batch.programme].nursery == space:
                until = max(courses[member].transplant for courses in batch.ways) + extra
                held[: max(0, until)] += batch.cells
        return held

    def _crews(self) -> None:
        for index, crew in enumerate(self.problem.crews):
            for member in range(self.problem.members):
                work: dict[int, list[tuple[int, float]]] = defaultdict(list)
                for run, item in enumerate(self.runs):
                    if self.problem.programmes[item.programme].crew != index:
                        continue
                    if item.seeding is not None:
                        day = self.problem.seedings[item.seeding].day
                        work[day].append((self.trays[run], crew.seed_minutes))
                    batch = None if item.standing is None else self.problem.standing[item.standing]
                    if batch is None or not batch.in_channels:
                        work[item.courses[member].transplant].append(
                            (self.moved[run, member], crew.move_minutes)
                        )
                for flow in self.flows:
                    if (
                        flow.member == member
                        and self.problem.programmes[self.runs[flow.run].programme].crew == index
                    ):
                        work[self.problem.demands[flow.demand].day].append((flow.column, crew.cut_minutes))
                for day, parts in sorted(work.items()):
                    if not 0 <= day < self.problem.days:
                        continue
                    row = self.rows.new(-np.inf, float(crew.minutes[day]))
                    self.limit_rows.append(("labour", index, day, row))
                    for column, minutes in parts:
                        if minutes:
                            self.rows.put(row, column, minutes)

    def _seedings(self) -> None:
        """Count seedings, and changes against the plan in force."""
        by_seeding: dict[int, list[int]] = defaultdict(list)
        for run, column in self.trays.items():
            of = self.runs[run].seeding
            if of is not None:
                by_seeding[of].append(column)
        for index, seeding in enumerate(self.problem.seedings):
            columns = by_seeding.get(index, [])
            if not columns:
                continue
            most = max(self.high[column] for column in columns)
            whole = self._new(0.0, 0.0, most, whole=True)
            self.whole_trays[index] = whole
            row = self.rows.new(0.0, 0.0)
            self.rows.put(row, whole, -1.0)
            for column in columns:
                self.rows.put(row, column, 1.0)
            made = self._new(SEEDING_WEIGHT, 0.0, 1.0, whole=True)
            self.made.append(made)
            row = self.rows.new(-np.inf, 0.0)
            # Where not even one tray fits, this row must not be what binds: the trays' own bounds are.
            self.rows.put(row, made, -max(most, 1.0))
            self.rows.put(row, whole, 1.0)
            if self.problem.keep_plan:
                changed = self._new(CHANGE_WEIGHT, 0.0, np.inf)
                for sign in (1.0, -1.0):
                    row = self.rows.new(-np.inf, sign * seeding.trays_before)
                    self.rows.put(row, changed, -1.0)
                    self.rows.put(row, whole, sign)

    # ---- solving

    def matrix(self, columns: int) -> csr_array:
        """Return the rows as a sparse matrix."""
        rows = self.rows
        return csr_array((rows.value, (rows.row, rows.column)), shape=(len(rows.low), columns))

    def solve(self, *, gap: float, time_limit_s: float) -> tuple[Array, float]:
        """Return the best columns found, and how far they may be off, as a share of the objective."""
        if not self.cost:
            return np.zeros(0), 0.0
        few = len(self.made) <= FEW_SEEDINGS
        cost, whole = np.array(self.cost), np.array(self.whole)
        if not few:  # whether a seeding is made hardly bounds the program, and hinders its solution
            cost[self.made], whole[self.made] = 0.0, 0
        result = self._milp(cost, whole, np.array(self.low), np.array(self.high), gap, time_limit_s)
        if result.x is None:
            raise PlanError(f"no plan was found in {time_limit_s:g} s: {result.message}")
        found = self._counted(result.x)
        bound = result.fun if result.mip_dual_bound is None else result.mip_dual_bound
        if not few:
            found = self._polish(found, time_limit_s)
        value = float(np.dot(self.cost, found))
        return found, max(0.0, value - float(bound)) / max(value, 1.0)

    def _milp(
        self,
        cost: Array,
        whole: NDArray[np.int64],
        low: Array,
        high: Array,
        gap: float,
        time_limit_s: float,
    ) -> OptimizeResult:
        return milp(
            cost,
            integrality=whole,
            bounds=Bounds(low, high),
            constraints=LinearConstraint(
                self.matrix(len(self.cost)), np.array(self.rows.low), np.array(self.rows.high)
            ),
            options={"mip_rel_gap": gap, "time_limit": time_limit_s},
        )

    def _counted(self, columns: Array) -> Array:
        """Return columns with whole trays, and with the seedings that are made counted as such."""
        found = np.array(columns, dtype=np.float64)
        for whole, made in zip(self.whole_trays.values(), self.made, strict=True):
            found[whole] = round(found[whole])
            found[made] = float(found[whole] > 0)
        return found

    def _polish(self, found: Array, time_limit_s: float) -> Array:
        """Make fewer seedings of the same, some weeks at a time with the others held."""
        days = [self.problem.seedings[index].day for index in self.whole_trays]
        held = [*self.whole_trays.values(), *self.made]
        day_of = np.array([*days, *days])
        for begin in range(0, self.problem.days, 7 * _POLISH_WEEKS):
            now = (day_of >= begin) & (day_of < begin + 7 * _POLISH_WEEKS)
            if not now.any():
                continue
            low, high, whole = np.array(self.low), np.array(self.high), np.zeros(len(self.cost), np.int64)
            fixed, free = np.array(held)[~now], np.array(held)[now]
            low[fixed] = high[fixed] = found[fixed]
            whole[free] = 1
            limit = _POLISH_SHARE * time_limit_s
            result = self._milp(np.array(self.cost), whole, low, high, 1e-4, limit)
            if result.x is not None:
                better = self._counted(result.x)
                if np.dot(self.cost, better) < np.dot(self.cost, found):
                    found = better
        return found

    def stretched(self, found: Array) -> tuple[Array, dict[tuple[LimitKind, int, int], float]]:
        """Solve with divisible trays and limits that stretch week by week, no demand being shorter than it was.

        Parameters
        ----------
        found : ndarray
            Columns of the plan.

        Returns
        -------
        columns : ndarray
            As of :meth:`solve`.
        stretch : dict
            By kind, position and week: how much more there is of it.
        """
        cost = np.zeros(len(self.cost))
        for column in self.short.values():
            cost[column] = self.cost[column] / self.short_weight
        weeks = sorted({(kind, where, day // 7) for kind, where, day, _ in self.limit_rows})
        column_of = {week: len(cost) + n for n, week in enumerate(weeks)}
        per_week = [_LABOUR_STRETCH_WEIGHT if kind == "labour" else _STRETCH_WEIGHT for kind, *_ in weeks]
        columns = len(cost) + len(weeks)
        rows = self.rows
        more = [column_of[kind, where, day // 7] for kind, where, day, _ in self.limit_rows]
        matrix = csr_array(
            (
                rows.value + [-1.0] * len(more),
                (rows.row + [row for *_, row in self.limit_rows], rows.column + more),
            ),
            shape=(len(rows.low), columns),
        )
        # Trays that nothing but a full nursery bounds are not bounded here.
        high = np.array([*self.high, *[np.inf] * len(weeks)], dtype=np.float64)
        unbounded = [*self.trays.values(), *self.whole_trays.values(), *self.made]
        high[np.array(unbounded, dtype=np.int64)] = np.inf
        low = np.array([*self.low, *[0.0] * len(weeks)], dtype=np.float64)
        short = np.array([*self.short.values()], dtype=np.int64)
        high[short] = np.minimum(high[short], np.maximum(found[short], 0.0) + SMALL / 100.0)
        result = milp(
            np.concatenate([cost, per_week]),
            bounds=Bounds(low, high),
            constraints=LinearConstraint(matrix, np.array(rows.low), np.array(rows.high)),
        )
        if result.x is None:
            raise PlanError(f"what binds was not found: {result.message}")
        return np.asarray(result.x), {week: float(result.x[c]) for week, c in column_of.items()}


def _demands_by_programme(problem: Problem) -> list[tuple[list[int], list[int]]]:
    """Return days and positions of the demands that each programme can serve, in order of days."""
    found = []
    for programme in range(len(problem.programmes)):
        own = sorted((d.day, k) for k, d in enumerate(problem.demands) if programme in d.programmes)
        found.append(([day for day, _ in own], [k for _, k in own]))
    return found


def _cuts(source: Seeding | Standing) -> int:
    return max((len(course.cuts) for courses in source.ways for course in courses), default=0)


def _raised_a_tray(problem: Problem, seeding: Seeding) -> float:
    return problem.programmes[seeding.programme].plants_a_tray * _cuts(seeding)


# --------------------------------------------------------------------------- what it says


def _told(problem: Problem, model: _Model, found: Array, gap: float, within: bool) -> Plan:
    share = 1.0 / problem.members
    cleared = []
    moves: dict[int, list[Move]] = defaultdict(list)
    waste = sum(batch.plants * _cuts(batch) for batch in problem.standing)
    stays: dict[int, float] = defaultdict(float)
    for run, item in enumerate(model.runs):
        plants = share * sum(float(found[model.moved[run, m]]) for m in range(problem.members))
        if item.seeding is None:
            stays[item.standing or 0] += plants
        elif float(found[model.trays[run]]) > SMALL / 10.0:
            moves[item.seeding].append(Move(item.way, float(found[model.trays[run]]), plants))
    planned = []
    for index, column in model.whole_trays.items():
        if trays := round(float(found[column])):
            waste += trays * _raised_a_tray(problem, problem.seedings[index])
            planned.append(Planned(index, trays, tuple(moves[index])))
    for index, batch in enumerate(problem.standing):
        if batch.in_channels and batch.plants - stays[index] > SMALL:
            cleared.append((index, batch.plants - stays[index]))
    heads: dict[tuple[int, int, int], float] = defaultdict(float)
    for flow in model.flows:
        heads[flow.demand, flow.run, flow.cut] += share * float(found[flow.column])
    deliveries = [
        Delivery(demand, n, model.runs[run].seeding, model.runs[run].standing, model.runs[run].way, cut)
        for (demand, run, cut), n in heads.items()
        if n > SMALL
    ]
    waste -= sum(heads.values())
    short = {
        k: share * sum(float(found[model.short[k, m]]) for m in range(problem.members))
        for k in range(len(problem.demands))
    }
    lacking = {k: n for k, n in short.items() if n > SMALL}
    shortfalls, limits = _why(problem, model, found, lacking) if lacking else ((), ())
    return Plan(
        planned=tuple(sorted(planned, key=lambda p: (problem.seedings[p.seeding].day, p.seeding))),
        deliveries=tuple(sorted(deliveries, key=lambda d: (problem.demands[d.demand].day, d.demand))),
        shortfalls=shortfalls,
        waste=max(0.0, waste),
        objective=float(np.dot(model.cost, found)),
        gap=gap,
        optimal=within,
        limits=limits,
        cleared=tuple(cleared),
    )


def _why(
    problem: Problem, model: _Model, found: Array, lacking: dict[int, float]
) -> tuple[tuple[Shortfall, ...], tuple[Limit, ...]]:
    """Name what binds where something lacks."""
    relaxed, stretch = model.stretched(found)
    limits = {
        key: Limit(key[0], key[1], 7 * key[2], min(7 * key[2] + 6, problem.days - 1), amount)
        for key, amount in stretch.items()
        if amount > SMALL
    }
    reach: dict[int, list[_Run]] = defaultdict(list)
    for demand, run in sorted({(flow.demand, flow.run) for flow in model.flows}):
        reach[demand].append(model.runs[run])
    told = []
    for demand, heads in lacking.items():
        never = sum(float(relaxed[model.short[demand, m]]) for m in range(problem.members)) / problem.members
        named = [Limit("window", amount=never)] if never > SMALL else []
        if heads - never > SMALL:
            near = [limit for limit in limits.values() if _touches(problem, limit, reach[demand], demand)]
            named.extend(near or [Limit("trays", amount=heads - never)])
        told.append(Shortfall(demand, heads, tuple(named)))
    return tuple(told), tuple(limits.values())


def _touches(problem: Problem, limit: Limit, runs: Sequence[_Run], demand: int) -> bool:
    """Whether a limit holds in a place and week through which what serves a demand would go."""
    if limit.first_day is None or limit.last_day is None:
        return False
    until = problem.demands[demand].day
    for run in runs:
        programme = problem.programmes[run.programme]
        begin = 0 if run.seeding is None else problem.seedings[run.seeding].day
        move = min(course.transplant for course in run.courses)
        spans = {
            "cells": (programme.nursery, begin, move),
            "sites": (programme.channels, move, until),
            "labour": (programme.crew, begin, until),
        }
        where, first, last = spans.get(limit.kind, (None, 0, 0))
        if where == limit.where and first <= limit.last_day and limit.first_day <= last:
            return True
    return False


# --------------------------------------------------------------------------- what a site earns


class SiteValue(NamedTuple):
    """What a crop earns on a site."""

    per_site_week: float
    site_weeks_a_head: float


def value_per_site_week(
    price_a_head: float, days_on_site: float, heads_a_site: float = 1.0, cost_a_site: float = 0.0
) -> SiteValue:
    """Return what a crop earns for each week that it holds a site.

    Parameters
    ----------
    price_a_head : float
        Price of a head, or of one cut of a herb.
    days_on_site : float
        From transplant to the last cut, with the time until the site is taken again. [d]
    heads_a_site : float, optional
        Heads or cuts that a site gives in that time, losses taken off.
    cost_a_site : float, optional
        Seed, cube and whatever else a plant costs.

    Raises
    ------
    ValueError
        If no time or no yield is given.
    """
    if days_on_site <= 0.0 or heads_a_site <= 0.0:
        raise ValueError("a crop holds a site for some days and yields something")
    weeks = days_on_site / 7.0
    return SiteValue((price_a_head * heads_a_site - cost_a_site) / weeks, weeks / heads_a_site)
