"""Advice on seedings, in a grower's words: dated seedings on allowed weekdays, and the figures behind them."""

from __future__ import annotations

import calendar
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from service.agronomy.forecast import EARLY_SHARE
from service.agronomy.ordered import Previous
from service.agronomy.outlook import Measured
from service.agronomy.succession import Advice as Figures
from service.records.tables import Advice, Succession, Zone
from service.work.alerts import Condition
from service.work.times import EPOCH, epoch_hours, local_day, moment_of, seeding_moment

INTERVAL_ALERT = "seeding_interval"
SITES_ALERT = "sites_short"
WINDOW_ALERT = "window_missed"
ALERT_KINDS = frozenset({INTERVAL_ALERT, SITES_ALERT, WINDOW_ALERT})


@dataclass(frozen=True)
class Week:
    """Means of what was measured over seven days."""

    dli_mol: float
    temp_c: float


def measured_week(measured: Measured, end: datetime) -> Week | None:
    """Return the means over the seven days before a moment; none if less than three quarters was measured."""
    inside = (measured.hour >= epoch_hours(end) - 168) & (measured.hour < epoch_hours(end))
    light, temp = measured.light_mol[inside], measured.temp_c[inside]
    if min(np.count_nonzero(~np.isnan(light)), np.count_nonzero(~np.isnan(temp))) < 126:
        return None
    return Week(float(np.nanmean(light)) * 24.0, float(np.nanmean(temp)))


def allowed_days(
    moments: Sequence[datetime],
    weekdays: Sequence[int],
    zone: ZoneInfo,
    earliest: date,
    closed: Collection[date] = (),
    months: Collection[int] | None = None,
) -> list[tuple[date, int]]:
    """Round moments to allowed local days, none before ``earliest`` or on a day on which the house is closed.

    Seedings that fall outside the ``months`` of the season are left out; none: all year.

    Returns
    -------
    list of (day, seedings)
        In rising order. Where two seedings fall on one allowed day they are one seeding of twice the size.
    """
    counts: dict[date, int] = {}
    for moment in moments:
        ideal = max(local_day(moment + timedelta(hours=4), zone), earliest)
        if months is not None and ideal.month not in months:
            continue
        reach = 6 + 7 * len(closed)  # there is an open allowed day within it
        near = (ideal + timedelta(days=d) for d in range(-reach, reach + 1))
        day = min(
            (d for d in near if d >= earliest and d.isoweekday() in weekdays and d not in closed),
            key=lambda d: (abs((d - ideal).days), d),
        )
        counts[day] = counts.get(day, 0) + 1
    return sorted(counts.items())


def advice_row(
    figures: Figures,
    succession: Succession,
    channels: Zone,
    zone: ZoneInfo,
    now: datetime,
    input_key: str,
    measured: Measured,
    batch_codes: Sequence[str],
    closed: Collection[date] = (),
    months: Collection[int] | None = None,
) -> Advice:
    """Return the advice as it is kept and shown."""
    earliest = first_day(now, zone)
    days = _dated(figures, succession, zone, earliest, closed, months)
    first = days[0][0] if days else earliest
    said = reasons(figures, succession, channels, zone, now, measured, batch_codes)
    if sum(times for _, times, _ in days) < len(figures.seedings_h):
        said.append(f"Out of season: {_months(months or ())} only; seedings in other months are left out.")
    return Advice(
        succession_id=succession.id,
        made_at=now,
        input_key=input_key,
        decision=figures.decision,
        binding=figures.binding,
        interval_days=round(figures.interval_days, 2),
        advised_interval_days=round(figures.advised_interval_days, 1),
        cells_per_seeding=figures.cells,
        from_on=first,
        probability=round(figures.probability, 2),
        seedings=[{"on": day.isoformat(), "cells": cells} for day, _, cells in days],
        outcome=_outcome(figures, zone),
        reasons=said,
    )


def _dated(
    figures: Figures,
    succession: Succession,
    zone: ZoneInfo,
    earliest: date,
    closed: Collection[date],
    months: Collection[int] | None,
) -> list[tuple[date, int, int]]:
    """Return days, how many of the seedings fall on each, and their cells together."""
    found: dict[date, tuple[int, int]] = {}
    sizes = figures.seeding_cells or [figures.cells] * len(figures.seedings_h)
    for hours, cells in zip(figures.seedings_h, sizes, strict=True):
        moment = [EPOCH + timedelta(hours=hours)]
        for day, _ in allowed_days(moment, succession.seeding_weekdays, zone, earliest, closed, months):
            times, before = found.get(day, (0, 0))
            found[day] = times + 1, before + cells
    return [(day, *counted) for day, counted in sorted(found.items())]


