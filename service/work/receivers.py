"""Receivers: who, or what, hears of a farm's alerts and news, by which way, and at which hours."""

from __future__ import annotations

import base64
import re
import secrets
import uuid
from collections.abc import Mapping
from datetime import timedelta
from typing import Any

from service.clock import Clock
from service.records import notices as notice_records
from service.records import receivers as records
from service.records.listing import find
from service.records.store import UnitOfWork
from service.records.tables import House, Notice, Receiver
from service.work import fields, saving
from service.work.access import Access, require
from service.work.alert_kinds import KINDS as KINDS_OF_ALERTS
from service.work.errors import Conflict, FieldProblem, NotFound, impossible
from service.work.fields import Check, Field, Merged, checked_changes, checked_new
from service.work.listing import DEFAULT_LIMIT, check_choice, check_page
from service.work.notices import GIVEN_UP_AFTER, SEVERITIES, TEST, moment_text, source_of
from service.work.notices_retained import FIRST_PART, keep_retained_of
from service.work.places import HOUSE, referred_farm
from service.work.receivers_targets import Targets, mail_address, topic_prefix, webhook_url

KINDS = ("webhook", "mail", "mqtt")
NEWS = ("advice", "forecast")
OLD_SECRET_SIGNS = timedelta(hours=24)
"""How long a secret that was replaced still signs beside the new one."""

_TIME = re.compile(r"(?:[01]\d|2[0-3]):[0-5]\d")


def _clock_time(value: Any) -> str:
    if not isinstance(value, str) or not _TIME.fullmatch(value):
        raise ValueError("it must be a time of day, for example 21:30")
    return value


def _list_of(check: Check, said: str) -> Check:
    def checked(value: Any) -> list[Any]:
        if not isinstance(value, list) or not value or len(value) > 200:
            raise ValueError(said)
        cleaned = [check(one) for one in value]
        if len(set(cleaned)) < len(cleaned):
            raise ValueError(said)
        return cleaned

    return checked


def _alert_kind(value: Any) -> str:
    if value not in KINDS_OF_ALERTS:
        raise ValueError(f"{value!r} is no kind of alert; there are {', '.join(KINDS_OF_ALERTS)}")
    return str(value)


def _news(value: Any) -> list[str]:
    if not isinstance(value, list) or not set(value) <= set(NEWS) or len(set(value)) < len(value):
        raise ValueError(f"it must be a list of {' and '.join(NEWS)}, or empty")
    return list(value)


_FIELDS = {
    "farm_id": Field(fields.reference, required=True, fixed=True),
    "kind": Field(fields.one_of(*KINDS), required=True, fixed=True),
    "name": Field(fields.text(100), required=True),
    "target": Field(fields.text(2000)),
    "time_zone": Field(HOUSE["time_zone"].check),
    "house_ids": Field(
        _list_of(fields.reference, "it must be a list of different ids of houses, or null"), nullable=True
    ),
    "alert_kinds": Field(
        _list_of(_alert_kind, "it must be a list of different kinds of alerts, or null"), nullable=True
    ),
    "min_severity": Field(fields.one_of(*SEVERITIES)),
    "news": Field(_news),
    "quiet_from": Field(_clock_time, nullable=True),
    "quiet_to": Field(_clock_time, nullable=True),
    "digest_at": Field(_clock_time, nullable=True),
    "active": Field(fields.flag),
}


_TAKEN = FieldProblem("name", "another receiver of this farm has this name")


async def create_receiver(
    uow: UnitOfWork, clock: Clock, access: Access, targets: Targets, values: Mapping[str, Any]
) -> tuple[Receiver, str | None]:
    """Make a receiver; return it and, of a webhook, the secret that signs, which is not shown again.

    Raises
    ------
    Impossible
        If a field is wrong, or the target may not be sent to.
    """
    cleaned = checked_new(_FIELDS, values)
    farm = await referred_farm(uow, access, cleaned["farm_id"])
    if "time_zone" not in cleaned:
        house = await records.first_house(uow, farm.id)
        cleaned["time_zone"] = house.time_zone if house else "UTC"
    if cleaned["kind"] == "mail" and not targets.mail:
        raise impossible("kind", "no mail can be sent: EVENLEAF_SMTP_HOST is not set")
    if cleaned["kind"] == "mqtt":
        cleaned.setdefault("target", FIRST_PART)
    secret = new_secret() if cleaned["kind"] == "webhook" else None
    receiver = Receiver(**{"target": "", **cleaned}, created_at=clock.now(), secret=secret)
    receiver.target = _target(receiver, targets)
    await _check_together(uow, receiver)
    await saving.insert(uow, receiver, _TAKEN)
    await keep_retained_of(uow, clock, receiver)
    return receiver, secret


async def get_receiver(uow: UnitOfWork, access: Access, receiver_id: int) -> Receiver:
    """Return a receiver."""
    receiver = await find(uow, Receiver, receiver_id)
    if receiver is None:
        raise NotFound(f"there is no receiver {receiver_id}")
    require(access, receiver.farm_id)
    return receiver


