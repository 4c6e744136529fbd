"""Queries of the outbox: notices written with what they tell of, and claimed by whoever sends them."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Any, cast

from sqlalchemy import CursorResult, case, delete, func, literal, or_, select, update
from sqlalchemy.orm import aliased

from service.records.listing import among, narrow, page
from service.records.store import UnitOfWork
from service.records.tables import Alert, House, Notice, Receiver, RetainedTopic

_WAITING = literal("waiting", literal_execute=True)
"""Part of the statement and no parameter, so that a database knows that the index of those that wait will do."""


async def replace_waiting(uow: UnitOfWork, receiver_id: int, subject: str) -> None:
    """Take back what waits for a receiver on a subject, because something newer is about to be written."""
    await uow.session.execute(
        update(Notice)
        .where(
            Notice.receiver_id == receiver_id,
            Notice.subject == subject,
            Notice.state == "waiting",
            Notice.leased_until.is_(None),
        )
        .values(state="replaced")
    )


async def anything_due(uow: UnitOfWork, now: datetime) -> bool:
    """Tell whether a notice waits that may be sent by now."""
    return (
        await uow.session.scalar(
            select(Notice.id).where(Notice.state == _WAITING, Notice.due_at <= now).limit(1)
        )
    ) is not None


async def claim_due(
    uow: UnitOfWork,
    now: datetime,
    lease: str,
    until: datetime,
    limit: int,
    *,
    busy: Collection[int] = (),
    paused: Collection[int] = (),
) -> list[tuple[Notice, Receiver]]:
    """Lease the notice that is next for each of up to ``limit`` receivers, and return them.

    Of a subject the oldest one is next that waits and is not held back until later; while somebody is sending it,
    or it waits for another try, those after it wait too. Of a receiver's subjects those go first on which something
    urgent waits, then what is oldest. Receivers that are ``paused``, or sent to by somebody else, get what is urgent
    only, ``busy`` ones nothing.
    """
    urgent = case(
        (Notice.alert_id.is_(None), 0),  # long messages, forecasts say, are not read for it
        (Notice.data["severity"].as_string() == "urgent", 1),
        else_=0,
    )
    head = (
        select(func.min(Notice.id).label("id"), func.max(urgent).label("urgent"))
        .where(Notice.state == _WAITING, or_(Notice.due_at <= now, Notice.attempts > 0))
        # A sum, so that SQLite does not read all that was ever sent in the order of an index of receivers.
        .group_by(Notice.receiver_id + 0, Notice.subject)
        .subquery()
    )
    place = func.row_number().over(
        partition_by=Notice.receiver_id, order_by=(head.c.urgent.desc(), Notice.id)
    )
    other = aliased(Notice)
    sent_to = select(other.receiver_id).where(other.state == _WAITING, other.leased_until >= now)
    ready = (
        select(Notice.id, place.label("place"))
        .join(head, head.c.id == Notice.id)
        .where(
            Notice.due_at <= now,
            or_(Notice.leased_until.is_(None), Notice.leased_until < now),
            or_(Notice.receiver_id.not_in(sent_to), head.c.urgent == 1),
        )
    )
    if busy:
        ready = ready.where(Notice.receiver_id.not_in(busy))
    if paused:
        ready = ready.where(or_(Notice.receiver_id.not_in(paused), head.c.urgent == 1))
    candidate = ready.subquery()
    statement = (
        select(Notice.id)
        .where(Notice.id.in_(select(candidate.c.id).where(candidate.c.place == 1)))
        .order_by(Notice.due_at, Notice.id)
        .limit(limit)
        .with_for_update(skip_locked=True, of=Notice)
    )
    ids = list(await uow.session.scalars(statement))
    if not ids:
        return []
    # Checked again: between choosing and locking, somebody else may have sent it.
    await uow.session.execute(
        update(Notice)
        .where(
            among(uow, Notice.id, ids),
            Notice.state == "waiting",
            or_(Notice.leased_until.is_(None), Notice.leased_until < now),
        )
        .values(lease=lease, leased_until=until, attempts=Notice.attempts + 1)
    )
    rows = await uow.session.execute(
        select(Notice, Receiver)
        .join(Receiver, Receiver.id == Notice.receiver_id)
        .where(among(uow, Notice.id, ids), Notice.lease == lease, Notice.state == "waiting")
    )
    return [(notice, receiver) for notice, receiver in rows.all()]


async def settle(uow: UnitOfWork, notice_id: int, lease: str, **values: Any) -> bool:
    """Note how sending went, if the lease still holds; return whether it did."""
    done = cast(
        "CursorResult[Any]",
        await uow.session.execute(
            update(Notice)
            .where(Notice.id == notice_id, Notice.lease == lease)
            .values(leased_until=None, lease=None, **values)
        ),
    )
    return done.rowcount == 1


async def held_notices(uow: UnitOfWork, receiver_id: int, before: datetime) -> list[Notice]:
    """Return what is held for a receiver's digest, oldest first."""
    return list(
        await uow.session.scalars(
            select(Notice)
            .where(Notice.receiver_id == receiver_id, Notice.state == "held", Notice.created_at <= before)
            .order_by(Notice.id)
        )
    )


