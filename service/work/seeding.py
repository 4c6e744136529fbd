"""Advice on seedings, in a grower's words: dated seedings on allowed weekdays, and the figures behind them."""

from __future__ import annotations

import calendar
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import groupby
from operator import itemgetter
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
from service.work.words import Reason, Words, reason

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
    seeded_on: date | None = None,
) -> Advice:
    """Return the advice as it is kept and shown; ``seeded_on``: when the succession was seeded last."""
    earliest = first_day(now, zone, seeded_on)
    days = _dated(figures, succession, zone, now, earliest, closed, months)
    first = days[0][0] if days else earliest
    said = reasons(figures, succession, channels, zone, now, measured, batch_codes, first)
    if sum(times for _, times, _ in days) < len(figures.seedings_h):
        said.append(
            reason(
                f"Out of season: {_months(months or ())} only; seedings in other months are left out.",
                "out_of_season",
                months=sorted(months or ()),
            )
        )
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
        reasons=[one.text for one in said],
        why=[one.words for one in said],
    )


def _dated(
    figures: Figures,
    succession: Succession,
    zone: ZoneInfo,
    now: datetime,
    earliest: date,
    closed: Collection[date],
    months: Collection[int] | None,
) -> list[tuple[date, int, int]]:
    """Return days, how many of the seedings fall on each, and their cells together."""
    soonest_h = epoch_hours(max(now, seeding_moment(earliest, zone)))
    found: dict[date, tuple[int, int]] = {}
    sizes = figures.seeding_cells or [figures.cells] * len(figures.seedings_h)
    for hours, cells in zip(figures.seedings_h, sizes, strict=True):
        # What is due is for the first day on which may be seeded, however late it is on that day.
        due = hours <= soonest_h
        moment = [seeding_moment(earliest, zone) if due else EPOCH + timedelta(hours=hours)]
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
        "paused": figures.pause_until_h is not None,
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


def first_day(now: datetime, zone: ZoneInfo, seeded_on: date | None) -> date:
    """Return the first local day that a seeding may be for: today, unless it was seeded today already."""
    today = local_day(now, zone)
    return today if seeded_on is None or seeded_on < today else today + timedelta(days=1)


def first_moment(
    first: date, weekdays: Collection[int], closed: Collection[date], zone: ZoneInfo
) -> datetime:
    """Return when may be seeded first, whatever the season: on the first open day, if one comes within a year."""
    days = open_days(first, first + timedelta(days=366), weekdays, closed, None)
    return seeding_moment(days[0] if days else first, zone)


def reasons(
    figures: Figures,
    succession: Succession,
    channels: Zone,
    zone: ZoneInfo,
    now: datetime,
    measured: Measured,
    batch_codes: Sequence[str],
    first: date,
) -> list[Reason]:
    """Say why, with figures from the measured hours; ``first``: the day of the first seeding."""
    said = [_conditions(channels, now, measured)]
    if figures.wanted:
        without, as_now, advised = (
            round(heads or 0.0) for heads in (figures.wanted, figures.short_without, figures.short_with)
        )
        said.append(
            reason(
                f"Of the orders that seedings to come can serve, {without} heads would be short without any, {as_now}"
                f" as it is seeded now, and {advised} as advised.",
                "orders_short",
                headsWithout=without,
                headsAsNow=as_now,
                headsAdvised=advised,
            )
        )
    if figures.duration_now_days is None:
        said.append(
            reason(
                "A seeding made now is not forecast to reach its target weight within the outlook.",
                "not_reached",
            )
        )
    elif figures.duration_slope is not None:
        longer = figures.duration_slope >= 0
        said.append(
            reason(
                f"A seeding made now is forecast to take {figures.duration_now_days:.0f} days to harvest; each day"
                f" later makes it {abs(figures.duration_slope):.2f} days {'longer' if longer else 'shorter'}.",
                "takes_longer" if longer else "takes_shorter",
                takesDays=round(figures.duration_now_days),
                changeDays=round(abs(figures.duration_slope), 2),
            )
        )
    if figures.gap_without_days is not None:
        said.append(
            reason(
                f"Seeding every {figures.interval_days:g} days, the coming harvests fall"
                f" {figures.gap_without_days:.1f} days apart; wished are {succession.harvest_interval_days:g}. Even"
                f" harvests ask for a seeding every {figures.continuity_interval_days:.1f} days.",
                "apart",
                everyDays=round(figures.interval_days, 2),
                apartDays=round(figures.gap_without_days, 1),
                wishedDays=succession.harvest_interval_days,
                evenDays=_tenth(figures.continuity_interval_days),
            )
        )
    if figures.binding == "sites" and figures.wanted is not None:
        said.append(_no_sites_for_orders(figures, channels))
    elif figures.binding == "sites":
        said.extend(_sites(figures, channels, zone, first))
    for index, free_h in figures.late:
        batch, free_on = batch_codes[index], _free_on(free_h, zone)
        if free_on is None:
            said.append(
                reason(
                    f"Seedlings of {batch} pass their transplant window before sites fall free (too late to be"
                    " foreseen).",
                    "too_old_unforeseen",
                    batch=batch,
                )
            )
        else:
            said.append(
                reason(
                    f"Seedlings of {batch} pass their transplant window before sites fall free (on"
                    f" {local_day(moment_of(free_h), zone):%d %b}).",
                    "too_old",
                    batch=batch,
                    freeOn=free_on,
                )
            )
    if figures.binding == "window":
        said.append(
            reason(
                "Transplants come too old: go a day longer between seedings (common practice).", "go_longer"
            )
        )
    return said


