"""What alerts and advice say, as codes and figures: the pages word them in the reader's language and units.

The sentences beside them are English and metric, for programs, mail and logs. The end of a figure's name says what
it is: ``..C`` a temperature, ``..ByC`` a difference of two, ``..G`` a weight, ``..On`` a local day and ``..At`` a
moment (ISO 8601), ``..Days`` days, ``..Share`` a share from 0 to 1; others are numbers and names as they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

Words = dict[str, Any]

ALERTS: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "seeding_interval": {
        "shorten": ("succession", "nowDays", "advisedDays", "seedings"),
        "lengthen": ("succession", "nowDays", "advisedDays", "seedings"),
        "pause": ("succession", "fromOn", "seedings"),
        "stop": ("succession", "seedings"),
    },
    "sites_short": {"is": ("succession", "sites", "needed", "seedings")},
    "window_missed": {"is": ("succession", "n", "batches")},
    "harvest_not_reached": {"is": ("batch", "horizonDays")},
    "conditions_silent": {"is": ("zone", "sinceOn")},
    "harvest_spacing": {
        "gap": ("succession", "firstOn", "secondOn", "apartDays", "wishedDays"),
        "glut": ("succession", "firstOn", "secondOn", "apartDays", "wishedDays"),
    },
    "seedlings_too_young": {
        "planned": ("batch", "freeOn", "oldEnoughOn"),
        "free": ("batch", "freeOn", "oldEnoughOn"),
    },
    "nursery_overfull": {
        "now": ("zone", "peak", "capacity"),
        "later": ("zone", "peak", "capacity", "fromOn"),
    },
    "sites_overfull": {
        "now": ("zone", "peak", "capacity"),
        "later": ("zone", "peak", "capacity", "fromOn"),
    },
    "temp_off_plan": {
        "warm": ("zone", "offByC", "setPointC", "hours", "sinceAt"),
        "cold": ("zone", "offByC", "setPointC", "hours", "sinceAt"),
    },
    "light_off_plan": {
        "dark": ("zone", "dliMol", "expectedMol", "lightShare"),
        "bright": ("zone", "dliMol", "expectedMol", "lightShare"),
    },
    "flow_lost": {
        "lost": ("place", "sensor", "value", "limit", "unit", "sinceAt"),
        "low": ("place", "sensor", "value", "limit", "unit", "sinceAt"),
        "high": ("place", "sensor", "value", "limit", "unit", "sinceAt"),
    },
    "solution_out_of_limits": {
        "warm": ("place", "sensor", "valueC", "limitC", "sinceAt"),
        "cold": ("place", "sensor", "valueC", "limitC", "sinceAt"),
        "low": ("place", "sensor", "quantity", "value", "limit", "unit", "sinceAt"),
        "high": ("place", "sensor", "quantity", "value", "limit", "unit", "sinceAt"),
    },
    "sensor_silent": {"is": ("place", "sensor", "sinceAt")},
    "seed_heat": {"is": ("batch", "zone", "limitC", "pastHours", "comingHours")},
    "sensor_stuck": {
        "is": ("sensor", "readings", "hours", "value", "unit"),
        "warmth": ("sensor", "readings", "hours", "valueC"),
    },
    "sensor_out_of_range": {"is": ("sensor", "refused", "taken")},
    "sensor_jumping": {
        "is": ("sensor", "jumps", "limit", "largest", "unit"),
        "warmth": ("sensor", "jumps", "limitByC", "largestByC"),
    },
    "sensor_light_at_night": {"is": ("sensor", "mean", "hours", "below")},
    "sensor_dark_at_noon": {"is": ("sensor", "mean", "hours", "above", "clear")},
    "sensors_disagree": {
        "more": ("sensor", "other", "hours", "apart", "unit"),
        "less": ("sensor", "other", "hours", "apart", "unit"),
        "warmth_more": ("sensor", "other", "hours", "apartByC"),
        "warmth_less": ("sensor", "other", "hours", "apartByC"),
        "light_more": ("sensor", "other", "hours", "apartShare"),
        "light_less": ("sensor", "other", "hours", "apartShare"),
    },
    "sensor_drift": {
        "more": ("sensor", "changeShare", "nowShare", "beforeShare"),
        "less": ("sensor", "changeShare", "nowShare", "beforeShare"),
    },
    "sensor_clock": {"behind": ("sensor", "seconds", "messages"), "ahead": ("sensor", "seconds", "messages")},
    "seed_old": {
        "over": ("lot", "seeds", "ageDays", "useByOn"),
        "soon": ("lot", "seeds", "ageDays", "useByOn"),
    },
    "seed_store_heat": {"is": ("lot", "hotC", "hotHours", "warmC", "warmHours", "measuredHours")},
    "seed_failing": {"is": ("lot", "cells", "emerged", "upShare", "lowShare", "highShare")},
}
"""Of each kind of alert what it can say, and by which figures; kinds that are not here (seed that runs out) say it in
English only.

