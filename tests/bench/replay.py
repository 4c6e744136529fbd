"""How far off forecasts are: the whole trial of the simulated houses on real weather, for the table of the README."""

from __future__ import annotations

from collections.abc import Sequence

from tests.simulated.trial import Trial, trial

HOUSES = ("unlit", "lit")


def measure(houses: Sequence[str], first_year: int, years: int, every: int, members: int) -> list[Trial]:
    """Replay the houses, one after the other."""
    return [trial(kind, years, first_year=first_year, every=every, members=members) for kind in houses]
