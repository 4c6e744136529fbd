"""The simulated crop: what really happens to a batch, whatever anybody forecasts.

Leaves appear in thermal time, more slowly in dim light. Dry matter follows the expolinear law of Goudriaan
and Monteith [1]_: while plants stand open each grows in proportion to its weight, once they shade each other
the stand grows at the rate the light allows. The traits below are invented, set so that butterhead takes
about two weeks in a nursery and four in channels in good light.

References
----------
.. [1] J. Goudriaan and J.L. Monteith, "A mathematical function for crop growth based on light interception
   and leaf area expansion", Annals of Botany 66, 1990, pp. 695-701.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, kw_only=True)
class Traits:
    """What a cultivar is like. Temperatures in °C, thermal times in °C d."""

    emergence_base_c: float
    emergence_cd: float
    leaf_base_c: float
    leaf_top_c: float  # no faster above
    phyllochron_cd: float  # thermal time a true leaf, in bright light
    leaf_dim_mol: float  # DLI that gives 63 % of the leaf rate in bright light
    young_g: float  # dry weight at emergence
    relative_rate: float  # of young plants in bright light and warmth, d-1
    relative_dim_mol: float  # DLI of half that rate
    cold_c: float  # no growth of young plants below
    warm_c: float  # full rate from here
    light_use_g_mol: float  # dry matter a mol of light, dim and closed stand
    stand_rate_max: float  # g m-2 d-1, however bright
    upkeep: float  # share of the dry weight burnt a day at 20 °C
    dry_share_dim: float  # dry over fresh weight in dim light
    dry_share_bright: float
    ready_g: float  # fresh weight at which the grower cuts


BUTTERHEAD = Traits(
    emergence_base_c=2.0,
    emergence_cd=52.0,
    leaf_base_c=3.5,
    leaf_top_c=25.0,
    phyllochron_cd=40.0,
    leaf_dim_mol=5.0,
    young_g=0.0009,
    relative_rate=0.67,
    relative_dim_mol=8.5,
    cold_c=3.0,
    warm_c=20.0,
    light_use_g_mol=1.17,
    stand_rate_max=26.0,
    upkeep=0.014,
    dry_share_dim=0.041,
    dry_share_bright=0.048,
    ready_g=150.0,
)
LEAF_LETTUCE = replace(
    BUTTERHEAD, phyllochron_cd=38.0, relative_rate=0.69, light_use_g_mol=1.22, ready_g=120.0
)
BASIL = Traits(
    emergence_base_c=7.5,
    emergence_cd=62.0,
    leaf_base_c=9.5,
    leaf_top_c=29.0,
    phyllochron_cd=31.0,
    leaf_dim_mol=5.0,
    young_g=0.0007,
    relative_rate=0.66,
    relative_dim_mol=6.0,
    cold_c=9.0,
    warm_c=26.0,
    light_use_g_mol=1.10,
    stand_rate_max=22.0,
    upkeep=0.010,
    dry_share_dim=0.070,
    dry_share_bright=0.088,
    ready_g=40.0,
)

_DIM_MOL, _BRIGHT_MOL = 4.0, 16.0
_MEMORY_DAYS = 5.0  # over which the light of late sets the dry share


@dataclass(frozen=True)
class Day:
    """One day's conditions in a zone."""

    dli_mol: float  # mol m-2 d-1
    temp_c: NDArray[np.float64]  # over the day, evenly spaced


@dataclass(frozen=True)
class Vigour:
    """How a batch differs from its cultivar: factors around 1."""

    leaves: float = 1.0
    growth: float = 1.0


@dataclass(frozen=True)
class Plant:
    """The mean plant of a batch at the end of a day."""

    emergence: float = 0.0  # share of the way to emergence, 0..1
    leaves: float = 0.0  # true leaves
    dry_g: float = 0.0
    light_mol: float = 10.0  # DLI of late

    @property
    def emerged(self) -> bool:
        """Whether the seedlings are up."""
        return self.emergence >= 1.0


def grow(plant: Plant, traits: Traits, vigour: Vigour, day: Day, plants_m2: float) -> Plant:
    """Return the plant a day later."""
    light = plant.light_mol + (day.dli_mol - plant.light_mol) / _MEMORY_DAYS
    if not plant.emerged:
        warmth = float(np.maximum(day.temp_c - traits.emergence_base_c, 0.0).mean())
        emergence = plant.emergence + warmth / traits.emergence_cd
        dry_g = traits.young_g if emergence >= 1.0 else 0.0
        return replace(plant, emergence=emergence, dry_g=dry_g, light_mol=light)

    warmth = float((np.clip(day.temp_c, traits.leaf_base_c, traits.leaf_top_c) - traits.leaf_base_c).mean())
    leaf_rate = warmth / traits.phyllochron_cd * -math.expm1(-day.dli_mol / traits.leaf_dim_mol)
    return Plant(
        emergence=plant.emergence,
        leaves=plant.leaves + vigour.leaves * leaf_rate,
        dry_g=plant.dry_g + vigour.growth * _growth_g(plant.dry_g, traits, day, plants_m2),
        light_mol=light,
    )


def fresh_g(plant: Plant, traits: Traits) -> float:
    """Return the fresh weight of a plant; shoots are drier in bright light."""
    bright = min(1.0, max(0.0, (plant.light_mol - _DIM_MOL) / (_BRIGHT_MOL - _DIM_MOL)))
    share = traits.dry_share_dim + bright * (traits.dry_share_bright - traits.dry_share_dim)
    return plant.dry_g / share


def _growth_g(dry_g: float, traits: Traits, day: Day, plants_m2: float) -> float:
    """Return the dry weight that a plant of a stand gains in a day, never less than nothing."""
    temp = float(day.temp_c.mean())
    warm = min(1.0, max(0.0, (temp - traits.cold_c) / (traits.warm_c - traits.cold_c)))
    relative = traits.relative_rate * warm * day.dli_mol / (day.dli_mol + traits.relative_dim_mol)
    top = traits.stand_rate_max
    stand = top * -math.expm1(-traits.light_use_g_mol * day.dli_mol / top) * (0.6 + 0.4 * warm)
    if stand <= 0.0 or relative <= 0.0:
        return 0.0
    gross = stand * -math.expm1(-relative * dry_g * plants_m2 / stand) / plants_m2
    upkeep = traits.upkeep * math.exp2((temp - 20.0) / 10.0) * dry_g
    return max(gross - upkeep, 0.0)
