"""The same request sent again with the same key is answered as the first time, and changes nothing more.

What is answered is kept in the transaction that made the change, so that there is never one without the other.
Where an operation takes transactions of its own, its key is claimed before and answered after; a claim that was
left behind by a process that died is free again after some minutes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.clock import Clock
from service.records import idempotency as records
from service.records import saving
from service.records.store import UnitOfWork
from service.records.tables import IdempotencyKey
from service.work.errors import Conflict, WorkError

KEPT_FOR = timedelta(hours=48)
CLAIM_HOLDS = timedelta(minutes=10)
LONGEST_KEY = 255
_AT_ONCE = "another request with this Idempotency-Key came at the same time; send it again"


class KeyUsedOtherwise(WorkError):  # noqa: N818 - read as an answer
    """The key was given with another request."""


class InFlight(Conflict):
    """The first request with the key is still being answered."""


@dataclass(frozen=True)
class Asked:
    """A request with a key."""

    access: str
    key: str
    request: str
    digest: str


@dataclass(frozen=True)
class Answered:
    """What it was answered."""

    status: int
    headers: Sequence[tuple[str, str]]
    body: bytes


def asked(access: str, key: str, request: str, body: bytes) -> Asked:
    """Return a request with its key.

    Raises
    ------
    KeyUsedOtherwise
        If the key is no key.
    """
    if not key or len(key) > LONGEST_KEY or not key.isascii() or not key.isprintable():
        raise KeyUsedOtherwise(f"Idempotency-Key must have 1 to {LONGEST_KEY} printable ASCII characters")
    return Asked(access, key, request, hashlib.sha256(body).hexdigest())


async def find_answer(uow: UnitOfWork, clock: Clock, this: Asked) -> Answered | None:
    """Return what the same request was answered before, or None if it is new.

    Raises
    ------
    KeyUsedOtherwise
        If the key was given with another request or body.
    InFlight
        If the first request is still being answered.
    """
    row = await records.find_key(uow, this.access, this.key)
    if row is None or row.created_at <= clock.now() - KEPT_FOR:
        return None
    if (row.request, row.digest) != (this.request, this.digest):
        raise KeyUsedOtherwise(
            "this Idempotency-Key was given with another request; take a new key for a new request"
        )
    if row.status is None:
        if row.created_at <= clock.now() - CLAIM_HOLDS:
            return None
        raise InFlight(
            "the first request with this Idempotency-Key is still being answered; send it again later"
        )
    return Answered(row.status, [(name, value) for name, value in row.headers or []], row.body or b"")


async def claim(uow: UnitOfWork, clock: Clock, this: Asked) -> datetime:
    """Take a key for a new request, and return when.

    Raises
    ------
    InFlight
        If the same key was taken at the same time.
    """
    now = clock.now()
    old = await records.find_key(uow, this.access, this.key)
    if old is not None:
        if old.created_at > now - (CLAIM_HOLDS if old.status is None else KEPT_FOR):
            raise InFlight(_AT_ONCE)  # it came between the look for an answer and this
        await records.delete_key(uow, old)
    row = IdempotencyKey(
        access=this.access, key=this.key, request=this.request, digest=this.digest, created_at=now
    )
    try:
        await saving.insert(uow, row)
    except saving.Taken as error:
        raise InFlight(
            "another request with this Idempotency-Key came at the same time; send it again"
        ) from error
    return now


async def answer(uow: UnitOfWork, this: Asked, given: Answered) -> None:
    """Keep what a claimed request is answered."""
    headers = [[name, value] for name, value in given.headers]
    await records.keep_answer(uow, this.access, this.key, given.status, headers, given.body)


async def give_up(uow: UnitOfWork, this: Asked, claimed_at: datetime) -> None:
    """Free a claimed key: its request changed nothing."""
    await records.drop_key(uow, this.access, this.key, claimed_at)


async def forget_old(uow: UnitOfWork, now: datetime) -> None:
    """Forget the keys that are kept no longer."""
    await records.drop_old_keys(uow, now - KEPT_FOR)