def _tenth(value: float | None) -> float | None:
    return None if value is None else round(value, 1)


def _conditions(channels: Zone, now: datetime, measured: Measured) -> Reason:
    week, before = measured_week(measured, now), measured_week(measured, now - timedelta(days=28))
    if week is None:
        both = ~np.isnan(measured.light_mol) & ~np.isnan(measured.temp_c)
        known = int(np.count_nonzero(both & (measured.hour >= epoch_hours(now) - 168)))
        return reason(
            f"Light and temperature of {channels.name} were measured in only {known} of the last 168 hours: the"
            " forecast rests on the climate of the latitude and is uncertain.",
            "hardly_measured",
            zone=channels.name,
            hours=known,
        )
    text = f"Measured in {channels.name} over the last 7 days: {week.dli_mol:.1f} mol m-2 d-1 and {week.temp_c:.1f} °C"
    shown = {"zone": channels.name, "dliMol": round(week.dli_mol, 1), "meanC": round(week.temp_c, 1)}
    if before is None:
        return reason(text + ".", "measured", **shown)
    return reason(
        text + f"; four weeks earlier {before.dli_mol:.1f} mol m-2 d-1 and {before.temp_c:.1f} °C.",
        "measured_before",
        **shown,
        dliBeforeMol=round(before.dli_mol, 1),
        beforeC=round(before.temp_c, 1),
    )


def _no_sites_for_orders(figures: Figures, channels: Zone) -> Reason:
    held = round(figures.sites_needed_advised)
    return reason(
        f"Sites bind: another seeding would save heads that are ordered, but finds no sites in {channels.name}:"
        f" those advised bring it to {held} of {channels.capacity}.",
        "sites_bind_orders",
        zone=channels.name,
        holds=held,
        sites=channels.capacity,
    )


