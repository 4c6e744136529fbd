"""What batches and their forecasts say of the weeks ahead: gaps and gluts, young seedlings, space that runs over."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Literal

from service.agronomy import evenness
from service.agronomy.evenness import Standing, Stay, Waiting
from service.records.tables import Batch, Succession, Zone
from service.work.alerts import Condition
from service.work.ledger import LedgerState
from service.work.times import EPOCH, seeding_moment

if TYPE_CHECKING:
    from service.work.watch import Seen

SPACING_ALERT = "harvest_spacing"
YOUNG_ALERT = "seedlings_too_young"
NURSERY_ALERT = "nursery_overfull"
SITES_ALERT = "sites_overfull"
LINE_KINDS = frozenset({SPACING_ALERT, YOUNG_ALERT, NURSERY_ALERT, SITES_ALERT})
AHEAD_DAYS = 28.0
SPACE_DAYS = 21.0
_DAY = timedelta(days=1)
_NURSERY_DAYS = 14.0  # where no batch of the succession tells; common practice, no source
_NEVER = 1e9


def line_conditions(seen: Seen) -> list[Condition]:
    """Return what the line of a house says now."""
    running = [s for s in seen.successions.values() if s.active]
    found = [spacing for succession in running if (spacing := _spacing(seen, succession))]
    for zone in seen.zones.values():
        if zone.kind == "channels":
            found += _young(seen, zone)
            found += _full(seen, zone, _in_channels(seen, zone), SITES_ALERT, "sites")
        else:
            found += _full(seen, zone, _in_nursery(seen, zone), NURSERY_ALERT, "cells")
    return found


def _days(at: datetime) -> float:
    return (at - EPOCH) / _DAY


def _moment(days: float) -> datetime:
    return EPOCH + timedelta(days=days)


def _point(seen: Seen, batch: Batch, event: str) -> float | None:
    """Return the median day of an event of a batch; none: unknown, or beyond the horizon."""
    forecast = seen.forecasts.get(batch.id)
    point = None if forecast is None else forecast.points.get(event)
    if point is None or point["p50"] is None:
        return None
    return _days(datetime.fromisoformat(point["p50"]))


def _leaves(seen: Seen, batch: Batch) -> float | None:
    """Return the median day on which a batch leaves its sites: its last cut, of a crop of several."""
    forecast = seen.forecasts.get(batch.id)
    several = forecast is not None and "last_harvest" in forecast.points
    return _point(seen, batch, "last_harvest" if several else "harvest")


def _on(seen: Seen, days: float) -> str:
    return _moment(days).astimezone(seen.zone_info).date().isoformat()


def _spacing(seen: Seen, succession: Succession) -> Condition | None:
    subject = f"succession:{succession.id}"
    standing = seen.was(SPACING_ALERT, subject)
    now = _days(seen.now)
    harvests = [
        max(day, now)
        for batch, state in seen.live
        if batch.succession_id == succession.id
        and not state.cuts  # later cuts of a crop that regrows come between by plan
        and (day := _point(seen, batch, "harvest")) is not None
    ]
    if succession.id in seen.last_harvest:
        harvests.append(_days(seen.last_harvest[succession.id]))
    was: Literal["gap", "glut"] | None = standing.evidence.get("kind") if standing else None
    off = evenness.harvest_spacing(harvests, succession.harvest_interval_days, now, AHEAD_DAYS, was)
    if off is None:
        return None
    first, second = seen.day(_moment(off.first)), seen.day(_moment(off.second))
    gap = off.kind == "gap"
    return Condition(
        kind=SPACING_ALERT,
        subject=subject,
        severity="warning",
        title=f"{succession.name}: {'a gap' if gap else 'too much'} of harvest around {second if gap else first}",
        detail=f"Harvests are expected on {first} and {second}, {off.days:.0f} days apart; wished are"
        f" {succession.harvest_interval_days:g}.",
        next_step=(
            "Hold some heads of the earlier harvest back, cut the later one lighter, and tell buyers in time."
            if gap
            else "Sell ahead, cut the earlier batch lighter, or hold the later one if it keeps."
        ),
        evidence={
            "kind": off.kind,
            "firstOn": _on(seen, off.first),
            "secondOn": _on(seen, off.second),
            "wishedDays": succession.harvest_interval_days,
        },
        size=round(off.days - succession.harvest_interval_days, 1),
        size_unit="d",
        onset_at=None,
        words={
            "code": off.kind,
            "next": off.kind,
            "succession": succession.name,
            "firstOn": _on(seen, off.first),
            "secondOn": _on(seen, off.second),
            "apartDays": round(off.days),
            "wishedDays": succession.harvest_interval_days,
        },
    )


def _kept(succession: Succession, state: LedgerState) -> float:
    return min(float(state.in_nursery), round(state.cells * succession.keep_share))


def _young(seen: Seen, zone: Zone) -> Iterable[Condition]:
    own = [
        (batch, state, seen.successions[batch.succession_id])
        for batch, state in seen.live
        if seen.successions[batch.succession_id].channels_zone_id == zone.id
    ]
    planned: dict[int, date] = {t.batch_id: t.due_on for t in seen.transplants if t.batch_id is not None}
    waiting, standing, by_code = [], [], {}
    for batch, state, succession in sorted(own, key=lambda one: one[1].seeded_at):
        if state.stage == "channels":
            leaves = _leaves(seen, batch)
            standing.append(Standing(float(state.in_channels), _NEVER if leaves is None else leaves))
            continue
        opens, closes = _point(seen, batch, "window_open"), _point(seen, batch, "window_close")
        if opens is None or state.in_nursery == 0:
            continue
        on = planned.get(batch.id)
        day = None if on is None else _days(seeding_moment(on, seen.zone_info))
        waiting.append(
            Waiting(batch.code, _kept(succession, state), opens, _NEVER if closes is None else closes, day)
        )
        by_code[batch.code] = batch
    was = [code for code, b in by_code.items() if seen.was(YOUNG_ALERT, f"batch:{b.id}")]
    for young in evenness.too_young(waiting, standing, float(zone.capacity), _days(seen.now), was):
        batch = by_code[young.code]
        free, opens_on = seen.day(_moment(young.free)), seen.day(_moment(young.opens))
        why = f"Its transplant is planned on {free}" if young.planned else f"Sites for it fall free on {free}"
        yield Condition(
            kind=YOUNG_ALERT,
            subject=f"batch:{batch.id}",
            severity="info",
            title=f"{young.code}: seedlings will be too young when they should move",
            detail=f"{why}; they are expected to be old enough on {opens_on}. Too young a transplant costs as much as a"
            " crop or two in a year (common practice).",
            next_step=f"Plan the transplant for {opens_on} and leave the harvest before it standing that long, or"
            " take an older batch first.",
            evidence={
                "freeOn": _on(seen, young.free),
                "oldEnoughOn": _on(seen, young.opens),
                "planned": young.planned,
            },
            size=round(young.days, 1),
            size_unit="d",
            words={
                "code": "planned" if young.planned else "free",
                "batch": young.code,
                "freeOn": _on(seen, young.free),
                "oldEnoughOn": _on(seen, young.opens),
            },
        )


def _in_nursery(seen: Seen, zone: Zone) -> list[Stay]:
    now = _days(seen.now)
    stays, lasted = [], []
    for batch, state in seen.live:
        succession = seen.successions[batch.succession_id]
        if succession.nursery_zone_id != zone.id or state.in_nursery == 0:
            continue
        leaves = _point(seen, batch, "transplant")
        if leaves is not None:
            lasted.append(leaves - _days(state.seeded_at))
        stays.append(
            Stay(float(state.in_nursery), 0.0, _NEVER if leaves is None else max(leaves, now + 0.01))
        )
    usual = sorted(lasted)[len(lasted) // 2] if lasted else _NURSERY_DAYS
    for succession_id, advice in seen.advice.items():
        succession = seen.successions[succession_id]
        if not succession.active or succession.nursery_zone_id != zone.id:
            continue
        for seeding in advice.seedings:
            day = _days(seeding_moment(date.fromisoformat(seeding["on"]), seen.zone_info))
            if day > now:
                stays.append(Stay(float(seeding["cells"]), day, day + usual))
    return stays


def _in_channels(seen: Seen, zone: Zone) -> list[Stay]:
    now = _days(seen.now)
    stays = []
    for batch, state in seen.live:
        succession = seen.successions[batch.succession_id]
        if succession.channels_zone_id != zone.id:
            continue
        leaves = _leaves(seen, batch)
        ends = _NEVER if leaves is None else max(leaves, now + 0.01)
        if state.in_channels:
            stays.append(Stay(float(state.in_channels), 0.0, ends))
        comes = _point(seen, batch, "transplant") if state.in_nursery else None
        if comes is not None and state.stage == "nursery":
            stays.append(Stay(_kept(succession, state), max(comes, now), ends))
    return stays


def _full(seen: Seen, zone: Zone, stays: list[Stay], kind: str, what: str) -> list[Condition]:
    subject = f"zone:{zone.id}"
    standing = seen.was(kind, subject)
    now = _days(seen.now)
    over = evenness.overfull(stays, float(zone.capacity), now, SPACE_DAYS, standing is not None)
    if over is None:
        return []
    when = "now" if over.first <= now else f"from {seen.day(_moment(over.first))}"
    return [
        Condition(
            kind=kind,
            subject=subject,
            severity="warning",
            title=f"{zone.name}: too full {when}",
            detail=f"Up to {over.peak:.0f} {what} are taken up or planned; there are {zone.capacity}.",
            next_step=(
                "Seed fewer cells, keep only the best seedlings, or make room on another table."
                if kind == NURSERY_ALERT
                else "Cut ready heads first, transplant the best seedlings only, or correct counts that are wrong."
            ),
            evidence={
                "peak": round(over.peak),
                "capacity": zone.capacity,
                "firstOn": _on(seen, over.first),
            },
            size=float(round(over.over)),
            size_unit=what,
            words={
                "code": "now" if over.first <= now else "later",
                "zone": zone.name,
                "peak": round(over.peak),
                "capacity": zone.capacity,
                **({} if over.first <= now else {"fromOn": _on(seen, over.first)}),
            },
        )
    ]
