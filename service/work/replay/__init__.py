"""Replay: walk a recorded past as if it were live, and compare each forecast with what then happened.

At each moment only what was known then is used: the hours measured before it, and the facts recorded by it. A
forecast is looked at where growers lean on it: at seeding, at transplanting, and four, two and one weeks before
the heads were in fact ready. Naive rules that need no model forecast the same dates from the same past.
"""

from __future__ import annotations

from dataclasses import dataclass

from service.work.replay.past import Fact, Past, PastBatch
from service.work.replay.scores import Case, Evenness, Line, cases_of, evenness, report
from service.work.replay.walk import Learner, Look, Span, looks

__all__ = [
    "Case",
    "Evenness",
    "Fact",
    "Learner",
    "Line",
    "Look",
    "Past",
    "PastBatch",
    "Replay",
    "Span",
    "replay",
]


@dataclass(frozen=True)
class Replay:
    """How forecasts of a past would have done."""

    name: str
    lines: list[Line]
    evenness: Evenness | None


def replay(past: Past, span: Span, members: int, horizon_days: int) -> Replay:
    """Walk a past and score what would have been forecast. Pure: no clock, no database."""
    cases = [
        case
        for look in looks(past, Learner(past, members), span, members, horizon_days)
        for case in cases_of(past, look)
    ]
    return Replay(past.name, report(cases), evenness(past, span.from_h, span.to_h))
