"""Whether the database answers."""

from __future__ import annotations

from sqlalchemy import text

from service.records.store import UnitOfWork


async def answers(uow: UnitOfWork) -> None:
    """Ask the database for nothing but an answer; raises if there is none."""
    await uow.session.execute(text("SELECT 1"))
