"""Germination tests and the age of seed in store: what they say. Nothing is kept."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.agronomy import seed
from service.work import fields
from service.work.errors import impossible
from service.work.fields import Field, checked_new

SEEDS = 100  # a replicate, as the tolerances are stated for
REPLICATES = (2, 4)

MOISTURE_PERCENT = (5.0, 25.0)
STORE_TEMP_C = (-20.0, 90.0)
MOST_DAYS = 3650

STANDARD_KINDS = tuple(seed.FEDERAL_STANDARD_PERCENT)
STORED_KINDS = ("lettuce", "onion", "beet")
CONSTANTS = {
    "lettuce": ("lettuce", "lettuce_kraak_vos"),
    "onion": ("onion",),
    "beet": ("beet",),
}  # two sets are published for lettuce, which disagree


def _replicates(value: Any) -> list[int]:
    counted = value if isinstance(value, list) else []
    if len(counted) not in REPLICATES or not all(type(n) is int and 0 <= n <= SEEDS for n in counted):
        raise ValueError(f"it must be 4 or 2 counts, one a replicate of {SEEDS} seeds, each 0 to {SEEDS}")
    return counted


_TEST = {
    "germinated": Field(_replicates, required=True),
    "kind": Field(fields.one_of(*STANDARD_KINDS), nullable=True),
}
_STORED = {
    "kind": Field(fields.one_of(*STORED_KINDS), required=True),
    "germination_percent": Field(fields.number(0, 100, "%"), required=True),
    "moisture_percent": Field(
        fields.number(*MOISTURE_PERCENT, "% of the fresh weight, where the equation holds"), required=True
    ),
    "temp_c": Field(fields.number(*STORE_TEMP_C, "°C"), required=True),
    "days": Field(fields.whole(0, MOST_DAYS), required=True),
}


@dataclass(frozen=True)
class TestResult:
    """What a germination test says."""

    __test__ = False  # it is not one of ours

    mean_percent: float
    """Share of the seeds that germinated, replicates together."""
    range_percent: int
    """Highest less lowest replicate."""
    tolerated_range_percent: int | None
    """What chance explains; none: the law has no figure for this mean."""
    tolerated: bool | None
    """False: repeat the test; none: cannot be said."""
    standard_percent: int | None
    """Least germination of the kind by the Federal Seed Act; none: no kind was said."""
    meets_standard: bool | None


@dataclass(frozen=True)
class Viability:
    """What a stored lot is expected to germinate, by one set of published constants."""

    constants: str
    sigma_days: float
    """Days over which the probit of viability falls by one."""
    germination_percent: float


def judge_test(values: Mapping[str, Any]) -> TestResult:
    """Return what a germination test says: ``germinated`` by replicate of 100 seeds, and the ``kind`` of seed.

    Raises
    ------
    Impossible
        If the counts or the kind are wrong.
    """
    cleaned = checked_new(_TEST, values)
    counts: list[int] = cleaned["germinated"]
    mean = sum(counts) / len(counts)
    spread = max(counts) - min(counts)
    limit = float(seed.tolerated_range_percent(mean, len(counts)))
    known = not math.isnan(limit)
    kind = cleaned.get("kind")
    standard = None if kind is None else seed.FEDERAL_STANDARD_PERCENT[kind]
    return TestResult(
        mean_percent=mean,
        range_percent=spread,
        tolerated_range_percent=int(limit) if known else None,
        tolerated=spread <= limit if known else None,
        standard_percent=standard,
        meets_standard=None if standard is None else mean >= standard,
    )


def expect_viability(values: Mapping[str, Any]) -> list[Viability]:
    """Return what a lot of a ``kind`` is expected to germinate after ``days`` in store, by each set of constants.

    The sets for lettuce differ by 20 to 40 % in how fast seed ages, and moisture decides most: it warns, it does
    not promise.

    Raises
    ------
    Impossible
        If a value is wrong, or the germination is 0 or 100 %, whose place on the curve is not known.
    """
    given = checked_new(_STORED, values)
    if given["germination_percent"] in {0.0, 100.0}:
        raise impossible("germination_percent", "it must lie between 0 and 100 %, both left out")
    found = []
    for name in CONSTANTS[given["kind"]]:
        constants = seed.VIABILITY[name]
        sigma = seed.longevity_sigma_days(given["moisture_percent"], given["temp_c"], constants)
        share = seed.viability(given["germination_percent"] / 100.0, given["days"], sigma)
        found.append(Viability(constants.origin, float(sigma), 100.0 * float(share)))
    return found
