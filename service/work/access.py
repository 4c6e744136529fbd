"""Who may: tokens, their scopes and the farm they are limited to.

A scope allows what it names; ``write`` also allows ``read``, and ``admin`` allows everything.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Collection
from dataclasses import dataclass

from service.clock import Clock
from service.records import access as token_records
from service.records.listing import find
from service.records.saving import insert
from service.records.store import UnitOfWork
from service.records.tables import Farm, Token
from service.work import fields
from service.work.errors import FieldProblem, NotAllowed, NotFound, impossible
from service.work.listing import DEFAULT_LIMIT, check_page

SCOPES = ("read", "write", "ingest", "admin")
SECRET_PREFIX = "evl_"  # noqa: S105 - lets a secret scanner recognise a leaked one

_NAME = fields.text(100)


@dataclass(frozen=True)
class Access:
    """Someone who asks: what they are called and what they may."""

    name: str
    scopes: frozenset[str]
    farm_id: int | None  # none: every farm

    def may(self, scope: str) -> bool:
        """Return whether a scope is allowed."""
        if "admin" in self.scopes or scope in self.scopes:
            return True
        return scope == "read" and "write" in self.scopes


SYSTEM = Access("system", frozenset(SCOPES), None)
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


async def create_token(
    uow: UnitOfWork,
    clock: Clock,
    access: Access,
    name: str,
    scopes: Collection[str],
    farm_id: int | None,
) -> tuple[Token, str]:
    """Make a token and return it with its secret, which is not kept and cannot be shown again.

    Raises
    ------
    Impossible
        If a scope is unknown or none is given, or there is no such farm.
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
    if access.farm_id is not None and farm_id is None:
        raise NotAllowed(
            f"you may only give access to farm {access.farm_id}",
            FieldProblem("farm_id", "more than you may yourself"),
        )
    if farm_id is not None and (
        access.farm_id not in {None, farm_id} or await find(uow, Farm, farm_id) is None
    ):
        raise impossible("farm_id", f"there is no farm {farm_id}")
    return await _issue(uow, clock, cleaned, scopes, farm_id)


async def _issue(
    uow: UnitOfWork, clock: Clock, name: str, scopes: Collection[str], farm_id: int | None
) -> tuple[Token, str]:
    secret = SECRET_PREFIX + secrets.token_urlsafe(32)
    token = Token(
        name=name,
        secret_hash=_hash(secret),
        scopes=[scope for scope in SCOPES if scope in scopes],
        created_at=clock.now(),
        farm_id=farm_id,
    )
    await insert(uow, token)
    return token, secret


async def find_access(uow: UnitOfWork, secret: str) -> Access | None:
    """Return what a secret allows, or None if it is unknown or revoked."""
    secret_hash = _hash(secret)
    token = await token_records.find_token(uow, secret_hash)
    # The index found it by a hash of 256 random bits, so timing tells nothing; compared again all the same.
    if (
        token is None
        or not hmac.compare_digest(token.secret_hash, secret_hash)
        or token.revoked_at is not None
    ):
        return None
    return Access(token.name, frozenset(token.scopes), token.farm_id)


async def list_tokens(
    uow: UnitOfWork, access: Access, *, after: int | None = None, limit: int = DEFAULT_LIMIT
) -> tuple[list[Token], int | None]:
    """Return the tokens the asker may know of, revoked ones included, and the id to go on after."""
    check_page(after, limit)
    return await token_records.page_tokens(uow, within_farm=access.farm_id, after=after, limit=limit)


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
    if await token_records.any_token(uow):
        return None
    _, secret = await _issue(uow, clock, "first", SCOPES, None)
    return secret


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()
