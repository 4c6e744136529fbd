"""Users: people who log in, what their role lets them do, and their passwords.

| role | scopes |
|---|---|
| owner | everything of the farm, or of every farm |
| grower | read and write |
| crew | read, and record what was done |
| viewer | read |
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.clock import Clock
from service.records import access as records
from service.records.listing import find, known
from service.records.store import Store, UnitOfWork
from service.records.tables import User
from service.work import fields, saving, throttle
from service.work.access import SYSTEM, Access, check_grant, require
from service.work.errors import Conflict, FieldProblem, NotAllowed, NotFound, impossible
from service.work.fields import Field, checked_changes, checked_new
from service.work.listing import DEFAULT_LIMIT, check_page
from service.work.passwords import check_password, hashed, verified

ROLES = ("owner", "grower", "crew", "viewer")
SCOPES_OF_ROLE = {
    "owner": frozenset({"admin"}),
    "grower": frozenset({"read", "write"}),
    "crew": frozenset({"read", "record"}),
    "viewer": frozenset({"read"}),
}

_LOGIN = re.compile(r"[\w.+@-]{2,200}")
_TAKEN = FieldProblem("login", "another user has this log-in name")


def login_name(value: Any) -> str:
    """Check a log-in name or mail address; case does not matter."""
    cleaned = value.strip().casefold() if isinstance(value, str) else ""
    if not _LOGIN.fullmatch(cleaned):
        raise ValueError("it must be a name or mail address of 2 to 200 letters, digits and . _ + @ -")
    return cleaned


_USER = {
    "login": Field(login_name, required=True, fixed=True),
    "display_name": Field(fields.text(100)),
    "role": Field(fields.one_of(*ROLES), required=True),
    "farm_id": Field(fields.reference, nullable=True),
    "active": Field(fields.flag),
}


def access_of(user: User) -> Access:
    """Return what a user may."""
    return Access(user.display_name, SCOPES_OF_ROLE[user.role], user.farm_id, f"user:{user.id}", user.id)


@dataclass(frozen=True)
class NewUser:
    """A user to be made, checked and with the password hashed: hashing takes long and stays out of transactions."""

    values: Mapping[str, Any]
    password_hash: str


async def prepare_user(values: Mapping[str, Any], password: str) -> NewUser:
    """Check what makes a user, and hash the password.

    Raises
    ------
    Impossible
        If a field or the password cannot be.
    """
    cleaned = checked_new(_USER, values)
    check_password(password, cleaned["login"])
    cleaned.setdefault("display_name", cleaned["login"])
    return NewUser(cleaned, await hashed(password))


async def create_user(uow: UnitOfWork, clock: Clock, access: Access, new: NewUser) -> User:
    """Make a user.

    Raises
    ------
    Conflict
        If the log-in name is taken.
    NotAllowed
        If the user might more than the asker.
    """
    await check_grant(uow, access, new.values.get("farm_id"))
    now = clock.now()
    user = User(**new.values, password_hash=new.password_hash, created_at=now, password_changed_at=now)
    await saving.insert(uow, user, _TAKEN)
    return user


async def create_first_owner(uow: UnitOfWork, clock: Clock, new: NewUser) -> User:
    """Make the first user, who owns every farm.

    Raises
    ------
    Conflict
        If there is a user already.
    """
    if await records.any_user(uow, alone=True):
        raise Conflict("there are users already; log in, or have an owner make you a user")
    owner = {**new.values, "role": "owner", "farm_id": None, "active": True}
    return await create_user(uow, clock, SYSTEM, NewUser(owner, new.password_hash))


async def any_user(uow: UnitOfWork) -> bool:
    """Return whether there is any user yet."""
    return await records.any_user(uow)


async def get_user(uow: UnitOfWork, access: Access, user_id: int) -> User:
    """Return a user that the asker may know of: of the asker's farm."""
    user = await find(uow, User, user_id)
    if user is None:
        raise NotFound(f"there is no user {user_id}")
    require(access, user.farm_id)
    return user


async def get_user_by_login(uow: UnitOfWork, login: str) -> User:
    """Return the user with a log-in name."""
    user = await records.find_user(uow, login.strip().casefold())
    if user is None:
        raise NotFound(f"there is no user {login}")
    return user


async def list_users(
    uow: UnitOfWork, access: Access, *, after: int | None = None, limit: int = DEFAULT_LIMIT
) -> tuple[list[User], int | None]:
    """Return the users the asker may know of, inactive ones included, and the id to go on after."""
    check_page(after, limit)
    return await records.page_users(uow, within_farm=access.farm_id, after=after, limit=limit)


async def change_user(
    uow: UnitOfWork,
    clock: Clock,
    access: Access,
    user_id: int,
    changes: Mapping[str, Any],
    expected_version: int | None = None,
) -> User:
    """Change a user; one made inactive is logged out everywhere.

    Raises
    ------
    NotAllowed
        If askers would take their own role or farm, or switch themselves off, or the user might more than they.
    """
    user = await get_user(uow, access, user_id)
    cleaned = checked_changes(_USER, user, changes)
    own = [
        name
        for name in ("role", "farm_id", "active")
        if cleaned.get(name, getattr(user, name)) != getattr(user, name)
    ]
    if own and access.user_id == user.id:
        raise NotAllowed(
            "you cannot change this of yourself; another owner can",
            *(FieldProblem(name, "not of yourself") for name in own),
        )
    if "farm_id" in cleaned:
        await check_grant(uow, access, cleaned["farm_id"])
    await saving.update(uow, user, cleaned, expected_version, _TAKEN)
    if not user.active:
        await records.end_sessions(uow, user.id, clock.now())
    return user


async def change_own_password(
    store: Store,
    clock: Clock,
    access: Access,
    current: str,
    new: str,
    *,
    keep_session: int | None,
    address: str,
    wall: Clock,
) -> None:
    """Change the asker's own password and log them out everywhere but in the session that asks.

    The present password may be tried as often as at the log-in, and what fails here counts there.

    Raises
    ------
    Impossible
        If the present password is another, or the new one cannot be.
    NotAllowed
        If the asker is no user.
    TooMany
        If too many tries have failed.
    """
    if access.user_id is None:
        raise NotAllowed("only a user who has logged in has a password")
    async with store.write() as uow:
        user = await known(uow, User, access.user_id)
        await throttle.count(uow, wall, user.login, address)
    right, _ = await verified(user.password_hash, current)
    if not right:
        raise impossible("current_password", "it is not your present password")
    async with store.write() as uow:
        await throttle.succeeded(uow, user.login, address)
    check_password(new, user.login, "new_password")
    password_hash = await hashed(new)
    async with store.write() as uow:
        user = await known(uow, User, access.user_id)
        await set_password(uow, clock, user, password_hash, keep_session=keep_session)


async def set_password(
    uow: UnitOfWork, clock: Clock, user: User, password_hash: str, *, keep_session: int | None = None
) -> None:
    """Give a user another password and log them out everywhere, but where it is done."""
    now = clock.now()
    changes = {"password_hash": password_hash, "password_changed_at": now}
    await saving.update(uow, user, changes, None, _TAKEN)
    await records.end_sessions(uow, user.id, now, but=keep_session)


async def end_sessions(uow: UnitOfWork, clock: Clock, access: Access, user_id: int) -> None:
    """Log a user out everywhere."""
    user = await get_user(uow, access, user_id)
    await records.end_sessions(uow, user.id, clock.now())
