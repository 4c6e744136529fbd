"""Keys that clients gave with their requests, and what these were answered."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import delete, update

from service.records.store import UnitOfWork
from service.records.tables import IdempotencyKey


async def find_key(uow: UnitOfWork, access: str, key: str) -> IdempotencyKey | None:
    """Return what is kept of a key."""
    return await uow.session.get(IdempotencyKey, (access, key))


async def delete_key(uow: UnitOfWork, row: IdempotencyKey) -> None:
    """Forget a key."""
    await uow.session.delete(row)
    await uow.flush()


async def drop_key(uow: UnitOfWork, access: str, key: str, created_at: datetime) -> None:
    """Forget a key that was claimed at a moment and not answered."""
    await uow.session.execute(
        delete(IdempotencyKey).where(
            IdempotencyKey.access == access,
            IdempotencyKey.key == key,
            IdempotencyKey.created_at == created_at,
            IdempotencyKey.status.is_(None),
        )
    )


async def keep_answer(
    uow: UnitOfWork, access: str, key: str, status: int, headers: list[list[str]], body: bytes
) -> None:
    """Keep what a request with a key was answered."""
    values: dict[str, Any] = {"status": status, "headers": headers, "body": body}
    await uow.session.execute(
        update(IdempotencyKey)
        .where(IdempotencyKey.access == access, IdempotencyKey.key == key)
        .values(values)
    )


async def drop_old_keys(uow: UnitOfWork, before: datetime) -> None:
    """Forget the keys of requests before a moment."""
    await uow.session.execute(delete(IdempotencyKey).where(IdempotencyKey.created_at < before))
