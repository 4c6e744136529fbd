"""How often one may try a password: the wait doubles with every failure, of one account and from one address.

The counts are in the store, so that every replica keeps to them. Waits are by the machine's time: whoever guesses
lives in it, and a simulated clock that stands still would never let in again.
"""

from __future__ import annotations

import hashlib
import ipaddress
from datetime import timedelta

from service.clock import Clock
from service.records import access as records
from service.records.store import UnitOfWork
from service.work.errors import WorkError

FREE_OF_ACCOUNT, FREE_OF_ADDRESS = 5, 20
"""Failures after which one has to wait: of one account, and from one address (IPv6: /64), where several may work."""
FIRST_WAIT_S, LONGEST_WAIT_S = 2.0, 900.0
"""The wait doubles from failure to failure."""
FORGOTTEN_AFTER = timedelta(hours=2)
"""After so long without another, failures count no more."""


class TooMany(WorkError):  # noqa: N818
    """Too many have failed; ``retry_after_s`` says for how long none is tried."""

    def __init__(self, detail: str, retry_after_s: int) -> None:
        super().__init__(detail)
        self.retry_after_s = retry_after_s


def wait_s(failures: int, free: int) -> float:
    """Return how long nothing is tried after so many failures, of which the first ``free`` cost nothing."""
    if failures < free:
        return 0.0
    return min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(failures - free, 20))


async def count(uow: UnitOfWork, wall: Clock, login: str, address: str) -> None:
    """Count an attempt as failed before it is tried, so that many at once do not slip through.

    Raises
    ------
    TooMany
        If too many have failed, whoever is right this time.
    """
    now = wall.now()
    for key, free in zip(_keys(login, address), (FREE_OF_ACCOUNT, FREE_OF_ADDRESS), strict=True):
        row = await records.throttle(uow, key, now)
        if row.blocked_until is not None and row.blocked_until > now:
            seconds = max(1, round((row.blocked_until - now).total_seconds()))
            raise TooMany(f"Too many passwords were wrong; try again in {_said(seconds)}.", seconds)
        if now - row.last_at >= FORGOTTEN_AFTER:
            row.failures = 0
        row.failures += 1
        row.last_at = now
        wait = timedelta(seconds=wait_s(row.failures, free))
        row.blocked_until = now + wait if wait else None
    await uow.flush()


async def succeeded(uow: UnitOfWork, login: str, address: str) -> None:
    """Take an attempt back that was right.

    Only this attempt of the address is taken back: one's own account must not clear the way to others'.
    """
    account, where = _keys(login, address)
    await records.forget_failures(uow, account)
    await records.take_back_failure(uow, where)


def _said(seconds: int) -> str:
    return f"{seconds} seconds" if seconds < 120 else f"{-(-seconds // 60)} minutes"


def _keys(login: str, address: str) -> tuple[str, str]:
    return _key("account", login.strip().casefold()), _key("address", _connection(address))


def _connection(address: str) -> str:
    """Return what all addresses of one connection have in common: of IPv6 the /64, which one subscriber has alone."""
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return address  # none, or a socket of this machine
    if isinstance(parsed, ipaddress.IPv4Address):
        return address
    if parsed.ipv4_mapped is not None:
        return str(parsed.ipv4_mapped)
    return str(ipaddress.IPv6Network((int(parsed), 64), strict=False))


def _key(kind: str, value: str) -> str:
    # A digest: names that were typed wrong may be passwords.
    return f"{kind}:{hashlib.sha256(value.encode('utf-8', 'surrogatepass')).hexdigest()[:40]}"
