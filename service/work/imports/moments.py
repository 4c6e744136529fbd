"""Times in a file: ISO 8601 with an offset, or without one in the house's own time zone."""

from __future__ import annotations

from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

from service.work import fields


class Moments:
    """Reads times, each text once: the same ones come back for every sensor.

    Parameters
    ----------
    zone
        Where times without an offset are local.
    latest
        The latest moment that is taken.
    day_at
        The local time that a day alone stands for; none: a day alone is refused.
    """

    def __init__(self, zone: ZoneInfo, latest: datetime, day_at: time | None = None) -> None:
        self._zone = zone
        self._latest = latest
        self._day_at = day_at
        self._known: dict[str, datetime | str] = {}

    def read(self, text: str) -> datetime:
        """Return the moment, in UTC.

        Raises
        ------
        ValueError
            If there is no such moment, or two of them; the message says which and what would be right.
        """
        found = self._known.get(text)
        if found is None:
            try:
                found = self._read(text.strip())
            except ValueError as error:
                found = str(error)
            self._known[text] = found
        if isinstance(found, str):
            raise ValueError(found)  # noqa: TRY004 - what is kept is the sentence
        return found

    def _read(self, text: str) -> datetime:
        if not text:
            raise ValueError("it is empty, and must be a time")
        try:
            written = datetime.fromisoformat(text)
        except ValueError:
            written = None
        if written is not None and len(text) <= len("2026-08-03"):
            written = None if self._day_at is None else datetime.combine(written, self._day_at)
        if written is None:
            raise ValueError(
                f"{text[:40]!r} is not a time; write for example 2026-08-03T06:00:00Z, or 2026-08-03T08:00 for"
                " local time"
            )
        try:
            moment = fields.moment(written if written.tzinfo is not None else self._local(written))
        except OverflowError:  # in the first or last hours that there are
            raise ValueError("it must lie between the years 2000 and 2200") from None
        if moment > self._latest:
            raise ValueError(f"{text} is ahead of the clock; the latest is {self._latest:%Y-%m-%dT%H:%M:%SZ}")
        return moment

    def _local(self, written: datetime) -> datetime:
        """Return the one moment at which a clock in the house shows this."""
        early = written.replace(tzinfo=self._zone, fold=0)
        late = early.replace(fold=1)
        # PEP 495: the two differ where clocks change; set back, the first has the larger offset.
        before, after = early.utcoffset(), late.utcoffset()
        if before is None or after is None or before == after:
            return early.astimezone(UTC)
        if before > after:
            raise ValueError(
                f"{written.isoformat()} comes twice in {self._zone.key}, where clocks are set back;"
                f" write {early.isoformat()} or {late.isoformat()}"
            )
        raise ValueError(
            f"{written.isoformat()} does not exist in {self._zone.key}, where clocks are set forward"
        )