async def release_held(uow: UnitOfWork, receiver_id: int) -> None:
    """Let what is held for a digest go out one by one, because there is no digest any more."""
    await uow.session.execute(
        update(Notice)
        .where(Notice.receiver_id == receiver_id, Notice.state == "held")
        .values(state="waiting")
    )


async def any_waiting(uow: UnitOfWork, receiver_id: int) -> bool:
    """Return whether anything is still to be sent to a receiver."""
    waiting = select(Notice.id).where(Notice.receiver_id == receiver_id, Notice.state == "waiting").limit(1)
    return (await uow.session.scalars(waiting)).one_or_none() is not None


async def delete_all_of(uow: UnitOfWork, receiver_id: int) -> None:
    """Forget every notice for a receiver, and what its broker was given."""
    await uow.session.execute(delete(Notice).where(Notice.receiver_id == receiver_id))
    await uow.session.execute(delete(RetainedTopic).where(RetainedTopic.receiver_id == receiver_id))


async def drop_old(uow: UnitOfWork, sent_before: datetime, dead_before: datetime) -> None:
    """Forget notices that were sent or replaced, and those given up, long ago."""
    await uow.session.execute(
        delete(Notice).where(Notice.state.in_(["sent", "replaced"]), Notice.created_at < sent_before)
    )
    await uow.session.execute(delete(Notice).where(Notice.state == "dead", Notice.created_at < dead_before))


async def page_notices(
    uow: UnitOfWork,
    *,
    within_farm: int | None,
    receiver_id: int | None,
    alert_id: int | None,
    state: str | None,
    after: int | None,
    limit: int,
) -> tuple[list[Notice], int | None]:
    """Return a page of notices, newest first."""
    statement = narrow(
        select(Notice).join(Receiver, Receiver.id == Notice.receiver_id),
        (Receiver.farm_id, within_farm),
        (Notice.receiver_id, receiver_id),
        (Notice.alert_id, alert_id),
        (Notice.state, state),
    )
    return await page(uow, statement, Notice.id, after, limit, newest_first=True)


async def open_alerts_of_farm(uow: UnitOfWork, farm_id: int) -> list[tuple[Alert, House]]:
    """Return the open alerts of a farm with their houses, oldest first."""
    rows = await uow.session.execute(
        select(Alert, House)
        .join(House, House.id == Alert.house_id)
        .where(House.farm_id == farm_id, Alert.closed_at.is_(None))
        .order_by(Alert.opened_at, Alert.id)
    )
    return [(alert, house) for alert, house in rows.all()]


async def alerts_to_remind_of(uow: UnitOfWork, house_id: int, now: datetime) -> list[Alert]:
    """Return open alerts of a house whose snooze is over."""
    return list(
        await uow.session.scalars(
            select(Alert)
            .where(
                Alert.house_id == house_id,
                Alert.closed_at.is_(None),
                Alert.snoozed_until.is_not(None),
                Alert.snoozed_until <= now,
            )
            .order_by(Alert.id)
        )
    )


# --------------------------------------------------------------------------- retained topics


async def retained_of(
    uow: UnitOfWork, *, house_id: int | None = None, receiver_id: int | None = None
) -> list[RetainedTopic]:
    """Return what brokers hold of a house, or for a receiver."""
    statement = narrow(
        select(RetainedTopic), (RetainedTopic.house_id, house_id), (RetainedTopic.receiver_id, receiver_id)
    )
    return list(await uow.session.scalars(statement))


async def forget_retained(uow: UnitOfWork, receiver_id: int, topic: str) -> None:
    """Forget what a broker was given, so that it is given again."""
    await uow.session.execute(
        delete(RetainedTopic).where(RetainedTopic.receiver_id == receiver_id, RetainedTopic.topic == topic)
    )
