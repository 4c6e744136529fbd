"""Compare forecasts with what then happened, and with rules that need no model."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from service.work.replay.past import Array, Past, PastBatch
from service.work.replay.walk import LEADS_DAYS, Look

_SPREAD_OF_YEAR_DAYS = 10.0  # how far "the same week last year" may lie from it
_BOOTSTRAPS = 500


@dataclass(frozen=True)
class Case:
    """One forecast of one date, and what became of it. Times in epoch hours."""

    batch: str
    event: str  # harvest | window_open
    lead: str
    as_of_h: float
    happened_h: float
    p10: float
    p50: float
    p90: float
    crps_days: float
    rules: Mapping[str, float] = field(default_factory=dict)  # what others forecast


def cases_of(past: Past, look: Look) -> list[Case]:
    """Compare the forecasts of one moment with what then happened."""
    found = []
    for row, (i, lead) in enumerate(zip(look.batches, look.leads, strict=True)):
        batch = past.batches[i]
        found.append(
            case(
                "harvest",
                batch.name,
                lead,
                look,
                look.dates.harvest[row],
                batch.ready_h,
                naive(past.batches, batch, look.as_of_h),
            )
        )
        if lead == "seeding" and not np.isnan(batch.window_open_h):
            found.append(
                case("window_open", batch.name, lead, look, look.dates.window_open[row], batch.window_open_h)
            )
    return found


def case(
    event: str,
    batch: str,
    lead: str,
    look: Look,
    members_h: Array,
    happened_h: float,
    rules: Mapping[str, float] | None = None,
) -> Case:
    """Compare the members of one date with what happened; what is not reached counts as the end of the outlook."""
    dates = np.minimum(members_h, look.last_hour)
    p10, p50, p90 = np.quantile(dates, (0.1, 0.5, 0.9))
    return Case(
        batch=batch,
        event=event,
        lead=lead,
        as_of_h=look.as_of_h,
        happened_h=happened_h,
        p10=float(p10),
        p50=float(p50),
        p90=float(p90),
        crps_days=crps(dates, happened_h) / 24.0,
        rules=rules or {},
    )


def crps(members: Array, happened: float) -> float:
    """Continuous ranked probability score of an ensemble: of its empirical distribution, in units of the input.

    References
    ----------
    .. [1] T. Gneiting and A.E. Raftery, "Strictly proper scoring rules, prediction, and estimation", Journal of
       the American Statistical Association 102, 2007, pp. 359-378, eq. 21.
    """
    x = np.sort(members)
    n = x.size
    # Mean absolute difference of two members, from the sorted order.
    pairs = 2.0 * float(np.sum((2.0 * np.arange(1, n + 1) - n - 1.0) * x)) / n**2
    return float(np.abs(x - happened).mean()) - 0.5 * pairs


def naive(past: Sequence[PastBatch], batch: PastBatch, as_of_h: float) -> dict[str, float]:
    """Forecast a harvest by rules of thumb from the batches finished by a moment.

    Days are counted from the transplant where there was one, else from the seeding.
    """
    moved = batch.last("transplanted", as_of_h)
    start_h = moved.at_h if moved else batch.seeded_h
    rows = []
    for other in past:
        cut = other.last("harvested", as_of_h)
        begun = other.last("transplanted", as_of_h) if moved else None
        if cut is not None and (begun or not moved):
            rows.append((other.seeded_h, cut.at_h, cut.at_h - (begun.at_h if begun else other.seeded_h)))
    if not rows:
        return {}
    seeded, cut_h, took = np.array(rows).T
    apart = np.abs(seeded - (batch.seeded_h - 24.0 * 365.25)) / 24.0
    days = {"mean of all": took.mean(), "last finished": took[np.argmax(cut_h)]}
    if apart.min() <= _SPREAD_OF_YEAR_DAYS:
        days["week last year"] = took[np.argmin(apart)]
    return {rule: max(start_h + float(hours), as_of_h) for rule, hours in days.items()}


# --------------------------------------------------------------------------- reporting


@dataclass(frozen=True)
class Line:
    """Scores of the forecasts of one event at one lead in one season. In days, coverage as a share."""

    event: str
    lead: str
    season: str  # of the moment of the forecast: Q1 .. Q4, or all
    forecasts: int
    mae: float
    bias: float  # positive: forecast later than it happened
    coverage: float  # of the 10-90 % range
    coverage_low: float  # 95 % interval, months resampled as blocks
    coverage_high: float
    width: float  # of the range
    crps: float
    rules: Mapping[str, float]  # mean absolute error of others, where they forecast all of these

    @property
    def best_rule(self) -> tuple[str, float] | None:
        """Name and error of the best of the others."""
        return min(self.rules.items(), key=lambda item: item[1]) if self.rules else None


def season_of(as_of_h: float) -> str:
    """Return the quarter of the year."""
    month = np.datetime64(int(as_of_h) // 24, "D").astype("datetime64[M]").astype(int) % 12
    return f"Q{int(month) // 3 + 1}"


def report(cases: Iterable[Case]) -> list[Line]:
    """Return a line for each event, lead and season, and for each over all seasons."""
    groups: dict[tuple[str, str, str], list[Case]] = {}
    for c in cases:
        for season in ("all", season_of(c.as_of_h)):
            groups.setdefault((c.event, c.lead, season), []).append(c)
        groups.setdefault((c.event, "all", "all"), []).append(c)
    order = ["all", "seeding", "transplanting", *(f"{days} days before" for days in LEADS_DAYS)]
    return [
        _line(*key, groups[key])
        for key in sorted(groups, key=lambda k: (k[0], order.index(k[1]), k[2] != "all", k[2]))
    ]


def _line(event: str, lead: str, season: str, cases: Sequence[Case]) -> Line:
    happened = np.array([c.happened_h for c in cases])
    p10, p50, p90 = np.array([(c.p10, c.p50, c.p90) for c in cases]).T
    error = (p50 - happened) / 24.0
    inside = (p10 <= happened) & (happened <= p90)
    low, high = block_interval(inside.astype(float), np.array([c.as_of_h for c in cases]))
    shared = set.intersection(*(set(c.rules) for c in cases))
    return Line(
        event=event,
        lead=lead,
        season=season,
        forecasts=len(cases),
        mae=float(np.abs(error).mean()),
        bias=float(error.mean()),
        coverage=float(inside.mean()),
        coverage_low=low,
        coverage_high=high,
        width=float((p90 - p10).mean() / 24.0),
        crps=float(np.mean([c.crps_days for c in cases])),
        rules={
            rule: float(np.mean([abs(c.rules[rule] - c.happened_h) for c in cases])) / 24.0
            for rule in sorted(shared)
        },
    )


def block_interval(values: Array, at_h: Array) -> tuple[float, float]:
    """Return the 95 % interval of a mean, drawing whole months, because forecasts of one month share their luck."""
    month = (at_h // 24).astype(np.int64).astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    _, block = np.unique(month, return_inverse=True)
    sums, counts = np.bincount(block, values), np.bincount(block)
    drawn = np.random.default_rng(1).integers(0, counts.size, (_BOOTSTRAPS, counts.size))
    means = sums[drawn].sum(axis=1) / counts[drawn].sum(axis=1)
    low, high = np.quantile(means, (0.025, 0.975))
    return float(low), float(high)


@dataclass(frozen=True)
class Evenness:
    """Gaps between successive harvests, in days."""

    wished: float
    mean: float
    spread: float  # standard deviation
    longest: float


def evenness(past: Past, from_h: float = -np.inf, to_h: float = np.inf) -> Evenness | None:
    """Return how even the harvests of a span were; none with fewer than three."""
    cuts = sorted(f.at_h for b in past.batches if (f := b.last("harvested")) and from_h <= f.at_h < to_h)
    if len(cuts) < 3:
        return None
    gaps = np.diff(cuts) / 24.0
    return Evenness(past.harvest_interval_days, float(gaps.mean()), float(gaps.std()), float(gaps.max()))
