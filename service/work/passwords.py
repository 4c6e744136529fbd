"""Passwords: what they may be, and their hashes (Argon2id, RFC 9106).

A hash takes a core and 64 MiB for some tens of milliseconds on purpose, so hashes are computed by two threads of
their own: a flood of log-ins slows other log-ins, not the house.
"""

from __future__ import annotations

import asyncio
import unicodedata
from concurrent.futures import ThreadPoolExecutor

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from service.work.errors import impossible

SHORTEST, LONGEST = 10, 200

_hasher = PasswordHasher()  # the library's defaults are RFC 9106's second recommendation
_threads = ThreadPoolExecutor(2, thread_name_prefix="password")


def check_password(password: str, login: str, field: str = "password") -> None:
    """Refuse a password that is too short, too long, or the log-in name.

    Raises
    ------
    Impossible
        If it cannot be taken.
    """
    if not SHORTEST <= len(password) <= LONGEST:
        raise impossible(
            field, f"it must have {SHORTEST} to {LONGEST} characters; a short sentence does well"
        )
    if login.casefold() in {password.casefold(), password.casefold().strip()} or len(set(password)) < 4:
        raise impossible(
            field, "it is too easy to guess: it must differ from the log-in name and not repeat itself"
        )


async def hashed(password: str) -> str:
    """Return the hash of a password."""
    return await asyncio.get_running_loop().run_in_executor(_threads, _hasher.hash, _same(password))


async def verified(password_hash: str | None, password: str) -> tuple[bool, str | None]:
    """Return whether a password is the one of a hash, and a new hash of it if the old one is out of date.

    Without a hash (nobody of that name) the answer is no, and takes as long.
    """
    return await asyncio.get_running_loop().run_in_executor(_threads, _verify, password_hash, password)


def _verify(password_hash: str | None, password: str) -> tuple[bool, str | None]:
    if len(password) > LONGEST:
        password = ""
    try:
        _hasher.verify(password_hash or _nobody(), _same(password))
    except (VerificationError, InvalidHashError):
        return False, None
    if password_hash is None:
        return False, None
    renewed = _hasher.hash(_same(password)) if _hasher.check_needs_rehash(password_hash) else None
    return True, renewed


def _same(password: str) -> bytes:
    # Keyboards send the same sign in different ways.
    return unicodedata.normalize("NFKC", password).encode("utf-8", "surrogatepass")


_nobody_hash: list[str] = []


def _nobody() -> str:
    """Return a hash that nobody's password has."""
    if not _nobody_hash:
        _nobody_hash.append(_hasher.hash(b"nobody"))
    return _nobody_hash[0]
