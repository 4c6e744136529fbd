"""The plan: best among all plans there are, within every limit, and clear about what binds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations_with_replacement, product

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.agronomy.planning import (
    SEEDING_WEIGHT,
    SHORT_TRAYS,
    Course,
    Crew,
    Cut,
    Demand,
    Limit,
    Plan,
    PlanError,
    Problem,
    Programme,
    Seeding,
    Space,
    Standing,
    solve,
    value_per_site_week,
)


def ways(
    day: int, nursery: int = 3, channels: int = 4, window: int = 1, waits: tuple[int, ...] = (0,)
) -> tuple[tuple[Course, ...], ...]:
    """Return the ways of a seeding for one member: one for each wait."""
    return tuple(
        (
            Course(
                day + nursery + wait,
                (Cut(day + nursery + channels + wait, day + nursery + channels + wait + window),),
            ),
        )
        for wait in waits
    )


def house(
    days: int = 40, cells: int = 100, sites: int = 100, turnaround_days: int = 0, **more: object
) -> Problem:
    """Return one house of one succession, trays of 10 cells and 10 plants, seeded any day."""
    given = {
        "spaces": (
            Space("nursery", np.full(days, cells)),
            Space("channels", np.full(days, sites), turnaround_days),
        ),
        "programmes": (Programme("butterhead", 0, 1, 10, 10.0),),
        "seedings": tuple(Seeding(0, day, ways(day)) for day in range(days - 8)),
        "demands": (),
        **more,
    }
    return Problem(days, **given)  # type: ignore[arg-type]


def wanted(*days_and_heads: tuple[int, float], of: frozenset[int] = frozenset({0})) -> tuple[Demand, ...]:
    return tuple(Demand(day, heads, of) for day, heads in days_and_heads)


# --------------------------------------------------------------------------- an independent look at a plan


def violations(problem: Problem, plan: Plan) -> list[str]:
    """Walk a plan day by day, for one member, and name what it breaks."""
    found = []
    trays = {p.seeding: p.trays for p in plan.planned}
    for planned in plan.planned:
        seeding = problem.seedings[planned.seeding]
        programme = problem.programmes[seeding.programme]
        if abs(sum(m.trays for m in planned.moves) - planned.trays) > 1e-5:
            found.append(f"parts of seeding {planned.seeding} are not its trays")
        found += [
            f"more plants than seedlings in {planned.seeding}"
            for move in planned.moves
            if move.plants > move.trays * programme.plants_a_tray + 1e-5
        ]
    served = dict.fromkeys(range(len(problem.demands)), 0.0)
    for delivery in plan.deliveries:
        served[delivery.demand] += delivery.heads
        demand = problem.demands[delivery.demand]
        source = (
            problem.seedings[delivery.seeding]
            if delivery.seeding is not None
            else problem.standing[delivery.standing or 0]
        )
        if source.programme not in demand.programmes:
            found.append("a demand is served by a programme that does not grow it")
        cut = source.ways[delivery.way][0].cuts[delivery.cut]
        if not cut.ready <= demand.day <= cut.last:
            found.append(f"heads are cut on day {demand.day}, ready {cut}")
        if delivery.seeding is not None and not trays.get(delivery.seeding):
            found.append("heads come of a seeding that is not made")
    short = {s.demand: s.heads for s in plan.shortfalls}
    for index, demand in enumerate(problem.demands):
        if abs(served[index] + short.get(index, 0.0) - demand.heads) > 0.2:
            found.append(f"demand {index} does not add up")
    for day in range(problem.days):
        found += list(_full(problem, plan, day))
    return found


def _full(problem: Problem, plan: Plan, day: int) -> Iterator[str]:
    held = np.zeros(len(problem.spaces))
    for planned in plan.planned:
        seeding = problem.seedings[planned.seeding]
        programme = problem.programmes[seeding.programme]
        turn = problem.spaces[programme.nursery].turnaround_days
        for move in planned.moves:
            course = seeding.ways[move.way][0]
            if seeding.day <= day < course.transplant + turn:
                held[programme.nursery] += move.trays * programme.tray_cells
            held[programme.channels] += _stands(
                problem, plan, day, course, move.plants, move.way, planned.seeding
            )
    cleared = dict(plan.cleared)
    for index, batch in enumerate(problem.standing):
        programme = problem.programmes[batch.programme]
        turn = problem.spaces[programme.nursery].turnaround_days
        if batch.in_channels:
            plants = batch.plants - cleared.get(index, 0.0)
            course = batch.ways[0][0]
            held[programme.channels] += _stands(problem, plan, day, course, plants, 0, None, index)
        elif day < max(way[0].transplant for way in batch.ways) + turn:
            held[programme.nursery] += batch.cells
    for space, amount in zip(problem.spaces, held, strict=True):
        if amount > max(space.capacity[day], 0) + 1e-4 and not _overfull(problem, space, day, amount):
            yield f"{space.name} holds {amount:.3f} of {space.capacity[day]} on day {day}"


def _overfull(problem: Problem, space: Space, day: int, amount: float) -> bool:
    """Whether it is only what stands in the nursery already."""
    standing = sum(
        batch.cells
        for batch in problem.standing
        if not batch.in_channels
        and problem.spaces[problem.programmes[batch.programme].nursery] is space
        and day < max(way[0].transplant for way in batch.ways) + space.turnaround_days
    )
    return amount <= standing + 1e-6


def _stands(
    problem: Problem,
    plan: Plan,
    day: int,
    course: Course,
    plants: float,
    way: int,
    seeding: int | None,
    standing: int | None = None,
) -> float:
    """Plants of one way on their sites on a day; those cut free them after the turnaround, and so do the others."""
    source = problem.seedings[seeding] if seeding is not None else problem.standing[standing or 0]
    turn = problem.spaces[problem.programmes[source.programme].channels].turnaround_days
    if not course.transplant <= day < course.cuts[-1].last + turn:
        return 0.0
    cut = sum(
        d.heads
        for d in plan.deliveries
        if (d.seeding, d.standing, d.way, d.cut) == (seeding, standing, way, len(course.cuts) - 1)
        and problem.demands[d.demand].day + turn <= day
    )
    return max(0.0, plants - cut)


# --------------------------------------------------------------------------- all plans there are


def best_of_all(problem: Problem) -> tuple[float, float]:
    """Return the smallest shortfall and the smallest objective of all plans of a small problem, plant by plant.

    One way, one cut, a plant a tray; every plant is thrown away, or serves one demand.
    """
    weight = SHORT_TRAYS * max(1.0, *(p.plants_a_tray for p in problem.programmes))
    fates: list[list[tuple[int | None, ...]]] = []
    for seeding in problem.seedings:
        reach = [
            k
            for k, d in enumerate(problem.demands)
            if seeding.programme in d.programmes
            and seeding.ways[0][0].cuts[0].ready <= d.day <= seeding.ways[0][0].cuts[0].last
        ]
        choices: list[int | None] = [*reach, None]
        programme = problem.programmes[seeding.programme]
        room = problem.spaces[programme.nursery].capacity.max() // programme.tray_cells
        most = min(int(room), sum(int(problem.demands[k].heads) for k in reach))
        fates.append([c for n in range(most + 1) for c in combinations_with_replacement(choices, n)])
    best = (np.inf, np.inf)
    reachable = {k for per in fates for c in per for k in c if k is not None}
    for chosen in product(*fates):
        served = np.zeros(len(problem.demands))
        for plants in chosen:
            for k in plants:
                if k is not None:
                    served[k] += 1
        if any(served[k] > d.heads for k, d in enumerate(problem.demands)) or not _fits(problem, chosen):
            continue
        short = sum(problem.demands[k].heads - served[k] for k in reachable)
        raised, made = sum(len(p) for p in chosen), sum(bool(p) for p in chosen)
        value = weight * short + raised + SEEDING_WEIGHT * made
        best = (min(best[0], short), min(best[1], value))
    unreachable = sum(d.heads for k, d in enumerate(problem.demands) if k not in reachable)
    return best[0] + unreachable, best[1]


def _fits(problem: Problem, chosen: tuple[tuple[int | None, ...], ...]) -> bool:
    for day in range(problem.days):
        held = [0.0] * len(problem.spaces)
        for seeding, plants in zip(problem.seedings, chosen, strict=True):
            programme, course = problem.programmes[seeding.programme], seeding.ways[0][0]
            if seeding.day <= day < course.transplant:
                held[programme.nursery] += programme.tray_cells * len(plants)
            for k in plants:
                if k is not None and course.transplant <= day < problem.demands[k].day:
                    held[programme.channels] += 1
        if any(h > s.capacity[day] for h, s in zip(held, problem.spaces, strict=True)):
            return False
    return True


@pytest.mark.parametrize("luck", range(60))
def test_plans_are_the_best_of_all(luck: int) -> None:
    rng = np.random.default_rng(luck)
    days = 18
    spaces = (
        Space("nursery", np.full(days, int(rng.integers(2, 5)))),
        Space("channels", np.full(days, int(rng.integers(1, 6)))),
    )
    programmes = (Programme("a", 0, 1, 1, 1.0), Programme("b", 0, 1, 2, 1.0))
    seedings = tuple(
        Seeding(
            int(rng.integers(2)),
            int(day),
            ways(int(day), int(rng.integers(2, 4)), int(rng.integers(3, 6)), int(rng.integers(0, 4))),
        )
        for day in rng.choice(8, 3, replace=False)
    )
    demands = tuple(
        Demand(int(rng.integers(6, days)), float(rng.integers(1, 4)), frozenset({int(rng.integers(2)), 0}))
        for _ in range(3)
    )
    problem = Problem(days, spaces, programmes, seedings, demands)
    plan = solve(problem, gap=0.0)
    short, value = best_of_all(problem)
    assert plan.objective == pytest.approx(value, abs=1e-6)
    assert sum(s.heads for s in plan.shortfalls) == pytest.approx(short, abs=1e-6)
    assert violations(problem, plan) == []


# --------------------------------------------------------------------------- never beyond a limit


@st.composite
def problems(draw: st.DrawFn) -> Problem:
    days = draw(st.integers(12, 30))
    whole = st.integers
    turn = draw(whole(0, 2))

    def space(name: str) -> Space:
        steady = draw(whole(0, 60))
        by_day = np.full(days, steady)
        first = draw(whole(0, days - 1))
        by_day[first : first + draw(whole(0, 6))] = draw(whole(0, steady))
        return Space(name, by_day, turn)

    spaces = tuple(space(name) for name in ("nursery 1", "channels 1", "channels 2"))
    programmes = tuple(
        Programme(f"p{i}", 0, draw(whole(1, 2)), draw(whole(1, 12)), draw(whole(1, 10)) * 0.9)
        for i in range(draw(whole(1, 3)))
    )

    def course(begin: int) -> tuple[tuple[Course, ...], ...]:
        nursery, channels, window = draw(whole(1, 6)), draw(whole(1, 8)), draw(whole(0, 5))
        waits = draw(st.sampled_from([(0,), (0, 1), (0, 2, 3)]))
        found = ways(begin, nursery, channels, window, waits)
        if draw(st.booleans()):
            return found
        return tuple(
            tuple(
                Course(
                    c.transplant,
                    (*c.cuts, Cut(c.cuts[0].last + channels, c.cuts[0].last + channels + window)),
                )
                for c in way
            )
            for way in found
        )

    index = whole(0, len(programmes) - 1)
    seedings = tuple(
        Seeding(draw(index), day, course(day), draw(whole(0, 2)))
        for day in draw(st.lists(whole(0, days - 1), max_size=6))
    )
    standing = []
    for _ in range(draw(whole(0, 3))):
        here = draw(st.booleans())
        if here:
            ready = draw(whole(0, 8))
            path = ((Course(-1, (Cut(ready, ready + draw(whole(0, 4))),)),),)
        else:
            path = ways(0, draw(whole(1, 4)), 5, 2, (0, 1))
        standing.append(Standing(draw(index), draw(whole(1, 30)), path, draw(whole(1, 30)), here))
    demands = tuple(
        Demand(draw(whole(0, days - 1)), draw(whole(1, 40)), frozenset({draw(index), draw(index)}))
        for _ in range(draw(whole(0, 6)))
    )
    return Problem(
        days, spaces, programmes, seedings, demands, tuple(standing), keep_plan=draw(st.booleans())
    )


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(problems())
def test_no_plan_holds_more_than_there_is(problem: Problem) -> None:
    plan = solve(problem)
    assert violations(problem, plan) == []
    assert all(s.limits for s in plan.shortfalls)


# --------------------------------------------------------------------------- what is wanted of it


def test_harvests_meet_orders_from_their_windows() -> None:
    problem = house(demands=wanted((20, 30), (21, 20), (30, 50)))
    plan = solve(problem, gap=0.0)
    assert not plan.shortfalls
    assert plan.waste == pytest.approx(0.0)
    assert plan.optimal
    # The window of two days lets one seeding serve the first two orders.
    assert [(problem.seedings[p.seeding].day, p.trays) for p in plan.planned] in (
        [(13, 5), (22, 5)],
        [(13, 5), (23, 5)],
    )


def test_closed_days_are_never_seeded() -> None:
    closed = {22, 23}
    open_ = tuple(Seeding(0, day, ways(day)) for day in range(30) if day not in closed)
    plan = solve(house(seedings=open_, demands=wanted((30, 50))))
    assert [(s.heads, s.limits) for s in plan.shortfalls] == [(50.0, (Limit("window", amount=50.0),))]


def test_missing_sites_are_named_with_week_and_number() -> None:
    plan = solve(house(sites=80, demands=wanted((20, 100))))
    [short] = plan.shortfalls
    assert short.heads == pytest.approx(20.0)
    assert {(x.kind, x.where) for x in short.limits} == {("sites", 1)}
    assert {round(x.amount, 3) for x in short.limits} == {20.0}
    assert all((x.first_day, x.last_day) == (14, 20) for x in short.limits)


def test_missing_cells_are_named() -> None:
    plan = solve(house(cells=60, sites=200, demands=wanted((20, 100)), seedings=(Seeding(0, 13, ways(13)),)))
    [short] = plan.shortfalls
    assert short.heads == pytest.approx(40.0)
    assert {(x.kind, x.where, round(x.amount)) for x in short.limits} == {("cells", 0, 40)}


@pytest.mark.parametrize("cells", [0, 4, 9])
def test_a_nursery_that_holds_no_tray_names_cells(cells: int) -> None:
    plan = solve(
        house(cells=cells, sites=200, demands=wanted((20, 100)), seedings=(Seeding(0, 13, ways(13)),))
    )
    assert not plan.planned
    [short] = plan.shortfalls
    assert short.heads == pytest.approx(100.0)
    assert {(x.kind, x.where, round(x.amount)) for x in short.limits} == {("cells", 0, 100 - cells)}


def test_whole_trays_are_named() -> None:
    plan = solve(house(cells=15, demands=wanted((20, 15)), seedings=(Seeding(0, 13, ways(13)),)))
    [short] = plan.shortfalls
    assert (short.heads, short.limits) == (5.0, (Limit("trays", amount=5.0),))


def test_an_order_before_anything_can_be_ready_names_the_window() -> None:
    plan = solve(house(demands=wanted((2, 10), (20, 10))))
    [short] = plan.shortfalls
    assert (short.demand, short.limits) == (0, (Limit("window", amount=10.0),))


def test_labour_binds_and_is_named() -> None:
    crew = Crew("crew", np.full(40, 60.0), seed_minutes=5.0, move_minutes=1.0, cut_minutes=1.0)
    problem = house(
        demands=wanted((20, 100)),
        crews=(crew,),
        programmes=(Programme("butterhead", 0, 1, 10, 10.0, crew=0),),
    )
    plan = solve(problem)
    [short] = plan.shortfalls
    assert short.heads == pytest.approx(40.0)
    assert {(x.kind, x.where) for x in short.limits} == {("labour", 0)}
    assert max(x.amount for x in short.limits) == pytest.approx(40.0)


def test_cleaning_takes_sites_out() -> None:
    sites = np.full(40, 100)
    sites[17:19] = 60
    spaces = (Space("nursery", np.full(40, 200)), Space("channels", sites))
    plan = solve(house(spaces=spaces, demands=wanted((20, 100))))
    [short] = plan.shortfalls
    assert short.heads == pytest.approx(40.0)


def test_a_turnaround_keeps_sites_empty() -> None:
    both = wanted((10, 100), (14, 100))
    assert not solve(house(days=30, cells=300, demands=both)).shortfalls
    [short] = solve(house(days=30, cells=300, turnaround_days=1, demands=both)).shortfalls
    assert short.heads == pytest.approx(100.0)


def test_waiting_in_the_window_finds_sites() -> None:
    standing = (Standing(0, 100.0, ((Course(-1, (Cut(5, 5),)),),), in_channels=True),)
    demands = wanted((5, 100), (10, 100))
    now = (Seeding(0, 0, ways(0, 4, 4, 3)),)
    patient = (Seeding(0, 0, ways(0, 4, 4, 3, (0, 1))),)
    assert solve(house(days=20, standing=standing, demands=demands, seedings=now)).shortfalls
    plan = solve(house(days=20, standing=standing, demands=demands, seedings=patient))
    assert not plan.shortfalls
    assert [move.way for p in plan.planned for move in p.moves if move.plants > 0] == [1]


def test_cut_and_come_again_serves_an_order_with_each_cut() -> None:
    twice = ((Course(3, (Cut(7, 8), Cut(14, 15))),),)
    plan = solve(house(days=20, seedings=(Seeding(0, 0, twice),), demands=wanted((8, 50), (15, 50))))
    assert not plan.shortfalls
    assert [p.trays for p in plan.planned] == [5]


def test_what_stands_there_is_used_first_and_can_be_cleared() -> None:
    standing = (Standing(0, 40.0, ((Course(-1, (Cut(2, 9),)),),), in_channels=True),)
    plan = solve(house(days=20, sites=50, standing=standing, demands=wanted((8, 50))))
    assert [(d.standing, round(d.heads)) for d in plan.deliveries if d.standing is not None] == [(0, 40)]
    assert [p.trays for p in plan.planned] == [1]
    cleared = solve(house(days=20, sites=30, standing=standing, demands=())).cleared
    assert [(index, round(plants)) for index, plants in cleared] in ([(0, 10)], [(0, 40)])


def test_the_plan_in_force_is_kept_where_it_is_as_good() -> None:
    free = house(demands=wanted((20, 50), (21, 50)))
    for day in (12, 13):
        seedings = tuple(replace(s, trays_before=5 if s.day in {day, 14} else 0) for s in free.seedings)
        plan = solve(replace(free, seedings=seedings, keep_plan=True), gap=0.0)
        kept = {free.seedings[p.seeding].day: p.trays for p in plan.planned}
        assert not plan.shortfalls
        assert kept == {day: 5, 14: 5}


def test_fewer_seedings_of_the_same() -> None:
    plan = solve(house(demands=wanted((20, 50), (21, 50))), gap=0.0)
    assert len(plan.planned) == 1


def test_members_share_the_trays_and_bear_their_own_shortfall() -> None:
    """One member is ready in time, the other a day late: half the heads are short in the mean."""
    early, late = ways(5)[0][0], ways(6)[0][0]
    both = (Seeding(0, 5, ((early, Course(early.transplant, late.cuts)),)),)
    demand = wanted((12, 40))
    plan = solve(house(seedings=both, demands=demand))
    assert [p.trays for p in plan.planned] == [4]
    assert [s.heads for s in plan.shortfalls] == pytest.approx([20.0])
    assert plan.waste == pytest.approx(20.0)


def test_weights_say_whose_order_comes_first() -> None:
    demands = (Demand(20, 80, frozenset({0}), 1.0), Demand(20, 80, frozenset({0}), 2.0))
    plan = solve(house(demands=demands))
    assert [(s.demand, round(s.heads)) for s in plan.shortfalls] == [(0, 60)]


def test_nothing_wanted_is_nothing_seeded() -> None:
    plan = solve(house())
    assert (plan.planned, plan.shortfalls, plan.waste, plan.gap) == ((), (), 0.0, 0.0)
    empty = solve(Problem(10, (), (), (), ()))
    assert empty.planned == ()
    alone = solve(Problem(10, (), (), (), (Demand(3, 5, frozenset()),)))
    assert [s.limits for s in alone.shortfalls] == [(Limit("window", amount=5.0),)]


def test_contradictions_are_named() -> None:
    with pytest.raises(PlanError, match="not one of 40 days"):
        solve(house(spaces=(Space("nursery", np.full(3, 1)), Space("channels", np.full(40, 1)))))
    with pytest.raises(PlanError, match="outside the horizon"):
        solve(house(demands=wanted((40, 1))))
    with pytest.raises(PlanError, match="moved after it is made"):
        solve(house(seedings=(Seeding(0, 5, ((Course(5, (Cut(9, 9),)),),)),)))
    with pytest.raises(PlanError, match="follow each other"):
        solve(house(seedings=(Seeding(0, 5, ((Course(8, (Cut(9, 8),)),),)),)))
    with pytest.raises(PlanError, match="same members"):
        solve(house(seedings=(Seeding(0, 5, ways(5)), Seeding(0, 6, ((*ways(6)[0], *ways(7)[0]),)))))


# --------------------------------------------------------------------------- what a site earns


def test_what_a_site_earns() -> None:
    lettuce = value_per_site_week(0.85, 28.0, 0.95)
    basil = value_per_site_week(1.2, 42.0, 3 * 0.9, cost_a_site=0.1)
    assert lettuce.per_site_week == pytest.approx(0.85 * 0.95 / 4.0)
    assert basil.per_site_week == pytest.approx((1.2 * 2.7 - 0.1) / 6.0)
    assert basil.site_weeks_a_head == pytest.approx(6.0 / 2.7)
    with pytest.raises(ValueError, match="some days"):
        value_per_site_week(1.0, 0.0)


@given(st.floats(0.01, 100), st.floats(1, 200), st.floats(0.1, 10), st.floats(1.01, 3))
def test_longer_on_the_site_earns_less(price: float, days: float, heads: float, more: float) -> None:
    once = value_per_site_week(price, days, heads)
    assert value_per_site_week(price, days * more, heads).per_site_week < once.per_site_week
    assert value_per_site_week(price * more, days, heads).per_site_week > once.per_site_week
    assert value_per_site_week(price, days, heads * more).site_weeks_a_head < once.site_weeks_a_head
