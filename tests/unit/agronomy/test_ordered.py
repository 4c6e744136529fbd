"""Seedings for orders, where what is best is known."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from service.agronomy import ordered as law
from service.agronomy import succession

DAY = 24.0
NOW = 480_000.0
MEMBERS = 12
HOLD = 6.0


def curve(duration, spread=0.0, nursery=15.0):
    """Seedings from now on; members differ by whole days."""
    days = 3.5 * np.arange(15)
    seeding = NOW + DAY * days
    off = spread * np.linspace(-1, 1, MEMBERS)
    harvest = seeding[:, None] + DAY * (np.array([duration(d) for d in days])[:, None] + off)
    transplant = np.repeat(seeding[:, None] + DAY * nursery, MEMBERS, axis=1)
    return succession.Curve(seeding, transplant, harvest, harvest - DAY * 8)


def weekly(heads=80.0, first=50.0, count=7, every=7.0):
    return law.Wishes(NOW + DAY * (first + every * np.arange(count)), np.full(count, heads))


def batches(*ready_days, plants=80.0):
    days = np.array(ready_days, dtype=float).reshape(-1, 1)
    return law.Supply(NOW + DAY * days + np.zeros((days.size, MEMBERS)), np.full(days.size, plants))


NOTHING = batches()


def advise(
    c, wishes, supply=NOTHING, *, sites=10_000, previous=None, cuts=1, interval=7.0, cells=100, own_spread=0.0
):
    programme = succession.Programme(
        harvest_interval_days=7.0, seeding_interval_days=interval, cells=cells, keep_share=0.8
    )
    nobody = succession.Occupants(
        np.empty((0, MEMBERS)), np.empty((0, MEMBERS)), np.empty((0, MEMBERS)), np.empty(0)
    )
    even = succession.advise(programme, NOW, NOW, c.harvest_h[0], c, nobody, [], [], sites)
    orders = law.Orders(
        wishes=wishes,
        supply=supply,
        hold_days=HOLD,
        allowed_h=NOW + DAY * np.arange(50.0),
        cuts=cuts,
        own_spread=own_spread,
    )
    return law.for_orders(even, programme, NOW, c, nobody, [], sites, [], orders, previous)


# --------------------------------------------------------------------------- serving


def test_batches_serve_orders_in_turn_while_their_heads_may_wait():
    wishes = weekly(first=10, count=4)

    def short(supply, hold=HOLD):
        return law.short_heads(wishes, supply.ready_h, supply.plants, hold * DAY)[:, 0].tolist()

    assert short(batches(8, 15, 29)) == [0, 0, 80, 0]
    assert short(batches(1)) == [80] * 4  # too old by then
    assert short(batches(11)) == [80, 0, 80, 80]
    assert short(batches(9, plants=100.0), hold=8) == [0, 60, 80, 80]  # the rest waits
    assert short(NOTHING) == [80] * 4


@given(
    ready=st.lists(st.floats(0.0, 40.0), min_size=1, max_size=6),
    plants=st.integers(1, 120),
    hold=st.floats(1.0, 15.0),
)
@settings(max_examples=60, deadline=None)
def test_no_other_way_of_serving_leaves_fewer_short(ready, plants, hold):
    wishes = weekly(first=10, count=4)
    ready_h = NOW + DAY * np.array(ready)
    found = law.short_heads(wishes, ready_h[:, None], np.full(ready_h.size, float(plants)), hold * DAY).sum()
    # The most that can be served, by scipy: a flow from batches to the wishes they are fit for.
    fit = (ready_h[:, None] <= wishes.at_h) & (wishes.at_h <= ready_h[:, None] + hold * DAY)
    from_batch = np.kron(np.eye(ready_h.size), np.ones(4))
    to_wish = np.tile(np.eye(4), ready_h.size)
    best = linprog(
        -fit.ravel().astype(float),
        A_ub=np.vstack([from_batch, to_wish]),
        b_ub=[plants] * ready_h.size + wishes.heads.tolist(),
    )
    assert found == pytest.approx(wishes.heads.sum() + best.fun, abs=1e-6)


# --------------------------------------------------------------------------- seeding


@given(slope=st.floats(-0.3, 0.8), first=st.floats(50.0, 60.0))
@settings(max_examples=25, deadline=None)
def test_every_order_that_can_be_reached_is_met(slope, first):
    advice = advise(curve(lambda d: 45 + slope * d), weekly(first=first, count=4))
    assert advice.wanted >= 80.0
    assert advice.short_with == pytest.approx(0.0, abs=1e-9)
    assert sum(advice.seeding_cells) == 100 * round(advice.wanted / 80.0)


def test_what_is_not_sure_is_aimed_early_since_a_late_head_is_short_and_an_early_one_waits():
    advice = advise(curve(lambda _d: 45.0, spread=1.0), weekly(first=60, count=1))
    ready = (np.array(advice.seedings_h) - NOW) / DAY + 45.0
    assert (ready - 1.0 >= 54.0).all()  # in every member within the days that it may wait
    assert (ready + 1.0 <= 60.0).all()
    # Where no day is sure, more is seeded.
    unsure = advise(curve(lambda _d: 45.0, spread=8.0), weekly(first=65, count=1))
    assert sum(unsure.seeding_cells) > 100


def test_what_batches_do_by_themselves_is_allowed_for():
    c = curve(lambda _d: 45.0)
    moments = NOW + DAY * np.arange(10.0)
    light, ready = (np.repeat(moments[:, None] + DAY * d, 400, axis=1) for d in (37.0, 45.0))
    off = law.own_luck_h(ready, light, moments, 0.05) / DAY
    # 0.05 in log weight, where the last 15 % take 8 days.
    assert off.std() == pytest.approx(0.05 * 8.0 / -np.log(0.85), rel=0.05)
    assert abs(np.corrcoef(off)[~np.eye(10, dtype=bool)]).max() < 0.25  # each day has its own
    some = slice(3, 5)
    kept = law.own_luck_h(ready[some], light[some], moments[some], 0.05) / DAY
    assert kept == pytest.approx(off[some])  # and keeps it
    assert law.own_luck_h(np.full((1, 4), np.inf), light[:1, :4], moments[:1], 0.05).tolist() == [[0.0] * 4]
    alike, apart = advise(c, weekly()), advise(c, weekly(), own_spread=0.06)
    assert sum(apart.seeding_cells) > sum(alike.seeding_cells)
    assert apart.short_with < 0.1 * apart.wanted


def test_orders_that_batches_cover_ask_for_no_seeding():
    c = curve(lambda _d: 45.0)
    wishes = weekly(first=50, count=3)
    covered = advise(c, wishes, batches(47, 54, 61))
    assert (covered.seedings_h, covered.wanted) == ((), 0.0)
    half = advise(c, wishes, batches(47, 54))
    assert sum(half.seeding_cells) == 100
    assert (half.wanted, half.short_with) == (80.0, 0.0)


def test_orders_are_seeded_as_far_as_there_are_sites():
    c = curve(lambda _d: 45.0)
    free, tight = advise(c, weekly()), advise(c, weekly(), sites=200)
    assert (free.binding, tight.binding) == ("continuity", "sites")
    assert sum(tight.seeding_cells) < sum(free.seeding_cells)
    assert tight.sites_needed_advised <= 200 + 1e-6
    assert tight.short_with > 0.0


def test_seedings_that_others_made_needless_are_moved_or_left_out():
    moments = NOW + DAY * np.arange(21.0)
    ready = np.repeat(moments[:, None] + DAY * 45.0, MEMBERS, axis=1)[None]
    stays, room = np.zeros((21, 100)), np.full(100, 1e4)
    plan = law._Plan(weekly(first=50, count=2), NOTHING, ready, stays, room, 40.0, HOLD * DAY)
    plan.chosen = [0, 0, 0, 5, 20]  # 0: ready on day 45; 20: ready after the last order
    plan.settle()
    assert len(plan.chosen) == 4
    assert 20 not in plan.chosen
    ends = np.sort(45 + np.array(plan.chosen))
    assert (ends[:2] <= 50).all()
    assert ((ends[2:] >= 51) & (ends[2:] <= 57)).all()


def test_later_cuts_of_a_herb_serve_orders_too():
    c = curve(lambda _d: 45.0)
    c = c._replace(clear_h=c.harvest_h + 14 * DAY, light_clear_h=c.light_harvest_h + 14 * DAY)
    once, thrice = advise(c, weekly()), advise(c, weekly(), cuts=3)
    assert sum(thrice.seeding_cells) < 0.7 * sum(once.seeding_cells)
    assert thrice.short_with == pytest.approx(0.0, abs=1e-9)
    assert law.cut_moments(np.array([0.0]), np.array([10.0]), 3).tolist() == [[0.0], [5.0], [10.0]]


def test_nothing_that_can_be_reached_asks_for_nothing():
    advice = advise(curve(lambda _d: 45.0), weekly(first=5, count=2))
    assert (advice.seedings_h, advice.wanted, advice.decision) == ((), 0.0, "hold")


# --------------------------------------------------------------------------- keeping still


def test_the_interval_follows_the_orders_and_the_season():
    autumn = advise(curve(lambda d: 45 + 0.4 * d), weekly())
    assert (autumn.decision, autumn.advised_interval_days) == ("shorten", pytest.approx(5.0))
    # Twice as much ordered is twice as often seeded.
    more = advise(curve(lambda _d: 45.0), weekly(heads=160.0))
    assert more.advised_interval_days == pytest.approx(3.5)


def test_what_was_told_is_kept_for_a_week_and_not_turned_round_for_two():
    c = curve(lambda d: 45 + 0.4 * d)  # asks for 5 days

    def told(advised, since_days, turned):
        previous = law.Previous(7.0, advised, NOW - DAY * since_days, turned)
        return advise(c, weekly(), previous=previous)

    assert told(6.0, 3, -1).advised_interval_days == 6.0
    later = told(6.0, 8, -1)
    assert later.advised_interval_days == pytest.approx(5.0)
    assert (later.changed_h, later.turned) == (NOW, -1)
    assert told(6.0, 8, 1).advised_interval_days == 6.0
    assert told(6.0, 15, 1).advised_interval_days == pytest.approx(5.0)
    assert told(5.2, 30, -1).advised_interval_days == 5.2  # a little off is no news


def test_an_interval_that_was_taken_up_is_held():
    c = curve(lambda d: 45 + 0.4 * d)
    advice = advise(c, weekly(), interval=5.0, previous=law.Previous(7.0, 5.0, NOW - DAY, -1))
    assert (advice.decision, advice.advised_interval_days) == ("hold", 5.0)


def test_a_crop_of_several_cuts_is_seeded_so_many_times_less_often():
    c = curve(lambda _d: 45.0)
    last = c.harvest_h + 3 * 7 * DAY
    herb = c._replace(clear_h=last, light_clear_h=last - 8 * DAY)
    # Four cuts a week apart of 80 plants are 80 heads a week from a seeding every four weeks.
    advice = advise(herb, weekly(count=12), interval=28.0, cuts=4)
    assert (advice.decision, advice.advised_interval_days) == ("hold", pytest.approx(28.0))
    assert advise(herb, weekly(count=12), interval=7.0, cuts=4).decision == "lengthen"


def test_transplants_that_come_too_old_do_not_ask_for_longer_and_shorter_at_once():
    def duration(day):
        return 45 + 0.5 * day

    c = curve(duration)
    programme = succession.Programme(
        harvest_interval_days=7.0, seeding_interval_days=7.0, cells=100, keep_share=0.8
    )
    full = np.full((1, MEMBERS), NOW + 10 * DAY)
    standing = succession.Occupants(full - 20 * DAY, full, full, np.array([10_000.0]))
    waiting = [succession.Waiting(NOW - 2 * DAY, NOW + 2 * DAY, NOW + 30 * DAY, 80.0)]
    even = succession.advise(programme, NOW, NOW, c.harvest_h[0], c, standing, [], waiting, 10_050)
    assert (even.binding, bool(even.late)) == ("window", True)
    orders = law.Orders(
        wishes=weekly(count=6), supply=NOTHING, hold_days=HOLD, allowed_h=NOW + DAY * np.arange(50.0)
    )
    advice = law.for_orders(even, programme, NOW, c, standing, [], 10_050, [], orders)
    assert (advice.decision, advice.binding) == ("shorten", "continuity")
    assert advice.late == even.late  # which is told all the same


def test_what_is_short_as_it_is_seeded_now_knows_of_the_sites():
    c = curve(lambda _d: 45.0)
    roomy = advise(c, weekly(), interval=7.0)
    tight = advise(c, weekly(), interval=7.0, sites=200)
    assert roomy.short_without < 0.2 * tight.short_without
    assert tight.short_with <= tight.short_without + law.PART * 80.0  # it is advised in parts


def test_another_succession_has_its_share_of_sites_however_few_seedings_it_has_to_come():
    c = curve(lambda _d: 45.0)
    programme = succession.Programme(
        harvest_interval_days=7.0, seeding_interval_days=7.0, cells=100, keep_share=0.8
    )
    days = NOW + DAY * np.arange(120.0)
    rooms = [
        law._room(
            programme,
            np.full(120, 300.0),
            [succession.Coming(c, NOW + 20 * DAY * np.arange(n), 250.0, 20.0)],
            days,
        )[20]
        for n in (1, 2, 3)
    ]
    assert rooms == pytest.approx([rooms[1]] * 3)
    assert rooms[0] < 150.0