async def list_receivers(
    uow: UnitOfWork,
    access: Access,
    *,
    farm_id: int | None = None,
    kind: str | None = None,
    active: bool | None = None,
    after: int | None = None,
    limit: int = DEFAULT_LIMIT,
) -> tuple[list[Receiver], int | None]:
    """Return a page of receivers and the id to go on after."""
    check_page(after, limit, farm_id=farm_id)
    check_choice("kind", kind, KINDS)
    return await records.page_receivers(
        uow,
        within_farm=access.farm_id,
        farm_id=farm_id,
        kind=kind,
        active=active,
        after=after,
        limit=limit,
    )


async def change_receiver(
    uow: UnitOfWork,
    clock: Clock,
    access: Access,
    targets: Targets,
    receiver_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> Receiver:
    """Change a receiver. With ``active`` false nothing more is sent to it, and what its broker holds is cleared."""
    receiver = await get_receiver(uow, access, receiver_id)
    cleaned = checked_changes(_FIELDS, receiver, changes)
    after = Merged(receiver, cleaned)
    if "target" in cleaned:
        cleaned["target"] = _target(after, targets)
    await _check_together(uow, after)
    await saving.update(uow, receiver, cleaned, expected_version, _TAKEN)
    if receiver.digest_at is None:
        await notice_records.release_held(uow, receiver.id)
    await keep_retained_of(uow, clock, receiver)
    return receiver


async def delete_receiver(uow: UnitOfWork, access: Access, receiver_id: int) -> None:
    """Delete a receiver with its notices, sent or not.

    Raises
    ------
    Conflict
        If its broker still holds what it was given: what is retained is cleared by making the receiver inactive.
    """
    receiver = await get_receiver(uow, access, receiver_id)
    if receiver.kind == "mqtt":
        if receiver.active:
            raise Conflict(
                "its broker still holds retained topics; set active to false, which clears them, and delete it then"
            )
        if await notice_records.any_waiting(uow, receiver.id):
            raise Conflict("its topics are being cleared; delete it when that is done, within a day at most")
    await notice_records.delete_all_of(uow, receiver.id)
    await uow.session.delete(receiver)
    await uow.flush()


async def rotate_secret(
    uow: UnitOfWork, clock: Clock, access: Access, receiver_id: int
) -> tuple[Receiver, str]:
    """Give a webhook a new secret; the old one also signs for another day, so that nothing is refused meanwhile.

    Raises
    ------
    Conflict
        If the receiver signs nothing.
    """
    receiver = await get_receiver(uow, access, receiver_id)
    if receiver.secret is None:
        raise Conflict(f"a receiver of kind {receiver.kind} has no secret")
    secret = new_secret()
    changes = {
        "old_secret": receiver.secret,
        "old_secret_until": clock.now() + OLD_SECRET_SIGNS,
        "secret": secret,
    }
    await saving.update(uow, receiver, changes, None, _TAKEN)
    return receiver, secret


async def send_test(uow: UnitOfWork, clock: Clock, access: Access, receiver_id: int) -> Notice:
    """Write a test notice for a receiver; quiet hours do not hold it.

    Raises
    ------
    Conflict
        If the receiver is not active.
    """
    receiver = await get_receiver(uow, access, receiver_id)
    if not receiver.active:
        raise Conflict("the receiver is not active")
    now = clock.now()
    topic = f"{receiver.target}/{receiver.farm_id}/test"
    notice = Notice(
        receiver_id=receiver.id,
        event_id=uuid.uuid4().hex,
        type=TEST,
        source=source_of(receiver.farm_id),
        subject=topic if receiver.kind == "mqtt" else f"receivers/{receiver.id}",
        created_at=now,
        due_at=now,
        expires_at=now + GIVEN_UP_AFTER,
        data={"receiver": receiver.name, "sentAt": moment_text(now), "askedBy": access.name},
    )
    uow.session.add(notice)
    await uow.flush()
    return notice


def new_secret() -> str:
    """Return a secret as Standard Webhooks writes it: ``whsec_`` and 32 random bytes in base64."""
    return "whsec_" + base64.b64encode(secrets.token_bytes(32)).decode()


def _target(receiver: Receiver | Merged, targets: Targets) -> str:
    try:
        if receiver.kind == "webhook":
            return webhook_url(receiver.target, targets)
        if receiver.kind == "mqtt":
            return topic_prefix(receiver.target, targets)
        return mail_address(receiver.target)
    except ValueError as error:
        raise impossible("target", str(error)) from error


async def _check_together(uow: UnitOfWork, receiver: Receiver | Merged) -> None:
    """Refuse fields that do not go with each other, and houses of another farm."""
    if (receiver.quiet_from is None) != (receiver.quiet_to is None):
        missing = "quiet_to" if receiver.quiet_to is None else "quiet_from"
        raise impossible(missing, "quiet hours have a beginning and an end; give both or neither")
    if receiver.quiet_from is not None and receiver.quiet_from == receiver.quiet_to:
        raise impossible("quiet_to", "quiet hours must end at another time than they begin")
    if receiver.digest_at is not None and receiver.kind != "mail":
        raise impossible("digest_at", f"only mail has a digest, not {receiver.kind}")
    if receiver.kind == "mqtt" and receiver.news:
        raise impossible("news", "a broker is given all that holds, on retained topics; leave this empty")
    for house_id in receiver.house_ids or []:
        house = await find(uow, House, house_id)
        if house is None or house.farm_id != receiver.farm_id:
            raise impossible("house_ids", f"there is no house {house_id} in this farm")