``next`` is the code of what to do, ``why`` the reasons of an advice that the alert is about.
"""

REASONS: Mapping[str, tuple[str, ...]] = {
    "measured": ("zone", "dliMol", "meanC"),
    "measured_before": ("zone", "dliMol", "meanC", "dliBeforeMol", "beforeC"),
    "hardly_measured": ("zone", "hours"),
    "orders_short": ("headsWithout", "headsAsNow", "headsAdvised"),
    "not_reached": (),
    "takes_longer": ("takesDays", "changeDays"),
    "takes_shorter": ("takesDays", "changeDays"),
    "apart": ("everyDays", "apartDays", "wishedDays", "evenDays"),
    "sites_bind": ("zone", "evenDays", "needed", "sites"),
    "sites_bind_by": ("zone", "evenDays", "needed", "sites", "byOn"),
    "sites_bind_orders": ("zone", "holds", "sites"),
    "more_sites": ("short",),
    "lighter_heads": ("weightShare", "frees"),
    "fewer_cells": ("cells", "holds"),
    "pause_until": ("fromOn", "cells", "holds"),
    "pause_open": (),
    "too_old": ("batch", "freeOn"),
    "too_old_unforeseen": ("batch",),
    "go_longer": (),
    "out_of_season": ("months",),
    "batch_measured": ("zone", "sinceOn", "dliMol", "meanC", "hours", "ofHours"),
    "batch_filled": ("hours", "ofHours"),
    "leaves_counted": ("leaves", "countedOn"),
    "heads_weighed": ("weightG", "weighedOn"),
    "regrows": ("cut", "cuts", "cutOn", "leftG"),
    "leaves_faster": ("times", "low", "high", "n"),
    "heads_faster": ("times", "low", "high", "n"),
    "count_doubted": ("observed", "expected", "trustShare"),
    "seed_heat": ("limitC", "pastHours", "comingHours"),
}
"""What reasons of advice and forecasts can say, and by which figures."""


class Reason(NamedTuple):
    """One reason: the sentence, and the same as a code with figures."""

    text: str
    words: Words


def reason(text: str, code: str, **figures: Any) -> Reason:
    """Return a reason.

    Raises
    ------
    ValueError
        If no reason says this by these figures.
    """
    if set(figures) != set(REASONS.get(code, ("?",))):
        raise ValueError(f"{code} is said by {REASONS.get(code)}, not by {sorted(figures)}")
    return Reason(text, {"code": code, **figures})


def check_alert(kind: str, words: Words) -> None:
    """Refuse what no alert of a kind says.

    Raises
    ------
    ValueError
        If it has other figures, or another code.
    """
    wanted = ALERTS.get(kind, {}).get(words.get("code", ""))
    if wanted is None or set(words) - {"code", "next", "why"} != set(wanted):
        raise ValueError(f"an alert of kind {kind} does not say {words}")
