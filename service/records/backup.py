"""Copies of a whole store, made while it is in use, and stores made from them.

SQLite: its backup interface, in one read transaction, so that writers go on. PostgreSQL: ``pg_dump`` and
``pg_restore``, which must be installed beside this program and be at least as new as the server. A copy is written
under another name and takes its own only when it is whole. Nothing is restored over records: the store that takes
them must be empty.
"""

from __future__ import annotations

import asyncio
import os
import shutil
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

from sqlalchemy import URL, make_url

_SQLITE = b"SQLite format 3\x00"
_PG_DUMP = b"PGDMP"


class BackupError(Exception):
    """A copy could not be made or taken; the message says why and what would be right."""


async def back_up(url: str, file: Path) -> int:
    """Write all that is committed now to a file, and return its size in bytes.

    Raises
    ------
    BackupError
        If the file is there already, or the copy cannot be made.
    """
    part = _begin(file)
    parsed = make_url(url)
    try:
        if parsed.get_backend_name() == "sqlite":
            await asyncio.to_thread(_copy_sqlite, _file_of(parsed), part)
        else:
            await _run_tool(
                parsed, "pg_dump", "--format=custom", "--no-owner", "--no-privileges", f"--file={part}"
            )
        return _end(part, file)
    finally:
        part.unlink(missing_ok=True)


def _begin(file: Path) -> Path:
    if file.exists():
        raise BackupError(f"{file} is there already; name a file that is not")
    if not file.parent.is_dir():
        raise BackupError(f"{file.parent} is not a folder")
    part = file.with_name(f"{file.name}.part")
    part.unlink(missing_ok=True)
    os.close(
        os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
    )  # it holds everything: for its owner only
    return part


def _end(part: Path, file: Path) -> int:
    with part.open("rb") as written:
        os.fsync(written.fileno())
    part.rename(file)
    return file.stat().st_size


async def restore(url: str, file: Path) -> None:
    """Make an empty store hold what a file holds.

    Raises
    ------
    BackupError
        If the file is no copy of such a store, or the store is not empty.
    """
    head = _head(file)
    parsed = make_url(url)
    embedded = parsed.get_backend_name() == "sqlite"
    if not head.startswith(_SQLITE if embedded else _PG_DUMP):
        other = head.startswith((_SQLITE, _PG_DUMP))
        raise BackupError(
            f"{file} is a copy of a store of the other kind; restore it to one of its own kind, and move SQLite to"
            " PostgreSQL with `evenleaf migrate --to URL`"
            if other
            else f"{file} is no copy of a store: `evenleaf backup` makes such files"
        )
    if embedded:
        await asyncio.to_thread(_restore_sqlite, file, _file_of(parsed))
        return
    tables = await _run_tool(
        parsed, "psql", "--no-psqlrc", "--tuples-only", "--no-align", "--command", _COUNT_TABLES
    )
    if tables.strip() != "0":
        raise BackupError(
            f"the database {parsed.database} is not empty; make a new one with createdb and name it in"
            " EVENLEAF_DATABASE_URL"
        )
    await _run_tool(
        parsed,
        "pg_restore",
        "--exit-on-error",
        "--single-transaction",
        "--no-owner",
        "--no-privileges",
        str(file),
    )


def _head(file: Path) -> bytes:
    try:
        with file.open("rb") as given:
            return given.read(len(_SQLITE))
    except OSError as error:
        raise BackupError(f"{file}: {error.strerror}") from error


_COUNT_TABLES = (
    "SELECT count(*) FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace"
    " WHERE c.relkind IN ('r', 'p', 'v', 'S') AND n.nspname = 'public'"
)


def _file_of(url: URL) -> Path:
    if not url.database or url.database == ":memory:":
        raise BackupError("a store in memory has nothing to copy")
    return Path(url.database)


def _copy_sqlite(source: Path, target: Path) -> None:
    if not source.exists():
        raise BackupError(f"there is no store at {source}")
    try:
        with (
            closing(sqlite3.connect(source, timeout=30.0)) as given,
            closing(sqlite3.connect(target, timeout=30.0)) as made,
        ):
            given.backup(made)
            made.execute("PRAGMA journal_mode=DELETE")  # one file, without a log beside it
            _check_sqlite(made, target)
    except sqlite3.Error as error:
        raise BackupError(f"{source}: {error}") from error


def _check_sqlite(connection: sqlite3.Connection, file: Path) -> None:
    found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        raise BackupError(f"{file} is damaged: {found}")


def _restore_sqlite(file: Path, target: Path) -> None:
    if target.exists():
        raise BackupError(
            f"there is a store at {target} already; stop the service, move that file (with {target.name}-wal and"
            f" {target.name}-shm) away and restore again"
        )
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(f"{target.name}.part")
    try:
        shutil.copyfile(file, part)
        part.chmod(0o600)
        with closing(sqlite3.connect(part)) as made:
            _check_sqlite(made, file)
            if not made.execute("SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'").fetchone():
                raise BackupError(f"{file} is a SQLite file, but not one of Evenleaf's")
        with part.open("rb") as written:
            os.fsync(written.fileno())
        part.rename(target)
    except sqlite3.Error as error:
        raise BackupError(f"{file}: {error}") from error
    finally:
        with suppress(FileNotFoundError):
            part.unlink()


async def _run_tool(url: URL, tool: str, *arguments: str) -> str:
    """Run one of PostgreSQL's tools on a database; return what it prints. The password is not in its arguments."""
    if shutil.which(tool) is None:
        raise BackupError(
            f"{tool} is not installed here: install PostgreSQL's client programs, of the server's version or newer"
        )
    environment = dict(os.environ)
    for name, value in (
        ("PGHOST", url.host or url.query.get("host")),
        ("PGPORT", url.port),
        ("PGUSER", url.username),
        ("PGPASSWORD", url.password),
        ("PGDATABASE", url.database),
        ("PGSSLMODE", url.query.get("ssl") or url.query.get("sslmode")),
    ):
        if value:
            environment[name] = str(value)
    process = await asyncio.create_subprocess_exec(
        tool,
        *([] if tool != "pg_restore" else [f"--dbname={url.database}"]),
        *arguments,
        env=environment,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    try:
        printed, said = await process.communicate()
    except BaseException:
        with suppress(ProcessLookupError):
            process.kill()
        await process.wait()
        raise
    if process.returncode:
        raise BackupError(f"{tool}: {said.decode(errors='replace').strip()}")
    return printed.decode(errors="replace")