def _months(months: Collection[int]) -> str:
    return ", ".join(calendar.month_name[month] for month in sorted(months))


def _outcome(figures: Figures, zone: ZoneInfo) -> dict[str, Any]:
    def rounded(value: float | None, digits: int = 1) -> float | None:
        return None if value is None else round(value, digits)

    return {
        "harvestGapDaysWithout": rounded(figures.gap_without_days),
        "harvestGapDaysWith": rounded(figures.gap_with_days),
        "continuityIntervalDays": rounded(figures.continuity_interval_days),
        "durationDays": rounded(figures.duration_now_days),
        "durationSlope": rounded(figures.duration_slope, 2),
        "sites": figures.sites,
        "sitesNeeded": round(figures.sites_needed),
        "sitesNeededAdvised": round(figures.sites_needed_advised),
        "sitesNeededLightHeads": round(figures.sites_needed_light),
        "seedingsLeftOut": figures.skipped,
        **(_of_orders(figures, zone) if figures.wanted is not None else {}),
    }


def _of_orders(figures: Figures, zone: ZoneInfo) -> dict[str, Any]:
    return {
        "headsOrdered": round(figures.wanted or 0.0),
        "headsShortWithout": round(figures.short_without or 0.0),
        "headsShortWith": round(figures.short_with or 0.0),
        "intervalSince": local_day(moment_of(figures.changed_h), zone).isoformat(),
        "intervalTurned": figures.turned,
    }


def previous_of(advice: Advice | None, zone: ZoneInfo) -> Previous | None:
    """Return the advice for orders that is in force; none: there is none, or nothing was ordered."""
    if advice is None or "intervalSince" not in advice.outcome:
        return None
    since = date.fromisoformat(advice.outcome["intervalSince"])
    return Previous(
        advice.interval_days,
        advice.advised_interval_days,
        epoch_hours(seeding_moment(since, zone)),
        int(advice.outcome["intervalTurned"]),
    )


def open_days(
    first: date,
    last: date,
    weekdays: Collection[int],
    closed: Collection[date],
    months: Collection[int] | None,
) -> list[date]:
    """Return the days on which may be seeded."""
    days = (first + timedelta(days=n) for n in range((last - first).days + 1))
    return [
        d
        for d in days
        if d.isoweekday() in weekdays and d not in closed and (months is None or d.month in months)
    ]


def first_day(now: datetime, zone: ZoneInfo) -> date:
    """Return the first local day on which may still be seeded."""
    today = local_day(now, zone)
    return today + timedelta(days=1) if now > seeding_moment(today, zone) else today


def reasons(
    figures: Figures,
    succession: Succession,
    channels: Zone,
    zone: ZoneInfo,
    now: datetime,
    measured: Measured,
    batch_codes: Sequence[str],
) -> list[str]:
    """Say why, with figures from the measured hours."""
    said = [_conditions(channels, now, measured)]
    if figures.wanted:
        said.append(
            f"Of the orders that seedings to come can serve, {figures.wanted:.0f} heads would be short without any,"
            f" {figures.short_without or 0.0:.0f} as it is seeded now, and {figures.short_with or 0.0:.0f} as advised."
        )
    if figures.duration_now_days is None:
        said.append("A seeding made now is not forecast to reach its target weight within the outlook.")
    elif figures.duration_slope is not None:
        change = "longer" if figures.duration_slope >= 0 else "shorter"
        said.append(
            f"A seeding made now is forecast to take {figures.duration_now_days:.0f} days to harvest; each day later"
            f" makes it {abs(figures.duration_slope):.2f} days {change}."
        )
    if figures.gap_without_days is not None:
        said.append(
            f"Seeding every {figures.interval_days:g} days, the coming harvests fall {figures.gap_without_days:.1f}"
            f" days apart; wished are {succession.harvest_interval_days:g}. Even harvests ask for a seeding every"
            f" {figures.continuity_interval_days:.1f} days."
        )
    if figures.binding == "sites":
        said.extend(_sites(figures, channels, zone))
    for index, free_h in figures.late:
        free = (
            f"on {local_day(moment_of(free_h), zone):%d %b}"
            if np.isfinite(free_h)
            else "too late to be foreseen"
        )
        said.append(
            f"Seedlings of {batch_codes[index]} pass their transplant window before sites fall free ({free})."
        )
    if figures.binding == "window":
        said.append("Transplants come too old: go a day longer between seedings (common practice).")
    return said


