"""How long seed lasts and what to order: the laws of an order list."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.agronomy.seed_supply import Need, Stock, Terms, look_ahead

TODAY = date(2026, 9, 14)


def day(n: int) -> date:
    return TODAY + timedelta(days=n)


def weekly(seeds: int, weeks: int, first: int = 0) -> list[Need]:
    return [Need(day(first + 7 * n), seeds) for n in range(weeks)]


needs_of = st.lists(st.builds(Need, st.integers(0, 300).map(day), st.integers(1, 500)), max_size=40)
stock_of = st.lists(
    st.tuples(st.integers(1, 3000), st.integers(0, 60), st.integers(-5, 200)).map(
        lambda t: Stock(t[0], day(t[1]), day(t[1] + t[2]))
    ),
    max_size=4,
)
terms_of = st.builds(
    Terms,
    lead_days=st.integers(0, 40),
    packs=st.lists(st.sampled_from([1, 100, 250, 1000, 5000]), min_size=1, max_size=3).map(tuple),
)


def test_stock_that_covers_all_asks_for_no_order() -> None:
    found = look_ahead(TODAY, [Stock(1000, TODAY, day(180))], weekly(200, 5), Terms())
    assert (found.days_left, found.runs_out_on, found.orders, found.missing) == (None, None, (), ())


def test_seed_arrives_two_weeks_ahead_and_the_order_goes_out_the_lead_time_before() -> None:
    found = look_ahead(TODAY, [Stock(1000, TODAY, day(180))], weekly(200, 52), Terms(lead_days=10))
    first = found.orders[0]
    assert (found.days_left, found.runs_out_on) == (35, day(35))
    assert (first.needed_on, first.arrive_on, first.order_on) == (day(35), day(21), day(11))
    # It keeps from day 21 to day 203; 25 seedings lie from day 35 to then.
    assert (first.seeds, first.covers_to, first.left_over, first.days_late) == (25 * 200, day(203), 0, 0)
    assert found.orders[1].needed_on == day(210)


def test_packs_round_down_and_the_next_order_comes_sooner() -> None:
    found = look_ahead(TODAY, [], weekly(200, 30, 60), Terms(packs=(1000, 2500)))
    assert found.orders[0].packs == ((2500, 2),)
    assert found.orders[0].seeds == 5000  # of 25 seedings, 5000
    uneven = look_ahead(TODAY, [], weekly(190, 30, 60), Terms(packs=(1000,)))
    assert uneven.orders[0].seeds == 4000  # 4750 are sown while it keeps


def test_a_pack_larger_than_half_a_year_is_said_to_be() -> None:
    found = look_ahead(TODAY, [], weekly(20, 60, 60), Terms(packs=(5000,)))
    assert (found.orders[0].seeds, found.orders[0].left_over) == (5000, 5000 - 25 * 20)
    assert found.orders[1].needed_on > found.orders[0].arrive_on + timedelta(days=182)


def test_the_least_that_reaches_takes_packs_with_little_to_spare() -> None:
    found = look_ahead(TODAY, [], [Need(day(60), 1150)], Terms(packs=(1000, 250)))
    assert (found.orders[0].packs, found.orders[0].seeds) == (((1000, 1), (250, 1)), 1250)


def test_what_comes_too_late_is_said() -> None:
    found = look_ahead(TODAY, [Stock(250, TODAY, day(90))], weekly(200, 10), Terms(lead_days=10))
    assert (found.runs_out_on, found.days_left) == (day(7), 7)
    assert found.missing == (Need(day(7), 150),)
    assert (found.orders[0].order_on, found.orders[0].arrive_on) == (TODAY, day(10))
    assert (found.orders[0].needed_on, found.orders[0].days_late) == (day(14), 10)


def test_seed_on_its_way_counts_from_the_day_it_is_expected() -> None:
    coming = Stock(2000, day(10), day(190))
    found = look_ahead(TODAY, [coming], weekly(200, 10), Terms(lead_days=20))
    assert [n.on for n in found.missing] == [TODAY, day(7)]
    assert found.orders == ()


def test_seed_that_turns_too_old_is_not_counted() -> None:
    found = look_ahead(TODAY, [Stock(5000, TODAY, day(13))], weekly(200, 10), Terms(lead_days=0))
    assert (found.too_old, found.runs_out_on) == (4600, day(14))


@given(stock_of, needs_of, terms_of)
@settings(max_examples=300, deadline=None)
def test_the_laws_of_an_order_list(stock: list[Stock], needs: list[Need], terms: Terms) -> None:
    """It covers what is sown, arrives in time, goes out from today on, and never holds more than is sown in time."""
    found = look_ahead(TODAY, stock, needs, terms)
    for order in found.orders:
        assert order.order_on >= TODAY
        assert order.arrive_on - order.order_on == timedelta(days=terms.lead_days)
        assert order.arrive_on <= order.needed_on
        early = (order.needed_on - order.arrive_on).days
        assert early + order.days_late == terms.ahead_days
        assert order.days_late >= 0
        assert (
            order.days_late == 0 or order.order_on == TODAY
        )  # late only where nothing earlier could be done
        assert order.seeds == sum(size * n for size, n in order.packs)
        assert {size for size, _ in order.packs} <= set(terms.packs)
        # Six months: what it holds beyond that is said, and is less than a smallest pack beyond the first seeding.
        within = sum(
            n.seeds for n in needs if order.needed_on <= n.on < order.arrive_on + timedelta(terms.cover_days)
        )
        assert order.seeds - order.left_over <= within
        assert order.covers_to < order.arrive_on + timedelta(terms.cover_days)
        if order.left_over:
            on_first = sum(n.seeds for n in needs if n.on == order.needed_on)
            assert order.seeds < on_first + min(terms.packs)
    # All that is sown is there once the orders are: walked day by day, the nearest too old first.
    shelf = [[s.seeds, s.from_on, s.until_on] for s in stock]
    shelf += [
        [o.seeds, o.arrive_on, o.arrive_on + timedelta(days=terms.cover_days - 1)] for o in found.orders
    ]
    short: dict[date, int] = {}
    for on in sorted({n.on for n in needs}):
        wanted = sum(n.seeds for n in needs if n.on == on)
        for lot in sorted(shelf, key=lambda lot: (lot[2], lot[1])):
            if lot[1] <= on <= lot[2]:
                taken = min(wanted, lot[0])
                lot[0] -= taken
                wanted -= taken
        if wanted:
            short[on] = wanted
    assert sum(short.values()) == sum(n.seeds for n in found.missing)
    for need in found.missing:
        assert need.on < TODAY + timedelta(days=terms.lead_days)  # no order could have come


@pytest.mark.parametrize("wrong", [{"lead_days": -1}, {"cover_days": 14}, {"packs": ()}, {"packs": (0,)}])
def test_terms_that_make_no_sense_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"order must|pack holds"):
        Terms(**wrong)  # type: ignore[arg-type]
