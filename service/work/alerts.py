"""Alerts: conditions that stay open until they end. Opened once, updated, closed once."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from service.clock import Clock
from service.records import reforecast as records
from service.records.store import UnitOfWork
from service.records.tables import Alert

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
    opened = closed = 0
    for condition in conditions:
        alert = standing.pop((condition.kind, condition.subject), None)
        if alert is None:
            uow.session.add(
                Alert(
                    house_id=house_id,
                    kind=condition.kind,
                    subject=condition.subject,
                    severity=condition.severity,
                    title=condition.title,
                    detail=condition.detail,
                    next_step=condition.next_step,
                    evidence=condition.evidence,
                    opened_at=now,
                    updated_at=now,
                )
            )
            opened += 1
            continue
        changed = False
        for name in ("severity", "title", "detail", "next_step", "evidence"):
            if getattr(alert, name) != (value := getattr(condition, name)):
                setattr(alert, name, value)
                changed = True
        if changed:
            alert.updated_at = now
    for alert in standing.values():
        alert.closed_at = now
        closed += 1
    await uow.flush()
    return opened, closed