def _conditions(channels: Zone, now: datetime, measured: Measured) -> str:
    week, before = measured_week(measured, now), measured_week(measured, now - timedelta(days=28))
    if week is None:
        both = ~np.isnan(measured.light_mol) & ~np.isnan(measured.temp_c)
        known = int(np.count_nonzero(both & (measured.hour >= epoch_hours(now) - 168)))
        return (
            f"Light and temperature of {channels.name} were measured in only {known} of the last 168 hours: the"
            " forecast rests on the climate of the latitude and is uncertain."
        )
    text = f"Measured in {channels.name} over the last 7 days: {week.dli_mol:.1f} mol m-2 d-1 and {week.temp_c:.1f} °C"
    if before is None:
        return text + "."
    return text + f"; four weeks earlier {before.dli_mol:.1f} mol m-2 d-1 and {before.temp_c:.1f} °C."


def _sites(figures: Figures, channels: Zone, zone: ZoneInfo) -> list[str]:
    when = f" by {local_day(moment_of(figures.sites_peak_h), zone):%d %b}" if figures.sites_peak_h else ""
    short = figures.sites_needed - figures.sites
    said = [
        f"Sites bind: even harvests at {figures.continuity_interval_days:.1f} days would hold"
        f" {figures.sites_needed:.0f} sites of {channels.name}{when}; it has {figures.sites}."
        " More seedlings than sites only grow old on the nursery table."
    ]
    gain = figures.sites_needed - figures.sites_needed_light
    ways = [f"{short:.0f} more sites"] if short >= 1 else []  # sites stay short until they are well below
    if gain >= 1:
        ways.append(f"heads cut at {EARLY_SHARE:.0%} of the target weight, which frees {gain:.0f}")
    cells = f"{figures.cells} cells a seeding, which then holds {figures.sites_needed_advised:.0f}"
    if figures.skipped:
        left_out = "the next seeding" if figures.skipped == 1 else f"the next {figures.skipped} seedings"
        cells = f"leaving out {left_out}, then {cells}"
    ways.append(f"{cells}, as advised")
    said.append(f"What would free them: {'; or '.join(ways)}; or more light.")
    return said


def conditions_of(
    advice: Advice, figures: Figures, succession: Succession, zone: ZoneInfo, batch_codes: Sequence[str]
) -> list[Condition]:
    """Return what of an advice deserves an alert."""
    found: list[Condition] = []
    subject = f"succession:{succession.id}"
    detail = " ".join(advice.reasons)
    if advice.decision != "hold":
        change = (
            f"seed again on {advice.from_on:%d %b}, not before"
            if figures.skipped
            else f"{advice.decision} the seeding interval from {advice.interval_days:g} to"
            f" {advice.advised_interval_days:g} days"
        )
        found.append(
            Condition(
                kind=INTERVAL_ALERT,
                subject=subject,
                severity="warning",
                title=f"{succession.name}: {change}",
                detail=detail,
                next_step=f"Seed {advice.cells_per_seeding} cells on {_days(advice.seedings)}.",
                evidence={"decision": advice.decision, "binding": advice.binding, **advice.outcome},
            )
        )
    if advice.binding == "sites":
        found.append(
            Condition(
                kind=SITES_ALERT,
                subject=subject,
                severity="warning",
                title=f"{succession.name}: sites will be short",
                detail=detail,
                next_step=f"Seed {advice.cells_per_seeding} cells on {_days(advice.seedings)}, or cut heads lighter"
                " to free sites.",
                evidence={"sites": figures.sites, "sitesNeeded": round(figures.sites_needed)},
            )
        )
    if figures.late:
        late = {batch_codes[index]: _free_on(free_h, zone) for index, free_h in figures.late}
        found.append(
            Condition(
                kind=WINDOW_ALERT,
                subject=subject,
                severity="warning",
                title=f"{succession.name}: {len(late)} {'batch' if len(late) == 1 else 'batches'} will be too old"
                " before sites fall free",
                detail=" ".join(
                    f"{code}: sites {free or 'later than can be foreseen'}." for code, free in late.items()
                ),
                next_step="Cut ready heads first, transplant the best seedlings only, or discard a batch.",
                evidence={"sitesFreeOn": late},
            )
        )
    return found


def _free_on(free_h: float, zone: ZoneInfo) -> str | None:
    return local_day(moment_of(free_h), zone).isoformat() if np.isfinite(free_h) else None


def _days(seedings: Sequence[dict[str, Any]]) -> str:
    days = [f"{date.fromisoformat(s['on']):%d %b}" for s in seedings[:3]]
    return ", ".join(days) if days else "no day yet"
