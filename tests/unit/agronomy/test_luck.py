"""Luck: members that are moved to what is known vary as a Gaussian process does that knows it."""

from __future__ import annotations

import numpy as np
import pytest

from service.agronomy import luck

DAYS = 40


@pytest.mark.parametrize("memory", [luck.LIGHT, luck.TEMPERATURE])
@pytest.mark.parametrize("doubt", [0.0, 0.1, 0.3])
def test_members_vary_about_what_is_known_as_the_formula_says(memory, doubt):
    """Kriging: mean K k^-1 known and covariance C - K k^-1 K', from the covariance alone."""
    drawn = luck.draw(5, 20_000, DAYS, 3000)
    which = 0 if memory is luck.LIGHT else 1
    at, known = np.array([17, 20]), np.array([-0.5, 1.0])
    out = luck.given(
        (drawn.light, drawn.temperature)[which], memory, at, known, np.full(2, doubt), drawn.error[which]
    )
    day = np.arange(DAYS)
    between = memory.covariance(at[:, None] - at) + doubt * np.eye(2)
    pull = np.linalg.solve(between, memory.covariance(at[:, None] - day))
    mean = known @ pull
    sd = np.sqrt(np.maximum(1.0 - (pull * memory.covariance(at[:, None] - day)).sum(axis=0), 0.0))
    assert out.mean(axis=0) == pytest.approx(mean, abs=0.08)
    assert out.std(axis=0) == pytest.approx(sd, abs=0.04)


def test_the_error_of_a_day_belongs_to_its_date():
    early, late = luck.draw(5, 20_000, DAYS, 3), luck.draw(5, 20_007, DAYS, 3)
    assert (early.error[:, :, 7:] == late.error[:, :, :-7]).all()
    own = luck.draw(5, 20_000, 400, 50)
    for error, course in zip(own.error, (own.light, own.temperature), strict=True):
        assert abs(np.corrcoef(error.ravel(), course.ravel())[0, 1]) < 0.02
