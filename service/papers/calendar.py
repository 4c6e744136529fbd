"""Calendars (RFC 5545): work and harvests as all-day events in local days."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from icalendar import Calendar, Event

MEDIA_TYPE = "text/calendar"
_LONGEST_SUMMARY = 200


@dataclass(frozen=True)
class Entry:
    """Something on a day, or on several."""

    uid: str
    """The same whenever the entry is written, also after its days have moved."""
    sequence: int
    """Rises whenever the entry changes."""
    begins: date
    summary: str
    ends: date | None = None
    """Last day; none: the first."""
    description: str = ""
    location: str = ""
    category: str = ""
    changed_at: datetime | None = None


def calendar(name: str, time_zone: str, entries: Sequence[Entry], at: datetime) -> bytes:
    """Return a calendar.

    Parameters
    ----------
    name
        What it is called.
    time_zone
        IANA zone of its days, as a hint to readers: all-day events need none.
    entries
        What stands in it.
    at
        The present moment.
    """
    made = Calendar()
    made.add("prodid", "-//Evenleaf//Work and harvests//EN")
    made.add("version", "2.0")
    made.add("calscale", "GREGORIAN")
    made.add("x-wr-calname", name)  # not of the standard, but what readers show
    made.add("x-wr-timezone", time_zone)
    made.add("x-published-ttl", "PT1H")
    for entry in entries:
        made.add_component(_event(entry, at))
    return bytes(made.to_ical())


def _event(entry: Entry, at: datetime) -> Event:
    event = Event()
    event.add("uid", entry.uid)
    event.add("dtstamp", (entry.changed_at or at).astimezone(UTC))
    event.add("sequence", entry.sequence)
    event.add("dtstart", entry.begins)
    event.add("dtend", (entry.ends or entry.begins) + timedelta(days=1))  # the day after the last
    event.add("summary", entry.summary[:_LONGEST_SUMMARY])
    event.add("transp", "TRANSPARENT")  # takes up no time in anybody's day
    if entry.description:
        event.add("description", entry.description)
    if entry.location:
        event.add("location", entry.location)
    if entry.category:
        event.add("categories", [entry.category])
    if entry.changed_at is not None:
        event.add("last-modified", entry.changed_at.astimezone(UTC))
    return event


def digest(name: str, entries: Sequence[Entry]) -> str:
    """Return what changes when, and only when, a calendar of these entries would."""
    return hashlib.sha256(repr((name, list(entries))).encode()).hexdigest()[:32]
