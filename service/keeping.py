"""The commands that keep a store safe: copy, restore, move."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from sqlalchemy import make_url

from service.records.backup import BackupError, back_up, restore
from service.records.migrate import upgrade
from service.records.move import MoveError, move
from service.records.revision import current, head
from service.records.store import Store
from service.settings import Settings, SettingsError


async def run_backup(settings: Settings, file: Path, *, as_json: bool) -> int:
    """Copy the store to a file."""
    try:
        size = await back_up(settings.store_url(), file)
    except BackupError as error:
        return _failed(error)
    told = {"file": str(file), "bytes": size}
    print(json.dumps(told) if as_json else f"Copied the store to {file} ({size / 1e6:.1f} MB).")
    return 0


async def run_restore(settings: Settings, file: Path, *, as_json: bool) -> int:
    """Make an empty store hold what a file holds."""
    try:
        await restore(settings.store_url(), file)
    except BackupError as error:
        return _failed(error)
    store = Store.open(settings.store_url())
    try:
        revision = await current(store)
    finally:
        await store.close()
    if as_json:
        print(json.dumps({"file": str(file), "revision": revision, "upToDate": revision == head()}))
    else:
        following = "" if revision == head() else " Run `evenleaf migrate` before the service."
        print(f"Restored {file}; the store holds schema {revision}.{following}")
    return 0


async def run_move(settings: Settings, to: str, *, as_json: bool) -> int:
    """Move the SQLite store to PostgreSQL.

    Raises
    ------
    SettingsError
        If one of the two is not such a store.
    """
    url = _read(to[1:]) if to.startswith("@") else to
    if not url.startswith("postgresql+asyncpg://"):  # not shown: it may hold a password
        raise SettingsError(
            "--to takes a URL that begins with postgresql+asyncpg://, or @FILE that holds one"
        )
    own = make_url(settings.store_url())
    if own.get_backend_name() != "sqlite" or not own.database or not _is_there(own.database):
        raise SettingsError(
            "there is no SQLite store to move: EVENLEAF_DATABASE_URL must name it, or EVENLEAF_DATA_DIR its folder"
        )
    source, target = Store.open(settings.store_url()), Store.open(url)
    try:
        await upgrade(source)
        await upgrade(target)
        moved = await move(source, target)
    except MoveError as error:
        return _failed(error)
    finally:
        await source.close()
        await target.close()
    if as_json:
        print(json.dumps({"tables": {m.table: m.rows for m in moved}, "rows": sum(m.rows for m in moved)}))
    else:
        for one in moved:
            if one.rows:
                print(f"{one.rows:12,}  {one.table}")
        print(
            "Counts and sums are the same on both sides. Set EVENLEAF_DATABASE_URL to the new database and start the"
            f" service; keep {own.database} until you have seen it work."
        )
    return 0


def _read(file: str) -> str:
    try:
        return Path(file).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"--to @{file}: {error}") from error


def _is_there(file: str) -> bool:
    return Path(file).exists()


def _failed(error: Exception) -> int:
    print(f"evenleaf: {error}", file=sys.stderr)
    return 1
