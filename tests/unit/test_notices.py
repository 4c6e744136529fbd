"""When notices go: quiet hours in a zone's local time, and pauses between tries."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.api.conclusions import forecast_view
from service.deliver.deliverer import LONGEST_PAUSE_S, pause_s
from service.records.tables import Batch, Forecast, Receiver, Succession
from service.settings import SettingsError, load_settings
from service.work.notices import quiet_until
from service.work.notices_retained import forecast_json


def receiver(begin: str | None, end: str | None) -> Receiver:
    """Return a receiver in Amsterdam with these quiet hours."""
    return Receiver(
        farm_id=1,
        kind="mail",
        name="x",
        target="a@example.org",
        created_at=datetime(2026, 1, 1, tzinfo=UTC),
        time_zone="Europe/Amsterdam",
        quiet_from=begin,
        quiet_to=end,
    )


@pytest.mark.parametrize(
    ("begin", "end", "now", "until"),
    [
        (None, None, "2026-09-14T23:00:00Z", None),
        ("21:00", "06:30", "2026-09-14T18:59:00Z", None),
        ("21:00", "06:30", "2026-09-14T19:00:00Z", "2026-09-15T04:30:00Z"),
        ("21:00", "06:30", "2026-09-15T04:29:00Z", "2026-09-15T04:30:00Z"),
        ("21:00", "06:30", "2026-09-15T04:30:00Z", None),
        ("21:00", "06:30", "2026-12-14T20:00:00Z", "2026-12-15T05:30:00Z"),
        ("12:00", "13:00", "2026-09-14T10:30:00Z", "2026-09-14T11:00:00Z"),
        # The clocks go back in the night to the 25th of October.
        ("21:00", "06:30", "2026-10-24T20:00:00Z", "2026-10-25T05:30:00Z"),
    ],
)
def test_quiet_hours(begin: str | None, end: str | None, now: str, until: str | None) -> None:
    found = quiet_until(receiver(begin, end), datetime.fromisoformat(now))
    assert found == (None if until is None else datetime.fromisoformat(until))


@given(st.integers(1, 10_000), st.floats(0, 1))
def test_pauses_grow_to_a_bound_and_are_spread(attempts: int, draw: float) -> None:
    pause = pause_s(attempts, draw)
    assert 7.99 < pause < 1.21 * LONGEST_PAUSE_S
    assert pause_s(attempts + 1, draw) >= pause
    assert pause_s(attempts, 0.0) <= pause <= pause_s(attempts, 1.0)


def test_a_day_of_tries_is_some_hundred() -> None:
    total, tries = 0.0, 0
    while total < timedelta(days=1).total_seconds():
        tries += 1
        total += pause_s(tries, 0.5)
    assert 90 < tries < 110


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("WEBHOOK_NETWORKS", "10.0.0.0/8, my-lan"),
        ("SMTP_SECURITY", "ssl"),
        ("SMTP_PORT", "0"),
        ("SMTP_PASSWORD_FILE", "/nowhere/at/all"),
        ("PUBLIC_URL", "evenleaf.example.org"),
        ("WATCH_MINUTES", "0"),
    ],
)
def test_settings_that_cannot_be_are_named(key: str, value: str) -> None:
    with pytest.raises(SettingsError, match=f"EVENLEAF_{key}"):
        load_settings({f"EVENLEAF_{key}": value})


def test_a_mail_server_needs_a_sender() -> None:
    with pytest.raises(SettingsError, match="EVENLEAF_SMTP_FROM"):
        load_settings({"EVENLEAF_SMTP_HOST": "mail.example.org"})


def test_a_forecast_is_told_as_the_api_gives_it() -> None:
    at = {"p10": "2026-09-20T06:00:00+00:00", "p50": "2026-09-22T06:00:00.500000+00:00", "p90": None}
    row = Forecast(
        batch_id=1, made_at=datetime(2026, 9, 14, tzinfo=UTC), input_key="x", horizon_days=120,
        points={"window_open": at, "harvest": {**at, "p90": "2026-09-25T06:00:00+00:00"}},
        state={name: {"p10": 1.0, "p50": 1.0, "p90": 1.0} for name in ("leaves", "freshG")}, parameters={}, reasons=[],
    )  # fmt: skip
    row.id = 1
    told = forecast_json(
        Batch(
            house_id=1, succession_id=1, code="B", seeded_on=date(2026, 9, 1), cells=1, stage="nursery",
            created_at=datetime(2026, 9, 1, tzinfo=UTC),
        ),
        row,
        Succession(
            house_id=1, crop_id=1, nursery_zone_id=1, channels_zone_id=2, name="S", heads_per_harvest=1,
            harvest_interval_days=7, seeding_interval_days=7, seeding_weekdays=[1], cells_per_seeding=1,
            keep_share=0.8,
        ),
    )  # fmt: skip
    assert told["points"] == msgspec.json.decode(msgspec.json.encode(forecast_view(row).points))
    assert told["points"]["windowOpen"]["p10"] == "2026-09-20T06:00:00Z"
