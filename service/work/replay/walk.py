"""Walk a past as if it were live: learn and forecast at each moment from what was known then."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.agronomy import calibration, evidence
from service.agronomy import forecast as science
from service.agronomy.forecast import Batches, Beliefs, Dates, Multipliers
from service.agronomy.outlook import Measured, Outlook, outlook
from service.work.replay.past import EVER_H, Array, Fact, FactKind, Past, PastBatch

LEADS_DAYS = (28, 14, 7)  # before the real harvest
HISTORY_DAYS = 1200  # measured hours that shape an outlook
_TOGETHER_DAYS = 56.0  # of batches that are weighed up together


class Look(NamedTuple):
    """What was forecast at one moment, in all members."""

    as_of_h: float
    batches: list[int]  # places in the past's batches, one row of ``dates`` each
    leads: list[str]
    nursery: Outlook
    channels: Outlook
    dates: Dates
    last_hour: float


Learn = Callable[[Sequence[int], float], Multipliers]
"""Gives the multipliers of batches, by their place, as learned from what was known at a moment."""


@dataclass(frozen=True)
class Span:
    """Which batches are looked at: every so many of those seeded from a moment on, before another."""

    from_h: float = -np.inf
    to_h: float = np.inf
    every: int = 1


def moments(past: Past, span: Span) -> dict[float, list[tuple[int, str]]]:
    """Return which batches are looked at when, with the name of the lead, in order of time."""
    found: dict[float, list[tuple[int, str]]] = {}
    for i, batch in enumerate(past.batches):
        if i % span.every or not span.from_h <= batch.seeded_h < span.to_h or np.isnan(batch.ready_h):
            continue
        found.setdefault(batch.seeded_h, []).append((i, "seeding"))
        if moved := batch.last("transplanted"):
            found.setdefault(moved.known_h, []).append((i, "transplanting"))
        for days in LEADS_DAYS:
            at = 24.0 * (np.floor(batch.ready_h / 24.0) - days)
            if at >= batch.seeded_h:
                found.setdefault(at, []).append((i, f"{days} days before"))
    return dict(sorted(found.items()))


def looks(
    past: Past,
    learn: Learn,
    span: Span,
    members: int,
    horizon_days: int,
) -> Iterator[Look]:
    """Forecast at each of the :func:`moments` from what was known then; batches of a moment run together."""
    for as_of_h, chosen in moments(past, span).items():
        places = [i for i, _ in chosen]
        batches = [past.batches[i] for i in places]
        first = int(min(b.seeded_h for b in batches)) - 24  # a day before, for the trailing light
        hours = int(np.ceil(as_of_h)) + 24 * horizon_days - first
        nursery, channels = outlooks(past, as_of_h, first, hours, members)
        known, factors = known_batches(past, batches, as_of_h), learn(places, as_of_h)
        # Emergence that was counted may have been before the count.
        rate = np.median(np.broadcast_to(factors.emergence, (len(batches), members)), axis=1)
        at_h = evidence.emergence_h(
            past.profile, evidence.middle(nursery), _lived_batches(known, batches, as_of_h), rate
        )
        known = known._replace(emerged_h=np.where(np.isnan(known.emerged_h), np.nan, at_h))
        dates = science.forecast(past.profile, nursery, channels, past.co2_ppm, known, factors, as_of_h)
        yield Look(
            as_of_h, places, [lead for _, lead in chosen], nursery, channels, dates, float(first + hours)
        )


def outlooks(past: Past, as_of_h: float, first: int, hours: int, members: int) -> tuple[Outlook, Outlook]:
    """Return the outlooks of nursery and channels as known at a moment."""
    lamps = past.lamp_mol(np.arange(first, first + hours, dtype=np.int64))
    made = [
        outlook(past.site, known_hours(zone, as_of_h), first, lamps, members, past.key, past.course)
        for zone in (past.nursery, past.channels)
    ]
    return made[0], made[1]


def known_hours(zone: Measured, as_of_h: float) -> Measured:
    """Return the hours that had been measured at a moment, back to :data:`HISTORY_DAYS` before it."""
    start, end = np.searchsorted(zone.hour, [as_of_h - 24.0 * HISTORY_DAYS, np.floor(as_of_h)])
    inside = slice(start, end)
    return Measured(zone.hour[inside], zone.temp_c[inside], zone.light_mol[inside], zone.lamp_mol[inside])


def known_batches(past: Past, batches: Sequence[PastBatch], as_of_h: float) -> Batches:
    """Return what had been recorded of batches at a moment."""

    def moment(kind: FactKind) -> Array:
        facts = [b.last(kind, as_of_h) for b in batches]
        return np.array([f.at_h if f else np.nan for f in facts])

    counts = [b.last("counted", as_of_h) for b in batches]
    n = len(batches)
    return Batches(
        seeded_h=np.array([b.seeded_h for b in batches]),
        emerged_h=moment("emerged"),
        counted_h=moment("counted"),
        counted_leaves=np.array([f.value if f else np.nan for f in counts]),
        transplanted_h=moment("transplanted"),
        target_dry_g=np.full(n, past.profile.target_fresh_g * past.profile.dry_matter_fraction),
        nursery_m2=np.full(n, past.nursery_m2),
        channels_m2=np.full(n, past.channels_m2),
    )


def _lived_batches(known: Batches, batches: Sequence[PastBatch], as_of_h: float) -> evidence.Past:
    counts = [b.last("emerged", as_of_h) for b in batches]
    looked_h = np.array([f.value if f else np.nan for f in counts])
    return evidence.Past(known.seeded_h, known.emerged_h, looked_h, known.transplanted_h)


# --------------------------------------------------------------------------- learning


KINDS = ("leaf", "growth", "emergence")


class _Pieces(NamedTuple):
    """Evidence of one kind, each array of shape (pieces,)."""

    batch: NDArray[np.intp]  # place of the batch
    at_h: Array
    known_h: Array
    until_h: Array
    low: Array
    high: Array
    sd: Array
    stage: Array  # of heads, log of the weight over that of a ready one; nan: not weighed

    def there(self, as_of_h: float) -> NDArray[np.bool_]:
        """Return which were known at a moment."""
        return np.asarray((self.known_h <= as_of_h) & (as_of_h < self.until_h))

    def known(
        self, as_of_h: float, season: calibration.Season, *, ages: bool
    ) -> tuple[calibration.Evidence, Array | None]:
        """Return what was known at a moment, and how much of its error is drift."""
        keep = self.there(as_of_h)
        batch, sd = self.batch[keep], self.sd[keep]
        told = calibration.Evidence(batch, self.low[keep], self.high[keep], sd)
        if not ages:
            return told, None
        drift = calibration.drifted(batch, self.at_h[keep])
        told = told._replace(sd=np.hypot(sd, drift))
        crop = np.zeros(season.batch.size, dtype=np.intp)
        return calibration.staged(told, self.stage[keep], crop, season).evidence, drift


class Learner:
    """Learns the multipliers of a past's batches from what had been recorded by each moment.

    What a record says of its batch does not depend on later ones, so all are weighed up once, some weeks' batches
    together; gaps in the measured hours are filled with days measured before those weeks.
    """

    def __init__(self, past: Past, members: int) -> None:
        self._members = members
        self._key = np.arange(len(past.batches), dtype=np.int64)
        # Leaves, growth and emergence, with what is believed of each before any evidence.
        self._spreads = (past.profile.leaf_spread, past.profile.growth_spread, evidence.EMERGENCE_SPREAD)
        self._year = np.array([_share_of_year(b.seeded_h) for b in past.batches])
        cultivars, self._cell = np.unique([b.cultivar for b in past.batches], return_inverse=True)
        self._cultivars = np.arange(cultivars.size)
        groups: dict[int, list[int]] = {}
        for i, batch in enumerate(past.batches):
            last = max((f.at_h for f in batch.facts), default=np.nan)
            if not np.isnan(last):
                groups.setdefault(int(last // (24.0 * _TOGETHER_DAYS)), []).append(i)
        found = [_weigh_up(past, places) for _, places in sorted(groups.items())]
        self._kinds = [
            _Pieces(*(np.concatenate(columns) for columns in zip(*pieces, strict=True)))
            for pieces in zip(*found, strict=True)
        ]
        self._beliefs: tuple[float, list[calibration.Posterior]] = (np.nan, [])

    def __call__(self, places: Sequence[int], as_of_h: float) -> Multipliers:
        """Return the multipliers of batches."""
        rows = np.asarray(places, dtype=np.intp)
        return science.batch_multipliers(
            self._members, self._key[rows], *(_beliefs(p, rows) for p in self.posteriors(as_of_h))
        )

    def posteriors(self, as_of_h: float) -> list[calibration.Posterior]:
        """Return what was believed of leaf rate, growth and emergence of all batches."""
        if self._beliefs[0] != as_of_h:
            same = np.zeros(self._cultivars.size, dtype=np.intp)
            season = calibration.Season(self._year, _share_of_year(as_of_h))
            found = []
            for kind, pieces, spread in zip(KINDS, self._kinds, self._spreads, strict=True):
                cells = calibration.Cells(same, same, self._cultivars, np.full(same.size, spread))
                told, drift = pieces.known(as_of_h, season, ages=kind == "growth")
                posterior = calibration.calibrate(cells, self._cell, told, season, drift)
                if kind == "growth":
                    there = pieces.there(as_of_h)
                    at_h, stage = pieces.at_h[there], pieces.stage[there]
                    posterior = calibration.ahead(posterior, self._cell, told.batch, at_h, stage)
                found.append(posterior)
            self._beliefs = as_of_h, found
        return self._beliefs[1]


def _share_of_year(at_h: float) -> float:
    return at_h / 24.0 % 365.25 / 365.25


def _beliefs(posterior: calibration.Posterior, rows: NDArray[np.intp]) -> Beliefs:
    return Beliefs(posterior.batch_mean[rows], posterior.batch_shared_sd[rows], posterior.batch_own_sd[rows])


def _weigh_up(past: Past, places: Sequence[int]) -> tuple[_Pieces, _Pieces, _Pieces]:
    """Return what the records of some batches say of leaf rate, growth and emergence."""
    batches = [past.batches[i] for i in places]
    first = int(min(b.seeded_h for b in batches)) - 24
    last = max(f.at_h for b in batches for f in b.facts)
    nursery, channels = _lived(past, first, last)
    known = known_batches(past, batches, EVER_H)
    lived = _lived_batches(known, batches, EVER_H)

    told = [(row, f) for row, b in enumerate(batches) for f in b.facts]
    counts = [(row, f) for row, f in told if f.kind == "counted"]
    heads = [
        (row, f)
        for row, f in told
        if f.kind in {"weighed", "harvested"} and not np.isnan(known.transplanted_h[row])
    ]
    leaf = evidence.leaves(past.profile, nursery, channels, lived, *_columns(counts))
    ready = np.array([evidence.READY[f.readiness] for _, f in heads]).reshape(-1, 2)
    grown = evidence.heads(
        past.profile,
        nursery,
        channels,
        past.co2_ppm,
        (past.nursery_m2, past.channels_m2),
        lived,
        *_columns(heads),
        (ready[:, 0], ready[:, 1]),
    )
    emerged = [(row, f) for row, b in enumerate(batches) if (f := b.last("emerged"))]
    rows = np.array([row for row, _ in emerged], dtype=np.intp)
    up = evidence.emergence(past.profile, nursery, evidence.Past(*(column[rows] for column in lived)))
    with np.errstate(invalid="ignore"):
        ready_g = past.profile.target_fresh_g * (1.0 - past.profile.left_share)
        stage = np.log(np.minimum(grown.observed / ready_g, 1.0))
    return (
        _pieces(places, counts, leaf),
        _pieces(places, heads, grown)._replace(stage=stage),
        _pieces(places, emerged, up),
    )


def _columns(facts: Sequence[tuple[int, Fact]]) -> tuple[NDArray[np.intp], Array, Array]:
    return (
        np.array([row for row, _ in facts], dtype=np.intp),
        np.array([f.at_h for _, f in facts], dtype=np.float64),
        np.array([f.value for _, f in facts], dtype=np.float64),
    )


def _pieces(places: Sequence[int], facts: Sequence[tuple[int, Fact]], found: evidence.Finding) -> _Pieces:
    return _Pieces(
        np.array([places[row] for row, _ in facts], dtype=np.intp),
        np.array([f.at_h for _, f in facts], dtype=np.float64),
        np.array([f.known_h for _, f in facts], dtype=np.float64),
        np.array([f.until_h for _, f in facts], dtype=np.float64),
        found.low,
        found.high,
        found.sd,
        np.full(found.sd.size, np.nan),
    )


def _lived(past: Past, first: int, last_h: float) -> tuple[Outlook, Outlook]:
    """Return the hours of a span as measured; gaps are filled from what was measured before its last weeks."""
    hours = int(np.ceil(last_h)) - first
    filled = outlooks(past, last_h - 24.0 * _TOGETHER_DAYS, first, hours, 1)
    made = []
    for zone, guess in zip((past.nursery, past.channels), filled, strict=True):
        seen = known_hours(zone, last_h)
        temp, light, measured = guess.temp_c.copy(), guess.light_mol.copy(), guess.measured.copy()
        at = (seen.hour - first).astype(np.intp)
        inside = (at >= 0) & (at < hours) & ~np.isnan(seen.temp_c) & ~np.isnan(seen.light_mol)
        temp[0, at[inside]], light[0, at[inside]] = seen.temp_c[inside], seen.light_mol[inside]
        measured[at[inside]] = True
        made.append(Outlook(first, temp, light, measured))
    return made[0], made[1]
