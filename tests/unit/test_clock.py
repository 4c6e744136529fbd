"""The clock that all processes share."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

import pytest

from service.clock import FixedClock, SimulatedClock, SystemClock, parse_clock

START = datetime(2026, 8, 3, tzinfo=UTC)


def at_real(monkeypatch: pytest.MonkeyPatch, seconds: float) -> None:
    """Have the machine's time stand at these epoch seconds."""
    monkeypatch.setattr(time, "time", lambda: seconds)


@pytest.mark.parametrize("spec", [None, ""])
def test_without_a_setting_it_is_the_machines_time(spec: str | None) -> None:
    clock = parse_clock(spec)
    assert isinstance(clock, SystemClock)
    assert clock.rate == 1.0
    assert abs(clock.now() - datetime.now(UTC)) < timedelta(seconds=5)
    assert clock.now().utcoffset() == timedelta(0)


def test_a_fixed_clock_stands_still() -> None:
    clock = FixedClock(START)
    assert (clock.now(), clock.now(), clock.rate) == (START, START, 0.0)


def test_a_simulated_clock_runs_at_its_rate_and_stops(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = parse_clock("start=2026-08-03T00:00:00Z;rate=3600;anchor=1000;until=2026-08-03T05:00:00Z")
    told = []
    for real in (990, 1000, 1001, 1004.5, 1005, 2000, 1e12):
        at_real(monkeypatch, real)
        told.append((clock.now() - START) / timedelta(hours=1))
    assert told == [0.0, 0.0, 1.0, 4.5, 5.0, 5.0, 5.0]


def test_a_rate_of_nought_stands_still(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = parse_clock("start=2026-08-03T00:00:00Z;rate=0;anchor=0")
    at_real(monkeypatch, 1e9)
    assert clock.now() == START


def test_the_anchor_is_when_the_process_first_looked(monkeypatch: pytest.MonkeyPatch) -> None:
    at_real(monkeypatch, 5000.0)
    clock = parse_clock("start=2026-08-03T00:00:00Z")
    at_real(monkeypatch, 5060.0)
    assert clock.now() == START + timedelta(minutes=1)


def test_offsets_are_taken_to_utc() -> None:
    clock = parse_clock("start=2026-08-03T02:00:00+02:00;rate=0")
    assert clock.now() == START
    assert clock.now().utcoffset() == timedelta(0)


def test_a_clock_left_running_stays_within_the_years_of_a_date(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = parse_clock("start=2026-08-03T00:00:00Z;rate=10000000;anchor=0")
    at_real(monkeypatch, 1.8e9)
    assert clock.now() == datetime(9999, 1, 1, tzinfo=UTC)


@pytest.mark.parametrize("until", [None, datetime(2026, 10, 12, 6, tzinfo=UTC)])
def test_its_text_makes_another_process_share_it(
    until: datetime | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = SimulatedClock(start=START, rate=252_000.1, anchor=1_790_000_000.123456, until=until)
    shared = parse_clock(clock.spec())
    assert shared == clock
    at_real(monkeypatch, clock.anchor + 3.0)
    assert shared.now() == clock.now() == START + timedelta(seconds=756_000.3)


@pytest.mark.parametrize(
    ("spec", "said"),
    [
        ("rate=5", "start= is missing"),
        ("2026-08-03T00:00:00Z", "is not start="),
        ("start=2026-08-03T00:00:00Z;speed=5", "'speed=5' is not start="),
        ("start=yesterday", "start=yesterday is not a moment"),
        ("start=2026-08-03", "write for example 2026-08-03T00:00:00Z"),
        ("start=2026-08-03T00:00:00Z;until=2026-08-04T00:00:00", "until=.* has no offset"),
        ("start=2026-08-03T00:00:00Z;until=2026-08-02T00:00:00Z", "until=.* lies before start="),
        ("start=2026-08-03T00:00:00Z;rate=fast", "rate=fast is not a number"),
        ("start=2026-08-03T00:00:00Z;rate=-1", "rate=-1 is not between"),
        ("start=2026-08-03T00:00:00Z;rate=nan", "rate=nan is not a number"),
        ("start=2026-08-03T00:00:00Z;rate=1e9", "is not between"),
        ("start=2026-08-03T00:00:00Z;anchor=-inf", "anchor=-inf is not a number"),
    ],
)
def test_what_is_not_a_clock_is_refused(spec: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        parse_clock(spec)
