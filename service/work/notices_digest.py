"""The morning digest: one mail at a local hour with what was held overnight, what is open, and the day's work."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from service.clock import Clock
from service.records import notices as records
from service.records import receivers as receiver_records
from service.records.listing import known
from service.records.places import houses_of
from service.records.store import UnitOfWork
from service.records.tables import Farm, Notice, Receiver
from service.work.notices import DIGEST, GIVEN_UP_AFTER, alert_json, alert_news, source_of, wants


async def write_digest(uow: UnitOfWork, clock: Clock, receiver_id: int) -> bool:
    """Write a receiver's digest of the day if it is time and not done; return whether there was something to say.

    Somebody else who does the same at the same time does nothing.
    """
    receiver = await receiver_records.lock_receiver(uow, receiver_id)
    if receiver is None or not receiver.active or receiver.digest_at is None:
        return False
    now = clock.now()
    zone = ZoneInfo(receiver.time_zone)
    today = now.astimezone(zone).date()
    begins = datetime.combine(today, time.fromisoformat(receiver.digest_at), zone).astimezone(UTC)
    if now < begins or receiver.last_digest_on == today:
        return False
    receiver.last_digest_on = today
    held = await records.held_notices(uow, receiver.id, now)
    for notice in held:
        notice.state = "replaced"
    data = await _content(uow, receiver, held)
    if not any(data[part] for part in ("held", "open", "tasks", "harvests")):
        await uow.flush()
        return False
    uow.session.add(
        Notice(
            receiver_id=receiver.id,
            event_id=uuid.uuid4().hex,
            type=DIGEST,
            source=source_of(receiver.farm_id),
            subject=f"farms/{receiver.farm_id}/{today.isoformat()}",
            created_at=now,
            due_at=now,
            expires_at=now + GIVEN_UP_AFTER,
            data={"on": today.isoformat(), **data},
        )
    )
    await uow.flush()
    return True


async def _content(uow: UnitOfWork, receiver: Receiver, held: list[Notice]) -> dict[str, Any]:
    assert receiver.last_digest_on is not None  # noqa: S101 - set just before
    today = receiver.last_digest_on
    farm = await known(uow, Farm, receiver.farm_id)
    houses = {
        house.id: house
        for house in await houses_of(uow, receiver.farm_id)
        if receiver.house_ids is None or house.id in receiver.house_ids
    }
    ids = list(houses)
    open_ = [
        alert_json(alert, house)
        for alert, house in await records.open_alerts_of_farm(uow, receiver.farm_id)
        if wants(receiver, house.id, alert_news(alert, house, "opened"))
    ]
    tasks = [t for t in await receiver_records.tasks_since(uow, ids, today) if t.due_on == today]
    days = await receiver_records.live_with_days(uow, ids)
    return {
        "farm": farm.name,
        "held": [{"type": notice.type, **(notice.data or {})} for notice in held],
        "open": open_,
        "tasks": [
            {"house": houses[t.house_id].name, "title": t.title, "assignedTo": t.assigned_to}
            for t in tasks
            if t.done_at is None
        ],
        "harvests": [
            {"house": houses[batch.house_id].name, "code": batch.code, "succession": succession.name}
            for batch, succession, expected in days
            if expected.event == "harvest" and (expected.day or today) <= today and batch.stage == "channels"
        ],
    }
