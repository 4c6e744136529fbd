"""What a way out takes, and how it says that something did not get through."""

from __future__ import annotations

from datetime import datetime
from typing import Protocol

from service.records.tables import Notice, Receiver


class NotSent(Exception):  # noqa: N818 - read as an answer
    """It did not get through; the message says why, for a user to read."""

    def __init__(
        self, why: str, *, retry_after_s: float = 0.0, refused: bool = False, hopeless: bool = False
    ) -> None:
        super().__init__(why)
        self.retry_after_s = retry_after_s
        """Seconds that the receiver asked to wait."""
        self.refused = refused
        """Whether it is this notice that does not get through: a few more tries, and others need not wait."""
        self.hopeless = hopeless
        """Whether trying again cannot help."""


class Way(Protocol):
    """A way out."""

    async def send(self, notice: Notice, receiver: Receiver, now: datetime) -> None:
        """Send a notice.

        Raises
        ------
        NotSent
            If it did not get through.
        """
        ...

    async def close(self) -> None:
        """Let go of connections."""
        ...
