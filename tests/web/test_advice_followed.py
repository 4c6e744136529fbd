"""Whether an advice is on the work list already, so that nothing is left to accept."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

from service.records.tables import Advice, Succession, Task
from service.web.houses import is_followed
from service.work.advice import ADVICE_NOTE

TODAY = date(2026, 9, 14)
SUCCESSION = Succession(
    house_id=1,
    crop_id=1,
    nursery_zone_id=1,
    channels_zone_id=2,
    name="Weekly",
    heads_per_harvest=150,
    harvest_interval_days=7.0,
    seeding_interval_days=7.0,
    seeding_weekdays=[1, 4],
    cells_per_seeding=300,
    keep_share=0.8,
)
SUCCESSION.id = 3


def advice(*cells: int, interval: float = 7.0) -> Advice:
    """Return one of weekly seedings from today on."""
    seedings: list[dict[str, Any]] = [
        {"on": date(2026, 9, 14 + 7 * n).isoformat(), "cells": size} for n, size in enumerate(cells)
    ]
    return Advice(
        succession_id=3,
        made_at=datetime(2026, 9, 14, 6, tzinfo=UTC),
        input_key="key",
        decision="hold",
        binding="sites",
        interval_days=7.0,
        advised_interval_days=interval,
        cells_per_seeding=230,
        from_on=TODAY,
        probability=1.0,
        seedings=seedings,
        outcome={},
        reasons=[],
    )


def task(day: int, cells: int, note: str | None = ADVICE_NOTE) -> Task:
    """Return an open seeding of the work list."""
    return Task(
        house_id=1,
        kind="seed",
        due_on=date(2026, 9, day),
        title="Seed",
        succession_id=3,
        cells=cells,
        note=note,
    )


def test_the_same_days_and_cells_are() -> None:
    tasks = [task(14, 230), task(21, 230)]
    assert is_followed(SUCCESSION, advice(230, 230), tasks, TODAY)
    assert not is_followed(SUCCESSION, advice(230, 230, 230), tasks, TODAY)
    assert not is_followed(SUCCESSION, advice(230, 230, interval=8.0), tasks, TODAY)


def test_other_cells_on_the_same_days_are_not() -> None:
    assert not is_followed(SUCCESSION, advice(230, 230), [task(14, 300), task(21, 300)], TODAY)


def test_what_a_person_wrote_stays_and_is_nothing_to_accept() -> None:
    assert is_followed(SUCCESSION, advice(230, 230), [task(14, 50, None), task(21, 230)], TODAY)


def test_seedings_of_an_earlier_advice_are_left_to_take_off() -> None:
    assert not is_followed(SUCCESSION, advice(), [task(21, 230)], TODAY)
    assert is_followed(SUCCESSION, advice(), [], TODAY)
