"""Mixes: members take their share of a cell, and the slowest decides."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.agronomy import forecast as science
from service.agronomy import mix
from service.agronomy.outlook import Outlook
from service.work.profiles import profile

LEAF = profile("leaf")
FIRST = 480_000
SEEDED = FIRST + 24.0
MEMBERS = 2


def conditions(days: int = 150) -> Outlook:
    light = np.zeros((MEMBERS, 24 * days))
    light[:, np.arange(24 * days) % 24 < 14] = 12.0 / 14
    return Outlook(FIRST, np.full(light.shape, 20.0), light, np.zeros(24 * days, dtype=bool))


def cells(count: int) -> science.Batches:
    values = [SEEDED, np.nan, np.nan, np.nan, np.nan, LEAF.target_dry_g, 650.0, 25.0]
    return science.Batches(*(np.full(count, v) for v in values))


def forecast(
    shares: list[list[float]], growth: list[float] | None = None
) -> tuple[science.Dates, science.Dates]:
    """Return dates of members and of cells."""
    rows, _ = mix.apart(cells(len(shares)), None, shares)
    grown = np.repeat(np.array(growth or np.ones(rows.seeded_h.size))[:, None], MEMBERS, axis=1)
    factors = science.Multipliers(np.ones(MEMBERS), grown, np.zeros(MEMBERS))
    zone = conditions()
    apart = science.forecast(LEAF, zone, zone, 400.0, rows, factors, SEEDED + 24 * 30)
    return apart, mix.together(apart, mix.owners(shares))


def test_one_cultivar_is_no_mix() -> None:
    batches = cells(3)
    rows, cuts = mix.apart(batches, None, [mix.ALONE] * 3)
    assert cuts is None
    assert all(np.array_equal(a, b, equal_nan=True) for a, b in zip(rows, batches, strict=True))
    apart, whole = forecast([[1.0], [1.0]])
    assert whole is apart


def test_targets_of_a_mix_add_up_to_that_of_the_cell() -> None:
    shares = [[0.5, 0.3, 0.2], [1.0]]
    cuts = science.Cuts(*(np.array([np.nan, SEEDED]), np.array([0.4, 0.8]), np.array([2.0, 1.0])))
    rows, cut = mix.apart(cells(2), cuts, shares)
    assert rows.target_dry_g[:3].sum() == pytest.approx(LEAF.target_dry_g)
    assert rows.target_dry_g[3] == LEAF.target_dry_g
    assert (1.0 / rows.channels_m2[:3]).sum() == pytest.approx(1.0 / 25.0)
    assert cut is not None
    assert cut.left_dry_g.tolist() == pytest.approx([0.2, 0.12, 0.08, 0.8])
    assert cut.to_come.tolist() == [2.0, 2.0, 2.0, 1.0]
    assert mix.owners(shares).tolist() == [0, 0, 0, 1]


def test_the_slowest_member_decides() -> None:
    thirds = [1 / 3] * 3
    members, cell = forecast([thirds, [1.0]], growth=[1.1, 0.8, 1.0, 1.0])
    assert (cell.harvest[0] == members.harvest[1]).all()
    assert (members.harvest[1] > members.harvest[2]).all()
    assert (cell.harvest[1] == members.harvest[3]).all()
    assert cell.fresh_g_now[0] == pytest.approx(members.fresh_g_now[:3].sum(axis=0))


def test_a_mix_of_even_members_is_ready_a_little_before_one_plant() -> None:
    # Four seedlings cover the ground of a cell sooner than one; each then needs but a quarter of the weight.
    _, cell = forecast([[0.25] * 4, [1.0]])
    alone, mixed = cell.harvest[1, 0], cell.harvest[0, 0]
    assert alone - 24 * 8 < mixed < alone
    assert (cell.window_open[0] == cell.window_open[1]).all()


@given(st.lists(st.lists(st.floats(0.05, 1.0), min_size=1, max_size=4), min_size=0, max_size=6))
def test_whole_cells_come_back_in_order(raw: list[list[float]]) -> None:
    shares = [[x / sum(s) for x in s] for s in raw]
    rows, _ = mix.apart(cells(len(shares)), None, shares)
    owner = mix.owners(shares)
    assert rows.seeded_h.size == owner.size == sum(map(len, shares))
    fake = science.Dates(*(owner[:, None] * np.ones((1, MEMBERS)) for _ in science.Dates._fields))
    whole = mix.together(fake, owner)
    number = np.arange(len(shares))[:, None] * np.ones((1, MEMBERS))
    for name in science.Dates._fields:
        size = np.array([len(s) for s in shares])[:, None] if name == "fresh_g_now" else 1
        assert np.allclose(getattr(whole, name), number * size)
