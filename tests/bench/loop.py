"""What following the advice is worth: simulated years under three growers, for the table of the README."""

from __future__ import annotations

from service.work.replay.compare import Comparison
from tests.simulated.loop import close


def measure(first_year: int, years: float, every: int, members: int) -> Comparison:
    """Close the loop over some years."""
    return close(first_year, years, every_days=every, members=members)
