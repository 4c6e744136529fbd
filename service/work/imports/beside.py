"""Reading a file while no transaction is open: on SQLite one that is to write would keep every other writer out."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from contextlib import asynccontextmanager
from typing import Any, Protocol, TypeVar

from service.records.store import Store, UnitOfWork


class Known(Protocol):
    """What the rows of a file refer to."""

    @property
    def referred_to(self) -> Iterable[Any]:
        """The rows of the store with which the file is read, each with its id and version."""


KnownT = TypeVar("KnownT", bound=Known)
ReadT = TypeVar("ReadT")


@asynccontextmanager
async def read_beside(
    store: Store,
    look: Callable[[UnitOfWork], Awaitable[KnownT]],
    read: Callable[[KnownT], ReadT],
    *,
    dry_run: bool,
    prepare: Callable[[ReadT], Awaitable[None]] | None = None,
) -> AsyncIterator[tuple[UnitOfWork, KnownT, ReadT]]:
    """Read a file in a thread, then open the transaction in which it is stored.

    If something that the file refers to was changed meanwhile, the file is read again.

    Parameters
    ----------
    store
        Where.
    look
        Returns what the file refers to.
    read
        Reads the file.
    dry_run
        Nothing is to be stored: the transaction is one to read in.
    prepare
        Called with what was read, before the transaction.

    Yields
    ------
    uow, known, read
        The transaction, what it sees of that to which the file refers, and what the file says.
    """
    while True:
        async with store.read() as uow:
            known = await look(uow)
        said = await asyncio.to_thread(read, known)
        if prepare is not None:
            await prepare(said)
        async with store.read() if dry_run else store.write() as uow:
            now_known = await look(uow)
            if _versions(now_known) == _versions(known):
                yield uow, now_known, said
                return


def _versions(known: Known) -> list[tuple[type, int, int]]:
    return [(type(row), row.id, row.version) for row in known.referred_to]
