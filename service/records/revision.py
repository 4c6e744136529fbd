"""Which revision a store is at, and which one this version works with; to change it takes service.records.migrate."""

from __future__ import annotations

import re
from importlib.resources import files

from sqlalchemy import inspect, text

from service.records.store import Store

_NAME = re.compile(r"(\d{4})_\w+\.py")


async def current(store: Store) -> str | None:
    """Return the revision the store is at, or none if it has no tables yet."""
    async with store.engine.connect() as connection:
        if not await connection.run_sync(lambda c: inspect(c).has_table("alembic_version")):
            return None
        found: str | None = await connection.scalar(text("SELECT version_num FROM alembic_version"))
        return found


def head() -> str:
    """Return the revision that this version of Evenleaf works with: the highest number among the migrations."""
    names = (_NAME.fullmatch(file.name) for file in files("service.records.migrations.versions").iterdir())
    return max(name[1] for name in names if name)
