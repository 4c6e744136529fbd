"""Who may: scopes, the farm they are limited to, and the tokens that carry them.

A scope allows what it names; ``write`` also allows ``read`` and ``record``, and ``admin`` allows everything.
``record`` is for what the crew does with wet hands: facts of batches, ticks of tasks, the house's log, pictures.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from service.clock import Clock
from service.records import access as records
from service.records.listing import find
from service.records.saving import insert
from service.records.store import UnitOfWork
from service.records.tables import Farm, Token
from service.work import fields
from service.work.errors import FieldProblem, NotAllowed, NotFound, impossible
from service.work.listing import DEFAULT_LIMIT, check_page

SCOPES = ("read", "record", "write", "ingest", "admin")
SECRET_PREFIX = "evl_"  # noqa: S105 - lets a secret scanner recognise a leaked one
TOUCH_TOKEN = timedelta(hours=1)
"""How exactly the last use of a token is known."""

_NAME = fields.text(100)
_INCLUDED = {"read": frozenset({"write"}), "record": frozenset({"write"})}


@dataclass(frozen=True)
class Access:
    """Someone who asks: what they are called and what they may."""

    name: str
    scopes: frozenset[str]
    farm_id: int | None  # none: every farm
    identity: str = field(default="", compare=False)
    """``token:3``, ``user:5``: the same for all that one asks."""
    user_id: int | None = field(default=None, compare=False)
    """The user, where a person has logged in."""

    def may(self, scope: str) -> bool:
        """Return whether a scope is allowed."""
        if "admin" in self.scopes or scope in self.scopes:
            return True
        return bool(_INCLUDED.get(scope, frozenset()) & self.scopes)


SYSTEM = Access("system", frozenset(SCOPES), None, "system")
"""Evenleaf itself."""


def require(access: Access, farm_id: int | None) -> None:
    """Refuse what belongs to another farm, as if it were not there.

    Raises
    ------
    NotFound
        If the access is limited to another farm than ``farm_id``; None stands for what belongs to no farm.
    """
    if access.farm_id is not None and access.farm_id != farm_id:
        raise NotFound("there is no such thing")


async def check_grant(uow: UnitOfWork, access: Access, farm_id: int | None) -> None:
    """Refuse to let someone into a farm that is not there, or into more than the asker may see.

    Raises
    ------
    Impossible
        If there is no such farm, as far as the asker may know.
    NotAllowed
        If it is every farm and the asker is limited to one.
    """
    if access.farm_id is not None and farm_id is None:
        raise NotAllowed(
            f"you may only give access to farm {access.farm_id}",
            FieldProblem("farm_id", "more than you may yourself"),
        )
    if farm_id is not None and (
        access.farm_id not in {None, farm_id} or await find(uow, Farm, farm_id) is None
    ):
        raise impossible("farm_id", f"there is no farm {farm_id}")


async def create_token(
    uow: UnitOfWork,
    clock: Clock,
    access: Access,
    name: str,
    scopes: Collection[str],
    farm_id: int | None,
    expires_at: datetime | None = None,
) -> tuple[Token, str]:
    """Make a token and return it with its secret, which is not kept and cannot be shown again.

    Raises
    ------
    Impossible
        If a scope is unknown or none is given, there is no such farm, or it would expire before it is made.
    NotAllowed
        If it would allow more than the asker may.
    """
    try:
        cleaned = _NAME(name)
    except ValueError as error:
        raise impossible("name", str(error)) from error
    if not scopes or not set(scopes) <= set(SCOPES):
        raise impossible("scopes", f"it must be one or more of {', '.join(SCOPES)}")
    beyond = [scope for scope in scopes if not access.may(scope)]
    if beyond:
        raise NotAllowed(
            f"you may not give {', '.join(sorted(set(beyond)))}",
            FieldProblem("scopes", "more than you may yourself"),
        )
    await check_grant(uow, access, farm_id)
    if expires_at is not None:
        try:
            expires_at = fields.moment(expires_at)
        except ValueError as error:
            raise impossible("expires_at", str(error)) from error
        if expires_at <= clock.now():
            raise impossible("expires_at", f"it is past; it is {clock.now():%Y-%m-%dT%H:%M:%SZ} now")
    return await _issue(uow, clock, cleaned, scopes, farm_id, expires_at)


async def _issue(
    uow: UnitOfWork,
    clock: Clock,
    name: str,
    scopes: Collection[str],
    farm_id: int | None,
    expires_at: datetime | None = None,
) -> tuple[Token, str]:
    secret = SECRET_PREFIX + secrets.token_urlsafe(32)
    token = Token(
        name=name,
        secret_hash=digest(secret),
        scopes=[scope for scope in SCOPES if scope in scopes],
        created_at=clock.now(),
        farm_id=farm_id,
        expires_at=expires_at,
    )
    await insert(uow, token)
    return token, secret


@dataclass(frozen=True)
class TokenFound:
    """What a secret that works allows."""

    access: Access
    expires_at: datetime | None
    stale: bool
    """Its last use is not known to the hour any more; see :func:`touch_token`."""


async def find_token(uow: UnitOfWork, clock: Clock, secret: str) -> TokenFound | None:
    """Return what a secret allows, or None if it is unknown, revoked or expired."""
    secret_hash = digest(secret)
    token = await records.find_token(uow, secret_hash)
    # The index found it by a hash of 256 random bits, so timing tells nothing; compared again all the same.
    if (
        token is None
        or not hmac.compare_digest(token.secret_hash, secret_hash)
        or token.revoked_at is not None
    ):
        return None
    now = clock.now()
    if token.expires_at is not None and token.expires_at <= now:
        return None
    access = Access(token.name, frozenset(token.scopes), token.farm_id, f"token:{token.id}")
    stale = token.last_used_at is None or now - token.last_used_at >= TOUCH_TOKEN
    return TokenFound(access, token.expires_at, stale)


def still(found: TokenFound, clock: Clock) -> TokenFound | None:
    """Return what was found, or None if it has expired since."""
    return None if found.expires_at is not None and found.expires_at <= clock.now() else found


async def find_access(uow: UnitOfWork, clock: Clock, secret: str) -> Access | None:
    """Return who asks with a secret, or None if it is unknown, revoked or expired."""
    found = await find_token(uow, clock, secret)
    return None if found is None else found.access


async def touch_token(uow: UnitOfWork, clock: Clock, secret: str) -> None:
    """Note that a token is in use."""
    await records.touch_token(uow, digest(secret), clock.now())


async def list_tokens(
    uow: UnitOfWork, access: Access, *, after: int | None = None, limit: int = DEFAULT_LIMIT
) -> tuple[list[Token], int | None]:
    """Return the tokens the asker may know of, revoked ones included, and the id to go on after."""
    check_page(after, limit)
    return await records.page_tokens(uow, within_farm=access.farm_id, after=after, limit=limit)


async def revoke_token(uow: UnitOfWork, clock: Clock, access: Access, token_id: int) -> Token:
    """End a token for good; ending it twice is the same as once."""
    token = await find(uow, Token, token_id)
    if token is None:
        raise NotFound(f"there is no token {token_id}")
    require(access, token.farm_id)
    if token.revoked_at is None:
        token.revoked_at = clock.now()
        await uow.flush()
    return token


async def first_token(uow: UnitOfWork, clock: Clock) -> str | None:
    """Return the secret of a new admin token if there has never been a token, else None."""
    if await records.any_token(uow):
        return None
    _, secret = await _issue(uow, clock, "first", SCOPES, None)
    return secret


def digest(secret: str) -> str:
    """Return what is kept of a secret of 256 random bits: nobody finds it back, so it needs no salt."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()
