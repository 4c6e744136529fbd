"""A trial: replay a simulated farm, beside it an oracle, and hold both against what is wanted.

An oracle has the true crop, its law and its traits, under the same members of the outlook. There are two:

* The strict one starts from the true plants of the moment and knows each batch's own pace: nothing but the weather to
  come is hidden from it.
* *Same records* knows of plants and of paces only what the grower recorded. The pace of a batch is luck and no part of
  the crop: it can be measured as the batch grows, and not known before.

Without lamps the weather to come is most of what is not known, and forecasts are held against both. Under lamps the
weather hardly matters and the pace of a batch is what is left, so that the strict one knows there what nobody can;
forecasts are held against *same records*, and the strict one is shown beside it.

The light response of the crop's leaves, the warmth of the nursery, and of the product how evidence ages and what share
the season has, were settled while looking at the unlit house in 1978 to 1987; how fast a batch's difference fades and
how wide batches spread, while looking at both houses then. The years 1988 to 1997 (first year 1986) were looked at
only afterwards; but that sizes of errors are learnt was decided on them.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from service.work.replay import Evenness, Learner, Line, Span, cases_of, evenness, looks, report
from tests.simulated.farm import farm, oracle, same_records

HISTORY_DAYS = 730
MEMBERS, HORIZON_DAYS = 60, 200
ORACLE, SAME_RECORDS = "oracle", "same records"

AGAINST = {"unlit": (ORACLE, SAME_RECORDS), "lit": (SAME_RECORDS,)}
"""Oracles that forecasts of a house are held against; see the module."""

MOST_TO_ORACLE = 1.25  # error of the forecast over that of the oracle
MOST_TO_NAIVE = 0.9  # and over that of the best naive rule
COVERAGE = (0.74, 0.86)
WINDOW_ERROR_DAYS = 1.0
WIDTHS = (4, 6, 6, 6, 5, 6, 5, 6, 5, 15, 5, 5)  # of the columns of figures
JUDGED = ("transplanting", "28 days before", "14 days before", "7 days before")


@dataclass(frozen=True)
class Trial:
    """What came of it."""

    kind: str
    years: int
    lines: list[Line]  # with the oracle among the rules
    evenness: Evenness | None

    def line(self, event: str, lead: str = "all", season: str = "all") -> Line:
        """Return one line."""
        return next(r for r in self.lines if (r.event, r.lead, r.season) == (event, lead, season))


def trial(
    kind: str,
    years: int,
    *,
    first_year: int = 1976,
    every: int = 1,
    members: int = MEMBERS,
    horizon_days: int = HORIZON_DAYS,
) -> Trial:
    """Replay every so many batches seeded in the test years after two years of history."""
    of = farm(kind, first_year, years)
    start = float(of.past.nursery.hour[0]) + 24.0 * HISTORY_DAYS
    span = Span(start, start + 24.0 * 365.25 * years, every)
    cases = []
    for look in looks(of.past, Learner(of.past, members), span, members, horizon_days):
        told = {
            name: _points(look.last_hour, *forecast(of, look))
            for name, forecast in ((ORACLE, oracle), (SAME_RECORDS, same_records))
        }
        for case in cases_of(of.past, look):
            row = next(
                i
                for i, (place, lead) in enumerate(zip(look.batches, look.leads, strict=True))
                if (of.past.batches[place].name, lead) == (case.batch, case.lead)
            )
            own = {name: float(points[case.event][row]) for name, points in told.items()}
            cases.append(replace(case, rules={**case.rules, **own}))
    return Trial(kind, years, report(cases), evenness(of.past, span.from_h, span.to_h))


def _points(last_hour: float, window: np.ndarray, ready: np.ndarray) -> dict[str, np.ndarray]:
    return {
        event: np.median(np.minimum(members, last_hour), axis=1)
        for event, members in (("window_open", window), ("harvest", ready))
    }


def best_naive(line: Line) -> float:
    """Return the error of the best naive rule."""
    return min(
        (mae for rule, mae in line.rules.items() if rule not in {ORACLE, SAME_RECORDS}), default=np.nan
    )


def misses(done: Trial) -> list[str]:
    """Return where a trial falls short of what is wanted, in words."""
    said = []
    for line in done.lines:
        what = f"{line.event} {line.lead} {line.season}"
        if line.event == "window_open":
            if line.lead == "seeding" and line.season == "all" and line.mae > WINDOW_ERROR_DAYS:
                said.append(f"{what}: off by {line.mae:.2f} days")
            continue
        if line.lead in JUDGED:
            held = [(f"the {name}", MOST_TO_ORACLE, line.rules[name]) for name in AGAINST[done.kind]]
            held.append(("the best naive rule", MOST_TO_NAIVE, best_naive(line)))
            said += [
                f"{what}: {line.mae / other:.2f} times {whose}'s error"
                for whose, most, other in held
                if line.mae > most * other
            ]
        if line.lead == "all" and line.season == "all" and not COVERAGE[0] <= line.coverage <= COVERAGE[1]:
            said.append(f"{what}: {line.coverage:.0%} within the range")
    return said


def table(done: Trial) -> list[str]:
    """Return the lines of a table for people."""
    columns = ["n", "error", "bias", ORACLE, "x", "same", "x", "naive", "x", "in 10-90 %", "wide", "CRPS"]
    head = f"{'date':<11} {'made':<14} {'season':<6}" + "".join(
        f" {name:>{width}}" for name, width in zip(columns, WIDTHS, strict=True)
    )
    return [f"{done.kind}, {done.years} years", head, *map(_row, done.lines), *misses(done)]


def _row(line: Line) -> str:
    others = (line.rules[ORACLE], line.rules[SAME_RECORDS], best_naive(line))
    cells = [
        f"{line.forecasts}",
        f"{line.mae:.2f}",
        f"{line.bias:+.2f}",
        *(f"{x:.2f}" for other in others for x in (other, line.mae / other)),
        f"{line.coverage:.0%} ({line.coverage_low:.0%}-{line.coverage_high:.0%})",
        f"{line.width:.1f}",
        f"{line.crps:.2f}",
    ]
    name = f"{line.event.replace('_', ' '):<11} {line.lead:<14} {line.season:<6}"
    return name + "".join(f" {cell:>{width}}" for cell, width in zip(cells, WIDTHS, strict=True))


def as_json(done: Trial) -> dict[str, Any]:
    """Return a trial as JSON shows it."""
    return {
        "house": done.kind,
        "years": done.years,
        "evenness": None if done.evenness is None else asdict(done.evenness),
        "lines": [
            {**asdict(line), "toOracle": line.mae / line.rules[ORACLE], "bestNaive": best_naive(line)}
            for line in done.lines
        ],
        "misses": misses(done),
    }
