"""Queries about tokens, users, their sessions, and log-ins that failed."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import delete, select, text, update

from service.records.listing import narrow, page
from service.records.store import UnitOfWork, upsert
from service.records.tables import LoginThrottle, Session, Token, User

# --------------------------------------------------------------------------- tokens


async def find_token(uow: UnitOfWork, secret_hash: str) -> Token | None:
    """Return the token with this hash, revoked or not."""
    found: Token | None = await uow.session.scalar(select(Token).where(Token.secret_hash == secret_hash))
    return found


async def any_token(uow: UnitOfWork) -> bool:
    """Return whether there is any token, revoked ones included; nobody makes one until this transaction ends."""
    if uow.dialect == "postgresql":  # a write transaction of SQLite is alone anyway
        await uow.session.execute(text("LOCK TABLE token IN SHARE ROW EXCLUSIVE MODE"))
    return await uow.session.scalar(select(Token.id).limit(1)) is not None


async def page_tokens(
    uow: UnitOfWork, *, within_farm: int | None, after: int | None, limit: int
) -> tuple[list[Token], int | None]:
    """Return a page of tokens, revoked ones included."""
    return await page(uow, narrow(select(Token), (Token.farm_id, within_farm)), Token.id, after, limit)


async def touch_token(uow: UnitOfWork, secret_hash: str, at: datetime) -> None:
    """Note when a token was used: past the session, for that is no change of who may (:mod:`service.records.marks`)."""
    connection = await uow.connection()
    await connection.execute(update(Token).where(Token.secret_hash == secret_hash).values(last_used_at=at))


# --------------------------------------------------------------------------- users


async def find_user(uow: UnitOfWork, login: str) -> User | None:
    """Return the user who logs in by this name, active or not."""
    found: User | None = await uow.session.scalar(select(User).where(User.login == login))
    return found


async def any_user(uow: UnitOfWork, *, alone: bool = False) -> bool:
    """Return whether there is any user; ``alone``: nobody makes one until this transaction ends."""
    if alone and uow.dialect == "postgresql":
        await uow.session.execute(text('LOCK TABLE "user" IN SHARE ROW EXCLUSIVE MODE'))
    return await uow.session.scalar(select(User.id).limit(1)) is not None


async def page_users(
    uow: UnitOfWork, *, within_farm: int | None, after: int | None, limit: int
) -> tuple[list[User], int | None]:
    """Return a page of users, inactive ones included."""
    return await page(uow, narrow(select(User), (User.farm_id, within_farm)), User.id, after, limit)


async def keep_rehashed(uow: UnitOfWork, user_id: int, old_hash: str, new_hash: str) -> None:
    """Replace the hash of a password by another of the same, unless the password was changed meanwhile."""
    await uow.session.execute(
        update(User)
        .where(User.id == user_id, User.password_hash == old_hash)
        .values(password_hash=new_hash, version=User.version + 1)
    )


# --------------------------------------------------------------------------- sessions


async def find_session(uow: UnitOfWork, secret_hash: str) -> tuple[Session, User] | None:
    """Return the session with this hash, ended or not, and whose it is."""
    found = (
        await uow.session.execute(
            select(Session, User)
            .join(User, User.id == Session.user_id)
            .where(Session.secret_hash == secret_hash)
        )
    ).first()
    return None if found is None else (found[0], found[1])


async def touch_session(uow: UnitOfWork, session_id: int, at: datetime) -> None:
    """Note when a session was used."""
    await uow.session.execute(update(Session).where(Session.id == session_id).values(seen_at=at))


async def end_session(uow: UnitOfWork, session_id: int, at: datetime) -> None:
    """End a session; one that has ended stays as it is."""
    await uow.session.execute(
        update(Session).where(Session.id == session_id, Session.ended_at.is_(None)).values(ended_at=at)
    )


async def end_sessions(uow: UnitOfWork, user_id: int, at: datetime, *, but: int | None = None) -> None:
    """End all sessions of a user, ``but`` one."""
    statement = update(Session).where(Session.user_id == user_id, Session.ended_at.is_(None))
    if but is not None:
        statement = statement.where(Session.id != but)
    await uow.session.execute(statement.values(ended_at=at))


async def drop_sessions(uow: UnitOfWork, expired_before: datetime) -> None:
    """Forget sessions that ran out before a moment."""
    await uow.session.execute(delete(Session).where(Session.expires_at < expired_before))


# --------------------------------------------------------------------------- log-ins that failed


async def throttle(uow: UnitOfWork, key: str, now: datetime) -> LoginThrottle:
    """Return the count of a key, made if it is not there; others wait for it until this transaction ends."""
    table = LoginThrottle.__table__
    row = {"key": key, "failures": 0, "last_at": now, "blocked_until": None}
    # Setting the key to itself takes the row's lock.
    await upsert(uow, table, [row], ["key"], ["key"])  # type: ignore[arg-type]
    return await uow.session.get_one(LoginThrottle, key, populate_existing=True)


async def forget_failures(uow: UnitOfWork, key: str) -> None:
    """Forget what failed of a key."""
    await uow.session.execute(delete(LoginThrottle).where(LoginThrottle.key == key))


async def take_back_failure(uow: UnitOfWork, key: str) -> None:
    """Count one failure of a key less."""
    await uow.session.execute(
        update(LoginThrottle)
        .where(LoginThrottle.key == key, LoginThrottle.failures > 0)
        .values(failures=LoginThrottle.failures - 1, blocked_until=None)
    )


async def drop_failures(uow: UnitOfWork, before: datetime) -> None:
    """Forget what failed last before a moment."""
    await uow.session.execute(delete(LoginThrottle).where(LoginThrottle.last_at < before))
