"""Queries about tokens."""

from __future__ import annotations

from sqlalchemy import select, text

from service.records.listing import narrow, page
from service.records.store import UnitOfWork
from service.records.tables import Token


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
