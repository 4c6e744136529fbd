"""The outbox: who hears of what, written in the transaction that makes it so, and sent afterwards.

A notice is one delivery of one event to one receiver. It is written together with what it tells of, so that neither
is there without the other, and claimed later by whoever sends it. Delivery is at least once: a receiver drops
duplicates by the event's id, which stays the same at every try. Notices go out to a receiver in the order in which
they were written, with two exceptions: what is urgent goes before other subjects, and one that the receiver refuses
holds back only those on its own subject. Within a subject the order always holds: while one is being tried again those
after it wait, until it is given up, after a day or, if it is refused, after a few tries.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import notices as records
from service.records import receivers as receiver_records
from service.records.listing import find, known
from service.records.store import UnitOfWork
from service.records.tables import Alert, House, Notice, Receiver
from service.work.access import Access, require
from service.work.errors import Conflict, NotFound
from service.work.listing import DEFAULT_LIMIT, check_choice, check_page

SEVERITIES = ("info", "warning", "urgent")
STATES = ("waiting", "held", "sent", "dead", "replaced")

GIVEN_UP_AFTER = timedelta(days=1)
SENT_KEPT = timedelta(days=30)
DEAD_KEPT = timedelta(days=90)

RETAINED = "evenleaf.retained"
TEST = "evenleaf.test"
DIGEST = "evenleaf.digest"
_MAILED = frozenset({"opened", "raised", "ended", "reminded"})


@dataclass(frozen=True, kw_only=True)
class News:
    """Something that receivers may want to hear of."""

    type: str
    """For example ``evenleaf.alert.opened``."""
    subject: str
    """What it is about, as a path below ``/v1``, for example ``alerts/12``."""
    data: dict[str, Any]
    topic: str
    """What a receiver asks for: ``advice`` or ``forecast``; of an alert its kind."""
    severity: str | None = None
    """Of an alert; none: it is not about an alert."""
    change: str = "opened"
    """Of an alert: opened, changed, raised, reminded or ended."""
    alert_id: int | None = None


def alert_news(alert: Alert, house: House, change: str) -> News:
    """Return what is told of an alert: ``raised`` is a change for the worse, and told as a change."""
    return News(
        type=f"evenleaf.alert.{'changed' if change == 'raised' else change}",
        subject=f"alerts/{alert.id}",
        data=alert_json(alert, house),
        topic=alert.kind,
        severity=alert.severity,
        change=change,
        alert_id=alert.id,
    )


def alert_json(alert: Alert, house: House) -> dict[str, Any]:
    """Return an alert as it is told; the same fields as in the API."""
    return {
        "id": alert.id,
        "houseId": house.id,
        "house": house.name,
        "timeZone": house.time_zone,
        "kind": alert.kind,
        "subject": alert.subject,
        "severity": alert.severity,
        "title": alert.title,
        "detail": alert.detail,
        "nextStep": alert.next_step,
        "evidence": alert.evidence,
        "size": alert.size,
        "sizeUnit": alert.size_unit,
        "onsetAt": moment_text(alert.onset_at),
        "openedAt": moment_text(alert.opened_at),
        "updatedAt": moment_text(alert.updated_at),
        "closedAt": moment_text(alert.closed_at),
        "acknowledgedAt": moment_text(alert.acknowledged_at),
        "acknowledgedBy": alert.acknowledged_by,
        "snoozedUntil": moment_text(alert.snoozed_until),
    }


def moment_text(at: datetime | None) -> str | None:
    """Return a moment as it stands in JSON."""
    return None if at is None else at.astimezone(UTC).isoformat().replace("+00:00", "Z")


# --------------------------------------------------------------------------- writing


async def tell(uow: UnitOfWork, now: datetime, house: House, news: Sequence[News]) -> int:
    """Write a notice for each receiver that wants to hear of each piece of news; return how many."""
    if not news:
        return 0
    receivers = await receiver_records.active_receivers(uow, house.farm_id)
    written = 0
    for piece in news:
        event_id = uuid.uuid4().hex
        for receiver in receivers:
            if wants(receiver, house.id, piece):
                uow.session.add(_notice(receiver, house, piece, event_id, now))
                written += 1
    await uow.flush()
    return written


def wants(receiver: Receiver, house_id: int, news: News) -> bool:
    """Tell whether a receiver is to hear of something."""
    if receiver.kind == "mqtt":  # hears of what holds, on retained topics, see notices_retained
        return False
    if receiver.house_ids is not None and house_id not in receiver.house_ids:
        return False
    if news.severity is None:
        return news.topic in receiver.news
    if receiver.alert_kinds is not None and news.topic not in receiver.alert_kinds:
        return False
    if SEVERITIES.index(news.severity) < SEVERITIES.index(receiver.min_severity):
        return False
    return receiver.kind != "mail" or news.change in _MAILED


def _notice(receiver: Receiver, house: House, news: News, event_id: str, now: datetime) -> Notice:
    quiet = None if news.severity == "urgent" else quiet_until(receiver, now)
    held = quiet is not None and receiver.digest_at is not None
    due = quiet or now
    return Notice(
        receiver_id=receiver.id,
        event_id=event_id,
        type=news.type,
        source=source_of(house.farm_id, house.id),
        subject=news.subject,
        created_at=now,
        due_at=due,
        expires_at=due + GIVEN_UP_AFTER,
        data=news.data,
        alert_id=news.alert_id,
        state="held" if held else "waiting",
    )


def source_of(farm_id: int, house_id: int | None = None) -> str:
    """Return where an event comes from, as a URI reference."""
    return f"/farms/{farm_id}" if house_id is None else f"/farms/{farm_id}/houses/{house_id}"


def quiet_until(receiver: Receiver, now: datetime) -> datetime | None:
    """Return when the quiet hours end in which a moment lies; none: it lies in none."""
    if receiver.quiet_from is None or receiver.quiet_to is None:
        return None
    zone = ZoneInfo(receiver.time_zone)
    begin, end = time.fromisoformat(receiver.quiet_from), time.fromisoformat(receiver.quiet_to)
    local = now.astimezone(zone)
    clock = local.time()
    inside = begin <= clock < end if begin < end else (clock >= begin or clock < end)
    if not inside:
        return None
    day = local.date() if clock < end else local.date() + timedelta(days=1)
    return datetime.combine(day, end, zone).astimezone(UTC)


async def remind(uow: UnitOfWork, clock: Clock, house: House) -> int:
    """Tell again of open alerts whose snooze is over; return how many."""
    now = clock.now()
    over = await records.alerts_to_remind_of(uow, house.id, now)
    for alert in over:
        alert.snoozed_until = None
    await tell(uow, now, house, [alert_news(alert, house, "reminded") for alert in over])
    return len(over)


# --------------------------------------------------------------------------- use cases


async def get_notice(uow: UnitOfWork, access: Access, notice_id: int) -> Notice:
    """Return a notice."""
    notice = await find(uow, Notice, notice_id)
    if notice is None:
        raise NotFound(f"there is no notice {notice_id}")
    require(access, (await known(uow, Receiver, notice.receiver_id)).farm_id)
    return notice


async def list_notices(
    uow: UnitOfWork,
    access: Access,
    *,
    receiver_id: int | None = None,
    alert_id: int | None = None,
    state: str | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[Notice], int | None]:
    """Return a page of notices, newest first, and the id to go on after."""
    check_page(after, limit, receiver_id=receiver_id, alert_id=alert_id)
    check_choice("state", state, STATES)
    return await records.page_notices(
        uow,
        within_farm=access.farm_id,
        receiver_id=receiver_id,
        alert_id=alert_id,
        state=state,
        after=after,
        limit=limit,
    )


async def resend_notice(uow: UnitOfWork, clock: Clock, access: Access, notice_id: int) -> Notice:
    """Let a notice that was sent or given up go out again, with the id it had.

    Raises
    ------
    Conflict
        If it still waits, a newer one took its place, or its receiver is not active.
    """
    notice = await get_notice(uow, access, notice_id)
    if notice.state not in {"sent", "dead"}:
        raise Conflict(f"it is {notice.state}; only what was sent or given up can be sent again")
    if not (await known(uow, Receiver, notice.receiver_id)).active:
        raise Conflict("its receiver is not active")
    now = clock.now()
    notice.state, notice.attempts, notice.refusals = "waiting", 0, 0
    notice.sent_at, notice.last_error = None, None
    notice.due_at, notice.expires_at = now, now + GIVEN_UP_AFTER
    await uow.flush()
    return notice
