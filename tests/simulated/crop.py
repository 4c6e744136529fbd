"""The true crop, which is not the crop of the product's model.

Leaves appear in thermal time with a light response of their own. Dry matter follows the expolinear law of
Goudriaan and Monteith [1]_ day by day: open plants grow in proportion to their weight, a closed stand as its light
allows; upkeep takes a share, and shoots are drier in bright light. Batches differ: each has its own pace of leaves
and of growth, which nobody is told.

All functions run many lanes (batches, or members of one batch) at once, in steps of a day.

References
----------
.. [1] J. Goudriaan and J.L. Monteith, "A mathematical function for crop growth based on light interception
   and leaf area expansion", Annals of Botany 66, 1990, pp. 695-701.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from tests.simulated.weather import Array


@dataclass(frozen=True, kw_only=True)
class Traits:
    """What the cultivar is like. Temperatures in °C, thermal times in °C d."""

    emergence_base_c: float = 3.0
    emergence_cd: float = 56.0
    # Days to germinate of Harrington and Minges 1954 (in Knott's Handbook): 3 at 20, 2 at 25, 3 at 30, never at 35 °C.
    emergence_top_c: float = 26.0
    emergence_stop_c: float = 35.0
    leaf_base_c: float = 3.0
    leaf_top_c: float = 26.0  # no faster above
    phyllochron_cd: float = 46.0
    leaf_dim_mol: float = (
        2.0  # DLI that gives 63 % of the leaf rate in bright light: hardly any response above 6
    )
    young_g: float = 0.0010  # dry weight at emergence
    relative_rate: float = 0.52  # of young plants in bright light and warmth, d-1
    relative_dim_mol: float = 5.0  # DLI of half that rate
    cold_c: float = 2.0  # no growth of young plants below
    warm_c: float = 21.0  # full rate from here
    light_use_g_mol: float = 1.05  # dry matter a mol of light, dim and closed stand
    stand_rate_max: float = 24.0  # g m-2 d-1, however bright
    upkeep: float = 0.012  # share of the dry weight burnt a day at 20 °C
    dry_share_dim: float = 0.042
    dry_share_bright: float = 0.048
    ready_g: float = 150.0  # fresh weight of a ready head


CULTIVAR = Traits()
LEAF_SPREAD = 0.03  # standard deviation of a batch's pace of leaves
GROWTH_SPREAD = 0.025  # and of growth: about 5 % of the weight on a given day
_DIM_MOL, _BRIGHT_MOL = 4.0, 16.0
_MEMORY_DAYS = 5.0  # over which the light of late sets the dry share


class Days(NamedTuple):
    """Daily conditions, each of shape (..., days)."""

    light_mol: Array
    temp_c: Array
    emergence_cd: Array  # thermal time of emergence in the day
    leaf_cd: Array


def daily(temp_c: ArrayLike, light_mol: ArrayLike, traits: Traits = CULTIVAR) -> Days:
    """Sum hours of shape (..., 24 * days) up to days."""
    temp, light = (np.asarray(a, dtype=float) for a in (temp_c, light_mol))
    temp = temp.reshape(*temp.shape[:-1], -1, 24)
    leaf = np.clip(temp, traits.leaf_base_c, traits.leaf_top_c) - traits.leaf_base_c
    return Days(
        light.reshape(temp.shape).sum(axis=-1),
        temp.mean(axis=-1),
        _emergence_cd(temp, traits).mean(axis=-1),
        leaf.mean(axis=-1),
    )


def _emergence_cd(temp: Array, traits: Traits) -> Array:
    """Return the degrees that count for emergence: fewer again above the best temperature, as seeds stay dormant."""
    top, stop = traits.emergence_top_c, traits.emergence_stop_c
    best = top - traits.emergence_base_c
    heat = np.clip((stop - temp) / (stop - top), 0.0, 1.0)
    return np.minimum(np.clip(temp - traits.emergence_base_c, 0.0, best), best * heat)


class State(NamedTuple):
    """The mean plant of each lane."""

    emergence: Array  # share of the way, 0..1
    leaves: Array
    dry_g: Array
    light_mol: Array  # DLI of late

    @classmethod
    def seeded(cls, lanes: int) -> State:
        """Return seeds."""
        return cls(np.zeros(lanes), np.zeros(lanes), np.zeros(lanes), np.full(lanes, 10.0))

    def fresh_g(self, traits: Traits = CULTIVAR) -> Array:
        """Return the fresh weight of a plant."""
        bright = np.clip((self.light_mol - _DIM_MOL) / (_BRIGHT_MOL - _DIM_MOL), 0.0, 1.0)
        return self.dry_g / (traits.dry_share_dim + bright * (traits.dry_share_bright - traits.dry_share_dim))


def step(
    state: State, day: Days, leaf_pace: Array, growth_pace: Array, plants_m2: Array, traits: Traits = CULTIVAR
) -> State:
    """Return the plants a day later. ``day`` holds one value a lane."""
    light = state.light_mol + (day.light_mol - state.light_mol) / _MEMORY_DAYS
    emergence = np.minimum(state.emergence + day.emergence_cd / traits.emergence_cd, 1.0)
    # The part of the day after emergence.
    rise = np.maximum(day.emergence_cd / traits.emergence_cd, 1e-12)
    up = np.where(
        state.emergence >= 1.0,
        1.0,
        np.clip((state.emergence + rise - 1.0) / rise, 0.0, 1.0) * (emergence >= 1.0),
    )
    leaf_rate = day.leaf_cd / traits.phyllochron_cd * -np.expm1(-day.light_mol / traits.leaf_dim_mol)
    dry = np.where((emergence >= 1.0) & (state.dry_g == 0.0), traits.young_g, state.dry_g)

    warm = np.clip((day.temp_c - traits.cold_c) / (traits.warm_c - traits.cold_c), 0.0, 1.0)
    relative = traits.relative_rate * warm * day.light_mol / (day.light_mol + traits.relative_dim_mol)
    top = traits.stand_rate_max
    stand = np.maximum(top * -np.expm1(-traits.light_use_g_mol * day.light_mol / top), 1e-9)
    stand = stand * (0.6 + 0.4 * warm)
    gross = stand * -np.expm1(-relative * dry * plants_m2 / stand) / plants_m2
    net = growth_pace * gross - traits.upkeep * np.exp2((day.temp_c - 20.0) / 10.0) * dry
    return State(emergence, state.leaves + up * leaf_pace * leaf_rate, dry + up * np.maximum(net, 0.0), light)
