"""Heat in the first two days after seeding, which keeps seeds of some crops from germinating."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from service.agronomy import seed
from service.agronomy.outlook import Outlook
from service.agronomy.profile import CropProfile
from service.records.tables import Batch, Zone
from service.work.alerts import Condition
from service.work.ledger import LedgerState
from service.work.times import epoch_hours

HEAT_ALERT = "seed_heat"
RISK_HOURS = 4.0  # above the limit before it is said; assumed
CONCERN = timedelta(days=10)  # after seeding; by then what will come up has


@dataclass(frozen=True)
class Heat:
    """Hours above a crop's limit within two days of seeding."""

    limit_c: float
    so_far: float
    to_come: float  # expected, mean of the outlook's members

    def figures(self) -> dict[str, float]:
        """Return what there is to say of it, as figures."""
        return {
            "limitC": self.limit_c,
            "pastHours": round(self.so_far),
            "comingHours": round(self.to_come),
        }

    def sentence(self) -> str:
        """Return what there is to say of it."""
        past = f"{self.so_far:.0f} hours were above {self.limit_c:g} °C" if self.so_far >= 0.5 else ""
        more = "more " if past else ""
        future = f"about {self.to_come:.0f} {more}hours are expected" if self.to_come >= 0.5 else ""
        if future and not past:
            future += f" above {self.limit_c:g} °C"
        both = " and ".join(part for part in (past, future) if part)
        return f"In the first two days after seeding {both}: seeds may stay dormant."


def seed_heat(profile: CropProfile, state: LedgerState, nursery: Outlook, now: datetime) -> Heat | None:
    """Return the heat a batch's seeds had and are likely to get; none: too little to speak of, or long past."""
    if profile.heat_limit_c is None or state.emerged is not None or now >= state.seeded_at + CONCERN:
        return None
    seeded = np.array([epoch_hours(state.seeded_at) - nursery.first_hour])
    past = np.clip(epoch_hours(now) - nursery.first_hour - seeded, 0.0, seed.HEAT_SPAN_H)
    so_far = float(seed.hot_hours(nursery.temp_c, seeded, profile.heat_limit_c, past).mean())
    whole = float(seed.hot_hours(nursery.temp_c, seeded, profile.heat_limit_c).mean())
    return Heat(profile.heat_limit_c, so_far, whole - so_far) if whole >= RISK_HOURS else None


def heat_condition(heat: Heat, batch: Batch, zone: Zone) -> Condition:
    """Return the alert about it, open until emergence is counted or long due."""
    step = "Count emergence as soon as it is due, and seed again in time if it is poor."
    if heat.to_come >= 0.5:
        step = "Keep the trays in a cooler, shaded place for the first two days. " + step
    return Condition(
        kind=HEAT_ALERT,
        subject=f"batch:{batch.id}",
        severity="warning",
        title=f"{batch.code}: too warm to germinate well in {zone.name}",
        detail=heat.sentence(),
        next_step=step,
        evidence={
            "limitC": heat.limit_c,
            "hoursSoFar": round(heat.so_far, 1),
            "hoursExpected": round(heat.to_come, 1),
        },
        words={
            "code": "is",
            "next": "coming" if heat.to_come >= 0.5 else "next",
            "batch": batch.code,
            "zone": zone.name,
            **heat.figures(),
        },
    )