def _sites(figures: Figures, channels: Zone, zone: ZoneInfo, first: date) -> list[Reason]:
    peak = local_day(moment_of(figures.sites_peak_h), zone) if figures.sites_peak_h else None
    when = f" by {peak:%d %b}" if peak else ""
    short = figures.sites_needed - figures.sites
    shown = {
        "zone": channels.name,
        "evenDays": _tenth(figures.continuity_interval_days),
        "needed": round(figures.sites_needed),
        "sites": figures.sites,
    }
    said = [
        reason(
            f"Sites bind: even harvests at {figures.continuity_interval_days:.1f} days would hold"
            f" {figures.sites_needed:.0f} sites of {channels.name}{when}; it has {figures.sites}."
            " More seedlings than sites only grow old on the nursery table.",
            "sites_bind_by" if peak else "sites_bind",
            **shown,
            **({"byOn": peak.isoformat()} if peak else {}),
        )
    ]
    gain = figures.sites_needed - figures.sites_needed_light
    if short >= 1:  # sites stay short until they are well below
        said.append(reason(f"{short:.0f} more sites would free them.", "more_sites", short=round(short)))
    if gain >= 1:
        said.append(
            reason(
                f"Heads cut at {EARLY_SHARE:.0%} of the target weight would free {gain:.0f} sites.",
                "lighter_heads",
                weightShare=EARLY_SHARE,
                frees=round(gain),
            )
        )
    cells = f"{figures.cells} cells a seeding hold {figures.sites_needed_advised:.0f} sites, as advised."
    held = {"cells": figures.cells, "holds": round(figures.sites_needed_advised)}
    if figures.pause_until_h is None:
        said.append(reason(cells, "fewer_cells", **held))
    elif np.isfinite(figures.pause_until_h):
        said.append(
            reason(
                f"No seeding before {first:%d %b}; from then on {cells}",
                "pause_until",
                fromOn=first.isoformat(),
                **held,
            )
        )
    else:
        said.append(
            reason(
                "No seeding of the coming weeks would find sites: pause until heads are cut.", "pause_open"
            )
        )
    return said


def conditions_of(
    advice: Advice, figures: Figures, succession: Succession, zone: ZoneInfo, batch_codes: Sequence[str]
) -> list[Condition]:
    """Return what of an advice deserves an alert."""
    found: list[Condition] = []
    subject = f"succession:{succession.id}"
    detail = " ".join(advice.reasons)
    stop = figures.pause_until_h == np.inf
    seed: Words = {
        "why": advice.why,
        "next": "seed" if advice.seedings else "pause" if stop else "none",
        "seedings": advice.seedings[:3],
    }
    step = _step(advice.seedings, stop)
    # Where the season leaves out all of them, or what is ordered is served, there is nothing to change now.
    if advice.decision != "hold" and (advice.seedings or stop):
        words: Words = {"succession": succession.name, **seed}
        if figures.pause_until_h is None:
            change = (
                f"{advice.decision} the seeding interval from {advice.interval_days:g} to"
                f" {advice.advised_interval_days:g} days"
            )
            words |= {
                "code": advice.decision,
                "nowDays": advice.interval_days,
                "advisedDays": advice.advised_interval_days,
            }
        elif not stop:
            change = f"seed again on {advice.from_on:%d %b}, not before"
            words |= {"code": "pause", "fromOn": advice.from_on.isoformat()}
        else:
            change = "seed none until sites fall free"
            words |= {"code": "stop"}
        found.append(
            Condition(
                kind=INTERVAL_ALERT,
                subject=subject,
                severity="warning",
                title=f"{succession.name}: {change}",
                detail=detail,
                next_step=step,
                evidence={"decision": advice.decision, "binding": advice.binding, **advice.outcome},
                words=words,
            )
        )
    if advice.binding == "sites":
        needed = figures.sites_needed if figures.wanted is None else figures.sites_needed_advised
        found.append(
            Condition(
                kind=SITES_ALERT,
                subject=subject,
                severity="warning",
                title=f"{succession.name}: sites will be short",
                detail=detail,
                next_step=f"{step} Heads cut lighter free sites sooner.",
                evidence={"sites": figures.sites, "sitesNeeded": round(needed)},
                words={
                    "code": "is",
                    "succession": succession.name,
                    "sites": figures.sites,
                    "needed": round(needed),
                    **seed,
                },
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
                words={"code": "is", "succession": succession.name, "n": len(late), "batches": list(late)},
            )
        )
    return found


def _free_on(free_h: float, zone: ZoneInfo) -> str | None:
    return local_day(moment_of(free_h), zone).isoformat() if np.isfinite(free_h) else None


def _step(seedings: Sequence[dict[str, Any]], stop: bool) -> str:
    if stop:
        return "Seed none for now; look again when heads are cut."
    if not seedings:
        return "No seeding is advised in the coming weeks."
    sizes = groupby(seedings[:3], key=itemgetter("cells"))
    said = [(n, ", ".join(f"{date.fromisoformat(s['on']):%d %b}" for s in of)) for n, of in sizes]
    return f"Seed {'; '.join(f'{cells} cells on {days}' for cells, days in said)}."
