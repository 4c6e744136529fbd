"""Air temperature and light of a zone against what the house is set to and the season leads one to expect."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from service.agronomy import comfort
from service.agronomy.climate import Site
from service.records.tables import Zone
from service.work.alerts import Condition
from service.work.events import course_of, lamp_mol
from service.work.times import EPOCH
from service.work.watch_readings import NO_SAFETY_SYSTEM

if TYPE_CHECKING:
    from service.work.watch import Seen

TEMP_ALERT = "temp_off_plan"
LIGHT_ALERT = "light_off_plan"
CLIMATE_KINDS = frozenset({TEMP_ALERT, LIGHT_ALERT})
_FRESH_HOURS = 3


def climate_conditions(seen: Seen) -> list[Condition]:
    """Return what the hours of a house's zones say now."""
    found = []
    for zone in seen.zones.values():
        rows = seen.hours.get(zone.id, [])
        if not rows:
            continue
        hour = np.array([(at - EPOCH) // timedelta(hours=1) for at, *_ in rows], dtype=np.int64)
        temp = np.array([np.nan if t is None else t for _, t, _ in rows], dtype=np.float64)
        light = np.array([np.nan if m is None else m for _, _, m in rows], dtype=np.float64)
        found += [c for c in (_temp(seen, zone, hour, temp), _light(seen, zone, hour, light)) if c]
    return found


def _site(seen: Seen) -> Site:
    house = seen.house
    return Site(
        latitude_deg=house.latitude_deg,
        longitude_deg=house.longitude_deg,
        transmission=house.light_transmission,
        temp_heat_day_c=house.temp_heat_day_c,
        temp_heat_night_c=house.temp_heat_night_c,
        temp_vent_c=house.temp_vent_c,
    )


def _temp(
    seen: Seen, zone: Zone, hour: np.ndarray[tuple[int], np.dtype[np.int64]], temp: comfort.Array
) -> Condition | None:
    subject = f"zone:{zone.id}"
    standing = seen.was(TEMP_ALERT, subject)
    recent = hour > (seen.now - EPOCH) / timedelta(hours=1) - 24
    known = np.flatnonzero(recent & ~np.isnan(temp))
    if not known.size or (seen.now - EPOCH) / timedelta(hours=1) - hour[known[-1]] > _FRESH_HOURS + 1:
        return None  # too old to speak of now; the silence is told as such
    was = standing.evidence.get("side") if standing else None
    off = comfort.temp_off_plan(
        _site(seen), course_of(seen.house, seen.events), hour[recent], temp[recent], was
    )
    if off is None:
        return None
    warm = off.side == "warm"
    onset = EPOCH + timedelta(hours=int(hour[known[-1]]) + 1 - off.hours)
    if standing is not None and standing.onset_at is not None:
        onset = min(onset, standing.onset_at)
    what = "ventilation" if warm else "heating"
    return Condition(
        kind=TEMP_ALERT,
        subject=subject,
        severity="urgent" if off.urgent else "warning",
        title=f"{zone.name}: {'warmer' if warm else 'colder'} than the house is set to",
        detail=f"Over the last {comfort.HOURS} hours {off.by_c:.1f} °C {'above' if warm else 'below'} the {what} set"
        f" point of {off.set_point_c:g} °C, since {seen.day(onset)}, {seen.clock(onset)}. {NO_SAFETY_SYSTEM}",
        next_step=(
            "Check vents, screens and shade; if it stays warm, look after fresh seed first."
            if warm
            else "Check heating, vents and screens."
        )
        + " If the house is meant to run like this, change its set points, or record a house event.",
        evidence={
            "side": off.side,
            "byC": round(off.by_c, 1),
            "setPointC": off.set_point_c,
            "hours": off.hours,
        },
        size=round(off.by_c, 1),
        size_unit="degC",
        onset_at=onset,
        words={
            "code": "warm" if warm else "cold",
            "next": "warm" if warm else "cold",
            "zone": zone.name,
            "offByC": round(off.by_c, 1),
            "setPointC": off.set_point_c,
            "hours": comfort.HOURS,
            "sinceAt": onset.isoformat(),
        },
    )


def _light(
    seen: Seen, zone: Zone, hour: np.ndarray[tuple[int], np.dtype[np.int64]], light: comfort.Array
) -> Condition | None:
    subject = f"zone:{zone.id}"
    standing = seen.was(LIGHT_ALERT, subject)
    inside = hour >= (seen.now - EPOCH) / timedelta(hours=1) - comfort.WEEK_HOURS
    hour, light = hour[inside], light[inside]
    lamps = lamp_mol(seen.house, hour, seen.events)
    expected = comfort.expected_light_mol(_site(seen), course_of(seen.house, seen.events), hour, lamps)
    was = standing.evidence.get("side") if standing else None
    off = comfort.light_off_plan(light, expected, was)
    if off is None:
        return None
    dark = off.side == "dark"
    onset = seen.now - timedelta(days=7)
    if standing is not None and standing.onset_at is not None:
        onset = min(onset, standing.onset_at)
    return Condition(
        kind=LIGHT_ALERT,
        subject=subject,
        severity="warning",
        title=f"{zone.name}: {'little' if dark else 'much'} light for the season",
        detail=f"{off.dli_mol:.1f} mol m-2 d-1 over the last seven days, {off.share:.0%} of the {off.expected_mol:.1f}"
        " expected of sun, roof, paint and lamps at this time of year.",
        next_step=(
            "See what the seeding advice makes of it. If the sky was not dull, check lamps, paint, the roof and the"
            " sensor."
            if dark
            else "See what the seeding advice makes of it, and whether shade is wanted. If the sky was not bright,"
            " check the sensor and the house's light transmission."
        ),
        evidence={
            "side": off.side,
            "dliMol": round(off.dli_mol, 1),
            "expectedMol": round(off.expected_mol, 1),
            "share": round(off.share, 2),
        },
        size=round(off.dli_mol - off.expected_mol, 1),
        size_unit="mol m-2 d-1",
        onset_at=onset,
        words={
            "code": "dark" if dark else "bright",
            "next": "dark" if dark else "bright",
            "zone": zone.name,
            "dliMol": round(off.dli_mol, 1),
            "expectedMol": round(off.expected_mol, 1),
            "lightShare": round(off.share, 2),
        },
    )
