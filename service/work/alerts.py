"""Alerts: conditions that stay open until they end. Opened once, updated, closed once.

What opens, changes or ends is told to the farm's receivers by notices in the same transaction.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Literal

from service.clock import Clock
from service.records import reforecast as records
from service.records.listing import find
from service.records.places import house_of
from service.records.store import UnitOfWork
from service.records.tables import Alert
from service.work.access import Access
from service.work.errors import Conflict, NotFound, impossible
from service.work.notices import SEVERITIES, News, alert_news, tell
from service.work.places import get_house
from service.work.words import Words, check_alert

Severity = Literal["info", "warning", "urgent"]


@dataclass(frozen=True, kw_only=True)
class Condition:
    """Something a grower should know of for as long as it lasts."""

    kind: str
    subject: str
    severity: Severity
    title: str
    detail: str
    next_step: str
    evidence: dict[str, Any] = field(default_factory=dict)
    size: float | None = None
    """How much it is, in ``size_unit``."""
    size_unit: str | None = None
    onset_at: datetime | None = None
    """When it began, where that is known."""
    words: Words | None = None
    """What it says as a code and figures, for the pages."""

    def __post_init__(self) -> None:
        if self.words is not None:
            check_alert(self.kind, self.words)


_LONGEST_SNOOZE = timedelta(days=30)
# What a change of which receivers hear of; figures move all the time.
_TOLD = ("severity", "title", "next_step")
_COPIED = ("severity", "title", "detail", "next_step", "evidence", "size", "size_unit", "onset_at", "words")


async def settle_alerts(
    uow: UnitOfWork, clock: Clock, house_id: int, kinds: Collection[str], conditions: Sequence[Condition]
) -> tuple[int, int]:
    """Make the open alerts of some kinds match the conditions that hold now.

    A condition without an open alert opens one; an open alert without its condition is closed; what is open and
    still holds is brought up to date where it changed. Until the transaction ends, nobody else settles alerts of
    the house.

    Returns
    -------
    tuple of int
        How many were opened and how many closed.

    Raises
    ------
    ValueError
        If a condition is of another kind, or two are about the same.
    """
    wanted = {(c.kind, c.subject) for c in conditions}
    if len(wanted) < len(conditions) or not {kind for kind, _ in wanted} <= set(kinds):
        raise ValueError(f"conditions must be of the kinds {sorted(kinds)}, one a kind and subject")
    await records.lock_house(uow, house_id)
    now = clock.now()
    standing = {(a.kind, a.subject): a for a in await records.open_alerts(uow, house_id) if a.kind in kinds}
    opened: list[Alert] = []
    told: list[tuple[Alert, str]] = []
    for condition in conditions:
        alert = standing.pop((condition.kind, condition.subject), None)
        if alert is None:
            alert = Alert(
                house_id=house_id,
                kind=condition.kind,
                subject=condition.subject,
                opened_at=now,
                updated_at=now,
                **{name: getattr(condition, name) for name in _COPIED},
            )
            uow.session.add(alert)
            opened.append(alert)
            told.append((alert, "opened"))
        elif change := _update(alert, condition, now):
            told.append((alert, change))
    for alert in standing.values():
        alert.closed_at = now
        told.append((alert, "ended"))
    await uow.flush()  # so that ids are known
    if told:
        house = await house_of(uow, house_id)
        news: list[News] = [alert_news(alert, house, change) for alert, change in told]
        await tell(uow, now, house, news)
    return len(opened), len(standing)


def _update(alert: Alert, condition: Condition, now: datetime) -> str | None:
    """Bring an open alert up to date; return what receivers hear of that: changed, raised or nothing."""
    before = {name: getattr(alert, name) for name in _COPIED}
    changed = {name for name in _COPIED if before[name] != getattr(condition, name)}
    if "onset_at" in changed and condition.onset_at is None:
        changed.remove("onset_at")  # once known it stays
    for name in changed:
        setattr(alert, name, getattr(condition, name))
    if changed:
        alert.updated_at = now
    if SEVERITIES.index(alert.severity) > SEVERITIES.index(before["severity"]):
        return "raised"  # also of one that was acknowledged or snoozed: it got worse
    quiet = alert.acknowledged_at is not None or (alert.snoozed_until or now) > now
    return "changed" if changed & set(_TOLD) and not quiet else None


async def get_alert(uow: UnitOfWork, access: Access, alert_id: int) -> Alert:
    """Return an alert."""
    alert = await find(uow, Alert, alert_id)
    if alert is None:
        raise NotFound(f"there is no alert {alert_id}")
    await get_house(uow, access, alert.house_id)
    return alert


async def acknowledge_alert(uow: UnitOfWork, clock: Clock, access: Access, alert_id: int) -> Alert:
    """Say that someone deals with an alert; of one that is acknowledged already, who did it first stays.

    Raises
    ------
    Conflict
        If it has ended.
    """
    alert = await _open_alert(uow, access, alert_id)
    if alert.acknowledged_at is None:
        alert.acknowledged_at, alert.acknowledged_by = clock.now(), access.name
        await _tell_changed(uow, clock, alert)
    return alert


async def snooze_alert(
    uow: UnitOfWork, clock: Clock, access: Access, alert_id: int, until: datetime | None
) -> Alert:
    """Send nothing of an alert until a moment, unless it gets worse or ends; none: no longer.

    Raises
    ------
    Conflict
        If it has ended.
    Impossible
        If the moment is not ahead, or more than 30 days.
    """
    alert = await _open_alert(uow, access, alert_id)
    now = clock.now()
    if until is not None and not now < until <= now + _LONGEST_SNOOZE:
        raise impossible("until", f"it must be a moment within {_LONGEST_SNOOZE.days} days from now")
    if alert.snoozed_until != until:
        alert.snoozed_until = until
        await _tell_changed(uow, clock, alert)
    return alert


async def _open_alert(uow: UnitOfWork, access: Access, alert_id: int) -> Alert:
    alert = await get_alert(uow, access, alert_id)
    await records.lock_house(uow, alert.house_id)
    await uow.refresh(alert)  # somebody may have ended it before we had the lock
    if alert.closed_at is not None:
        raise Conflict("the alert has ended")
    return alert


async def _tell_changed(uow: UnitOfWork, clock: Clock, alert: Alert) -> None:
    await uow.flush()
    house = await house_of(uow, alert.house_id)
    await tell(uow, clock.now(), house, [alert_news(alert, house, "changed")])
