"""Replicas and slots killed at random under load: every reading, scheduled run and alert once."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.broker import find_mosquitto, running_broker
from service.records.store import Store
from service.settings import Settings
from tests.conftest import GIVEN
from tests.live.chaos import chaos

SECONDS = 600.0 if GIVEN.get("EVENLEAF_TEST_WHOLE") else 45.0


@pytest.mark.slow
@pytest.mark.postgresql
@pytest.mark.mosquitto
@pytest.mark.timeout(1200)
async def test_killed_at_random_nothing_is_lost_and_nothing_happens_twice(
    postgresql_store: Store, postgresql_url: str, mosquitto_url: str, tmp_path: Path
) -> None:
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed here")
    settings = Settings(data_dir=tmp_path, mqtt_bind="127.0.0.1:0")
    async with running_broker(settings) as broker:
        found = await chaos(postgresql_store, postgresql_url, broker, tmp_path, SECONDS, seed=1)
    print(found)
    assert found["kills"]["replica"]
    assert found["kills"]["slot"]
    assert found["alerts"]["solution_out_of_limits"]
