"""The recorded past of a crop in a house, as plain values."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from service.agronomy.outlook import Course, Measured, Site
from service.agronomy.profile import CropProfile

Array = NDArray[np.float64]
EVER_H = 1e12  # an epoch hour after all that is recorded
FactKind = Literal["emerged", "counted", "transplanted", "weighed", "harvested"]


@dataclass(frozen=True)
class Fact:
    """Something that was recorded of a batch. Times are epoch hours."""

    kind: FactKind
    at_h: float  # when it happened
    known_h: float  # when it was recorded
    # Leaves of a count; grams that a cut took off a head, of a weighed sample or a harvest; of emergence, when it was
    # looked for in vain.
    value: float = np.nan
    until_h: float = np.inf  # when a correction took its place
    readiness: str | None = None  # of a harvest: early | ready | held; none: not said


@dataclass(frozen=True)
class PastBatch:
    """A batch of the past: what was recorded of it, and what became of it."""

    name: str
    seeded_h: float
    facts: tuple[Fact, ...]
    window_open_h: float = np.nan  # when the transplant window opened; nan: not known
    ready_h: float = np.nan  # when the heads were ready; nan: not known
    cultivar: int = 0

    def last(self, kind: FactKind, as_of_h: float = EVER_H) -> Fact | None:
        """Return the last fact of a kind that was recorded by a moment."""
        known = [f for f in self.facts if f.kind == kind and f.known_h <= as_of_h < f.until_h]
        return max(known, key=lambda f: f.at_h) if known else None


@dataclass(frozen=True, kw_only=True)
class Past:
    """The recorded past of one crop in one house."""

    name: str
    site: Site
    key: int  # names the house in the outlook
    co2_ppm: float
    profile: CropProfile
    nursery: Measured
    channels: Measured
    nursery_m2: float
    channels_m2: float
    lamp_mol: Callable[[NDArray[np.int64]], Array]  # of epoch hours
    batches: Sequence[PastBatch]
    harvest_interval_days: float  # as wished
    succession_ids: frozenset[int] = frozenset()  # whose batches they are
    course: Course | None = None  # shade paint and set points; none: those of the site, always
