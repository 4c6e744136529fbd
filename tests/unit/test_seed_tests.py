"""Germination tests and seed in store: what is said of them, and what is refused."""

from __future__ import annotations

from typing import Any

import pytest

from service.work.errors import Impossible
from service.work.seed_tests import expect_viability, judge_test


def test_a_good_test_of_lettuce() -> None:
    # 7 CFR 201.55(a): a mean of 91 % tolerates 11 between four replicates; 201.31: lettuce 80.
    found = judge_test({"germinated": [86, 97, 91, 90], "kind": "lettuce"})
    assert (found.mean_percent, found.range_percent) == (91.0, 11)
    assert (found.tolerated_range_percent, found.tolerated) == (11, True)
    assert (found.standard_percent, found.meets_standard) == (80, True)


def test_replicates_too_far_apart_are_not_tolerated() -> None:
    found = judge_test({"germinated": [85, 97, 91, 91], "kind": "lettuce"})
    assert (found.range_percent, found.tolerated_range_percent, found.tolerated) == (12, 11, False)


def test_two_replicates_have_a_narrower_range() -> None:
    assert judge_test({"germinated": [96, 86]}).tolerated_range_percent == 9
    assert judge_test({"germinated": [96, 86]}).tolerated is False


def test_the_standard_is_reached_at_it_and_not_below() -> None:
    assert judge_test({"germinated": [80, 80, 80, 80], "kind": "lettuce"}).meets_standard is True
    assert judge_test({"germinated": [80, 80, 80, 79], "kind": "lettuce"}).meets_standard is False
    assert judge_test({"germinated": [41, 39, 42, 40], "kind": "cress_water"}).meets_standard is True


@pytest.mark.parametrize("counts", [[100, 100, 100, 100], [0, 0], [99, 97]])
def test_where_the_law_has_no_figure_nothing_is_said(counts: list[int]) -> None:
    found = judge_test({"germinated": counts})
    assert (found.tolerated_range_percent, found.tolerated) == (None, None)
    assert (found.standard_percent, found.meets_standard) == (None, None)


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({}, "germinated"),
        ({"germinated": []}, "germinated"),
        ({"germinated": [90, 90, 90]}, "germinated"),
        ({"germinated": [90, 90, 90, 101]}, "germinated"),
        ({"germinated": [90, 90, 90, -1]}, "germinated"),
        ({"germinated": [90, 90, 90, True]}, "germinated"),
        ({"germinated": [90, 90, 90, 90], "kind": "basil"}, "kind"),
    ],
)
def test_a_test_that_cannot_be_is_refused(values: dict[str, Any], field: str) -> None:
    with pytest.raises(Impossible) as refused:
        judge_test(values)
    assert [p.field for p in refused.value.problems] == [field]


STORED = {"kind": "lettuce", "germination_percent": 98, "moisture_percent": 6, "temp_c": 20, "days": 365}


def test_lettuce_in_store_for_a_year_by_both_sets_of_constants() -> None:
    # Ellis & Roberts 1980: 98 % at 6 % moisture and 20 °C; computed from the published constants, within 0.06.
    found = expect_viability(STORED)
    assert [v.sigma_days for v in found] == pytest.approx([1008.0, 599.0], abs=0.5)
    assert [v.germination_percent for v in found] == pytest.approx([95.5, 92.6], abs=0.06)


@pytest.mark.parametrize("kind", ["lettuce", "onion", "beet"])
def test_seed_ages_faster_the_warmer_the_moister_and_the_longer(kind: str) -> None:
    def left(**different: float) -> float:
        return expect_viability({**STORED, "kind": kind, **different})[0].germination_percent

    assert left(days=0) == pytest.approx(98.0)
    assert left() > left(days=730)
    assert left(temp_c=5) > left() > left(temp_c=30)
    assert left() > left(moisture_percent=9)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("kind", "basil"),
        ("germination_percent", 0),
        ("germination_percent", 100),
        ("germination_percent", float("nan")),
        ("moisture_percent", 2),
        ("temp_c", 95),
        ("days", -1),
        ("days", 100_000),
    ],
)
def test_a_store_that_cannot_be_is_refused(field: str, value: Any) -> None:
    with pytest.raises(Impossible) as refused:
        expect_viability({**STORED, field: value})
    assert [p.field for p in refused.value.problems] == [field]
