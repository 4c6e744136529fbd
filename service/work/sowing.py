"""How much to sow for enough good plants. Nothing is kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.agronomy import sowing as science
from service.agronomy.sowing import Sowing
from service.work import fields
from service.work.errors import Impossible, impossible
from service.work.fields import Field, checked_new

MOST_PLANTS = 100_000
MOST_CULTIVARS = 12

_SEED = {
    "rate": Field(fields.number(0, 1, "(share of the cells)", above=True)),
    "good": Field(fields.whole(0)),
    "tested": Field(fields.whole(1)),
}
_CULTIVAR = {
    "name": Field(fields.text(), required=True),
    "wanted": Field(fields.whole(1, MOST_PLANTS)),
    **_SEED,
}
_WISH = {
    "wanted": Field(fields.whole(1, MOST_PLANTS)),
    "probability": Field(fields.number(0, 0.9999, "(probability)", above=True), required=True),
    **_SEED,
    "keep_best": Field(fields.number(0, 1, "(share of the good ones)", above=True)),
    "tray_cells": Field(fields.whole(1, 10_000)),
    "cultivars": Field(list),
    "same_cell": Field(fields.flag),
    "least": Field(fields.whole(1, MOST_CULTIVARS)),
}


@dataclass(frozen=True)
class CultivarSowing:
    """How much to sow of one cultivar of several."""

    name: str
    cells: int
    trays: int
    probability: float
    expected: float


@dataclass(frozen=True)
class Sown:
    """How much to sow, together and of each cultivar."""

    cells: int
    trays: int
    probability: float
    expected: float
    cultivars: tuple[CultivarSowing, ...] = ()


def plan_sowing(values: Mapping[str, Any]) -> Sown:
    """Return how much to sow: for ``wanted`` plants with a ``probability``.

    Of the seed either the ``rate`` of good cells is known, or that so many were ``good`` of so many ``tested``. Of
    several ``cultivars`` each says it for itself: in cells of their own each has its ``wanted`` plants, and there are
    to be enough of all of them together; in the ``same_cell`` a cell is good when at least ``least`` of them came up in
    it (all, if not said).

    Raises
    ------
    Impossible
        If a value is wrong, the seed is not described or described twice, or no sowing is enough.
    """
    given = checked_new(_WISH, values)
    best, tray = given.get("keep_best", 1.0), given.get("tray_cells", 1)
    try:
        if "cultivars" in given:
            return _of_several(given, best, tray)
        for name in ("same_cell", "least"):
            if name in given:
                raise impossible(name, "it goes with cultivars, and none are given")
        if "wanted" not in given:
            raise impossible("wanted", "it is missing: say how many plants are wanted")
        return _shown(science.sow(given["wanted"], _rate(given), given["probability"], best, tray))
    except science.TooManyCells as error:
        raise impossible("wanted", str(error)) from error


def _of_several(given: Mapping[str, Any], best: float, tray: int) -> Sown:
    for name in _SEED:
        if name in given:
            raise impossible(name, "each of the cultivars says it for itself")
    items = _checked(given["cultivars"])
    rates = [_rate(item, f"cultivars/{at}/") for at, item in enumerate(items)]
    if given.get("same_cell"):
        if "wanted" not in given:
            raise impossible(
                "wanted", "it is missing: say how many plants are wanted, of which each has all cultivars"
            )
        least = given.get("least", len(items))
        if least > len(items):
            raise impossible("least", f"it is more than the {len(items)} cultivars")
        shares = [rate.mean if isinstance(rate, science.Belief) else rate for rate in rates]
        share = science.mixed_cell_share(shares, least)
        found = science.sow(given["wanted"], share, given["probability"], best, tray)
        return _shown(found, [_named(item, found) for item in items])
    if "least" in given:
        raise impossible("least", "it goes with cultivars in the same_cell")
    wanted = []
    for at, item in enumerate(items):
        plants = item.get("wanted", given.get("wanted"))
        if plants is None:
            raise impossible(f"cultivars/{at}/wanted", "it is missing: say how many plants are wanted of it")
        wanted.append(plants)
    each = science.sow_each(wanted, rates, given["probability"], best, tray)
    chance = 1.0
    for sowing in each:
        chance *= sowing.probability
    together = Sowing(
        sum(s.cells for s in each), sum(s.trays for s in each), chance, sum(s.expected for s in each)
    )
    return _shown(together, [_named(item, s) for item, s in zip(items, each, strict=True)])


def _checked(value: Sequence[Any]) -> list[dict[str, Any]]:
    if not 1 <= len(value) <= MOST_CULTIVARS:
        raise impossible("cultivars", f"it must be a list of 1 to {MOST_CULTIVARS}")
    found = []
    for at, item in enumerate(value):
        try:
            found.append(checked_new(_CULTIVAR, item))
        except Impossible as error:
            problem = error.problems[0]
            raise impossible(f"cultivars/{at}/{problem.field}", problem.problem) from error
    names = [item["name"] for item in found]
    if len(set(names)) < len(names):
        raise impossible("cultivars", "each cultivar can be in it once")
    return found


def _rate(given: Mapping[str, Any], where: str = "") -> science.Rate:
    if "rate" in given:
        if "good" in given or "tested" in given:
            raise impossible(f"{where}rate", "give either the rate, or good and tested")
        return float(given["rate"])
    for name in ("good", "tested"):
        if name not in given:
            raise impossible(f"{where}{name}", "it is missing: give the rate, or good and tested")
    if given["good"] > given["tested"]:
        raise impossible(f"{where}good", f"it is more than the {given['tested']} tested")
    return science.belief(given["good"], given["tested"])


def _named(item: Mapping[str, Any], sowing: Sowing) -> CultivarSowing:
    return CultivarSowing(item["name"], sowing.cells, sowing.trays, sowing.probability, sowing.expected)


def _shown(sowing: Sowing, cultivars: Sequence[CultivarSowing] = ()) -> Sown:
    return Sown(sowing.cells, sowing.trays, sowing.probability, sowing.expected, tuple(cultivars))
