"""The true crop of a simulated house, for walks in which growers decide what is seeded.

Each day of seeding has its own pace of leaves and of growth, which nobody is told, and which is the same whoever seeds.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.simulated import crop
from tests.simulated.farm import CHANNELS_M2, NURSERY_M2
from tests.simulated.weather import Array

NURSERY_DAYS = 60
LONGEST_DAYS = 230  # from seeding to harvest


@dataclass
class TrueGrowth:
    """What becomes of seedings in a simulated house; day 0 is the first of ``nursery`` and ``channels``."""

    nursery: crop.Days
    channels: crop.Days
    leaf_pace: Array  # by day of seeding
    growth_pace: Array
    ready_g: float = crop.CULTIVAR.ready_g
    _tables: crop.State = field(init=False)  # in the nursery, by day of seeding and age
    _lives: dict[tuple[int, int], Array] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        days = self.leaf_pace.size
        states = [crop.State.seeded(days)]
        for age in range(NURSERY_DAYS):
            states.append(
                crop.step(
                    states[-1],
                    _of(self.nursery, np.arange(days) + age),
                    self.leaf_pace,
                    self.growth_pace,
                    np.full(days, NURSERY_M2),
                )
            )
        self._tables = crop.State(*(np.stack(columns, axis=1) for columns in zip(*states, strict=True)))
        self._up = np.argmax(self._tables.emergence >= 1.0, axis=1)

    def emerged(self, seeded: int) -> int:
        return seeded + int(self._up[seeded])

    def leaves(self, seeded: int, day: int) -> float:
        return float(self._tables.leaves[seeded, min(day - seeded, NURSERY_DAYS)])

    def ready(self, seeded: np.ndarray, moved: np.ndarray) -> Array:
        return self._grow(seeded, moved)[0]

    def fresh_g(self, seeded: int, moved: int, day: int) -> float:
        key = seeded, moved
        if key not in self._lives:
            self._lives[key] = self._grow(np.array([seeded]), np.array([moved]))[1][0]
        life = self._lives[key]
        return float(life[min(day - moved, life.size - 1)])

    def _grow(self, seeded: np.ndarray, moved: np.ndarray) -> tuple[Array, Array]:
        """Grow lanes on in the channels; return when they are ready, and their weights by days since the move."""
        age = moved - seeded
        state = crop.State(*(column[seeded, age] for column in self._tables))
        paces = self.leaf_pace[seeded], self.growth_pace[seeded]
        density = np.full(seeded.size, CHANNELS_M2)
        fresh = [state.fresh_g()]
        ready = np.where(fresh[0] >= self.ready_g, moved.astype(float), np.inf)
        for step in range(LONGEST_DAYS):
            state = crop.step(state, _of(self.channels, moved + step), *paces, density)
            fresh.append(state.fresh_g())
            passed = np.isinf(ready) & (fresh[-1] >= self.ready_g)
            rise = np.where(passed, fresh[-1] - fresh[-2], 1.0)
            ready[passed] = (moved + step + (self.ready_g - fresh[-2]) / rise)[passed]
            if np.isfinite(ready).all() and step >= np.max(ready - moved) + 10:
                break
        return ready, np.stack(fresh, axis=1)


def _of(days: crop.Days, index: np.ndarray) -> crop.Days:
    return crop.Days(*(column[np.minimum(index, column.size - 1)] for column in days))
