"""What the sensors of a zone say: noise of every hour, a gain that is off, and gaps."""

from __future__ import annotations

import numpy as np

from service.agronomy.outlook import Measured
from tests.simulated.house import Climate

LIGHT_NOISE = 0.06  # relative, of an hour
LIGHT_GAIN = 0.97  # as the instrument came from the maker
TEMP_NOISE_C = 0.25
GAPS_A_YEAR = 12.0
GAP_HOURS = (2, 72)  # from a lost connection to a broken sensor


def measure(climate: Climate, lamp_mol: np.ndarray, rng: np.random.Generator) -> Measured:
    """Return the hours as measured; those of a gap are not."""
    n = climate.hour.size
    light = climate.light_mol * LIGHT_GAIN * (1.0 + LIGHT_NOISE * rng.standard_normal(n))
    temp = climate.temp_c + TEMP_NOISE_C * rng.standard_normal(n)
    for start in rng.integers(0, n, rng.poisson(GAPS_A_YEAR * n / 8766.0)):
        # Long gaps are rarer: log-uniform.
        gap = slice(start, start + int(np.exp(rng.uniform(*np.log(GAP_HOURS)))))
        light[gap] = np.nan
        if rng.random() < 0.5:
            temp[gap] = np.nan
    return Measured(climate.hour, temp, np.maximum(light, 0.0), lamp_mol)
