"""Sessions: logging in with a password, staying logged in, logging out; and how often one may try.

Lifetimes count real time, since people live in it, however fast a simulated clock runs.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.clock import Clock
from service.records import access as records
from service.records.saving import insert
from service.records.store import Store, UnitOfWork
from service.records.tables import Session, User
from service.work.access import Access, digest
from service.work.errors import WorkError
from service.work.passwords import verified
from service.work.users import access_of

TOUCH = timedelta(minutes=5)
"""How exactly it is known when a session was last used."""

FREE_OF_ACCOUNT, FREE_OF_ADDRESS = 5, 20
"""Failures after which one has to wait: of one account, and from one address, where several may work."""
FIRST_WAIT_S, LONGEST_WAIT_S = 2.0, 900.0
"""The wait doubles from failure to failure."""
FORGOTTEN_AFTER = timedelta(hours=2)
"""After so long without another, failures count no more."""


class WrongLogin(WorkError):  # noqa: N818 - read as an answer
    """No user of that name, or another password; which of the two is not said."""


class TooMany(WorkError):  # noqa: N818
    """Too many have failed; ``retry_after_s`` says for how long none is tried."""

    def __init__(self, detail: str, retry_after_s: int) -> None:
        super().__init__(detail)
        self.retry_after_s = retry_after_s


@dataclass(frozen=True)
class Lifetimes:
    """How long a session lasts."""

    idle: timedelta = timedelta(days=7)
    """Since it was last used."""
    whole: timedelta = timedelta(days=30)
    """Since the log-in, however much it is used."""


@dataclass(frozen=True)
class SignedIn:
    """A session that lets in."""

    access: Access
    session_id: int
    csrf: str
    """To be sent with every change; only pages of our own can know it."""
    stale: bool
    """Its last use is to be noted; see :func:`touch`."""


def csrf_of(secret: str) -> str:
    """Return the token that a session's own forms carry; the secret cannot be found from it."""
    return hmac.new(secret.encode("utf-8", "surrogatepass"), b"csrf", hashlib.sha256).hexdigest()


def _on_clock(clock: Clock, real: timedelta) -> timedelta:
    return real * clock.rate if clock.rate > 1.0 else real


async def log_in(
    store: Store,
    clock: Clock,
    login: str,
    password: str,
    address: str,
    device: str,
    lifetimes: Lifetimes,
    *,
    wall: Clock,
) -> tuple[str, User]:
    """Log a user in and return the new session's secret.

    An attempt counts as failed before it is tried, so that many at once do not slip through; one that succeeds
    is forgotten. The counts are in the store, so that every replica keeps to them. Waits are by ``wall``, the
    machine's time: whoever guesses lives in it, and a simulated clock that stands still would never let in again.

    Raises
    ------
    TooMany
        If too many have failed, whoever is right this time.
    WrongLogin
        If there is no such active user or the password is another.
    """
    login = login.strip().casefold()
    keys = (_key("account", login), _key("address", address))
    async with store.write() as uow:
        await _count(uow, wall, keys)
        user = await records.find_user(uow, login)
    right, renewed = await verified(user.password_hash if user and user.active else None, password)
    if user is None or not right:
        raise WrongLogin("The name or the password is wrong.")
    async with store.write() as uow:
        # Only this attempt of the address is taken back: one's own account must not clear the way to others'.
        await records.forget_failures(uow, keys[0])
        await records.take_back_failure(uow, keys[1])
        if renewed is not None:
            await records.keep_rehashed(uow, user.id, user.password_hash, renewed)
        return await _begin(uow, clock, user, device, lifetimes), user


async def begin(uow: UnitOfWork, clock: Clock, user: User, device: str, lifetimes: Lifetimes) -> str:
    """Begin a session of a user whose password was just set, and return its secret."""
    return await _begin(uow, clock, user, device, lifetimes)


async def _begin(uow: UnitOfWork, clock: Clock, user: User, device: str, lifetimes: Lifetimes) -> str:
    secret = secrets.token_urlsafe(32)
    now = clock.now()
    shown = "".join(c for c in device if c.isprintable())[:200]
    session = Session(
        secret_hash=digest(secret),
        user_id=user.id,
        created_at=now,
        seen_at=now,
        expires_at=now + _on_clock(clock, lifetimes.whole),
        device=shown,
    )
    await insert(uow, session)
    return secret


async def find_session(uow: UnitOfWork, clock: Clock, secret: str, lifetimes: Lifetimes) -> SignedIn | None:
    """Return who has logged in with this session, or None if it has ended, ran out or is unknown."""
    found = await records.find_session(uow, digest(secret))
    if found is None:
        return None
    session, user = found
    now = clock.now()
    idle = now - session.seen_at
    if (
        session.ended_at is not None
        or not user.active
        or session.expires_at <= now
        or idle >= _on_clock(clock, lifetimes.idle)
    ):
        return None
    return SignedIn(access_of(user), session.id, csrf_of(secret), stale=idle >= _on_clock(clock, TOUCH))


async def touch(uow: UnitOfWork, clock: Clock, session_id: int) -> None:
    """Note that a session is in use."""
    await records.touch_session(uow, session_id, clock.now())


async def log_out(uow: UnitOfWork, clock: Clock, session_id: int) -> None:
    """End a session."""
    await records.end_session(uow, session_id, clock.now())


def wait_s(failures: int, free: int) -> float:
    """Return how long nothing is tried after so many failures, of which the first ``free`` cost nothing."""
    if failures < free:
        return 0.0
    return min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(failures - free, 20))


async def _count(uow: UnitOfWork, wall: Clock, keys: tuple[str, str]) -> None:
    now = wall.now()
    for key, free in zip(keys, (FREE_OF_ACCOUNT, FREE_OF_ADDRESS), strict=True):
        row = await records.throttle(uow, key, now)
        if row.blocked_until is not None and row.blocked_until > now:
            seconds = max(1, round((row.blocked_until - now).total_seconds()))
            raise TooMany(f"Too many log-ins have failed; try again in {_said(seconds)}.", seconds)
        if now - row.last_at >= FORGOTTEN_AFTER:
            row.failures = 0
        row.failures += 1
        row.last_at = now
        wait = timedelta(seconds=wait_s(row.failures, free))
        row.blocked_until = now + wait if wait else None
    await uow.flush()


def _said(seconds: int) -> str:
    return f"{seconds} seconds" if seconds < 120 else f"{-(-seconds // 60)} minutes"


def _key(kind: str, value: str) -> str:
    # A digest: names that were typed wrong may be passwords.
    return f"{kind}:{hashlib.sha256(value.encode('utf-8', 'surrogatepass')).hexdigest()[:40]}"


async def forget_old(uow: UnitOfWork, now: datetime, wall: datetime) -> None:
    """Forget sessions that ran out a month ago, and failures of long ago by the machine's time."""
    await records.drop_sessions(uow, now - timedelta(days=30))
    await records.drop_failures(uow, wall - timedelta(days=1))
