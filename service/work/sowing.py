"""How much to sow for enough good plants. Nothing is kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.agronomy import sowing as science
from service.agronomy.sowing import Sowing
from service.work import fields
from service.work.errors import impossible
from service.work.fields import Field, checked_new

MOST_PLANTS = 100_000

_WISH = {
    "wanted": Field(fields.whole(1, MOST_PLANTS), required=True),
    "probability": Field(fields.number(0, 0.9999, "(probability)", above=True), required=True),
    "rate": Field(fields.number(0, 1, "(share of the cells)", above=True)),
    "good": Field(fields.whole(0)),
    "tested": Field(fields.whole(1)),
    "keep_best": Field(fields.number(0, 1, "(share of the good ones)", above=True)),
    "tray_cells": Field(fields.whole(1, 10_000)),
}


def plan_sowing(values: Mapping[str, Any]) -> Sowing:
    """Return how much to sow: for ``wanted`` plants with a ``probability``.

    Of the seed either the ``rate`` of good cells is known, or that so many were ``good`` of so many ``tested``.

    Raises
    ------
    Impossible
        If a value is wrong, the seed is not described or described twice, or no sowing is enough.
    """
    given = checked_new(_WISH, values)
    rate: science.Rate
    if "rate" in given:
        if "good" in given or "tested" in given:
            raise impossible("rate", "give either the rate, or good and tested")
        rate = given["rate"]
    else:
        for name in ("good", "tested"):
            if name not in given:
                raise impossible(name, "it is missing: give the rate, or good and tested")
        if given["good"] > given["tested"]:
            raise impossible("good", f"it is more than the {given['tested']} tested")
        rate = science.belief(given["good"], given["tested"])
    try:
        return science.sow(
            given["wanted"],
            rate,
            given["probability"],
            given.get("keep_best", 1.0),
            given.get("tray_cells", 1),
        )
    except science.TooManyCells as error:
        raise impossible("wanted", str(error)) from error
