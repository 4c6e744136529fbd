"""Ten times a large farm's load: memory stays flat, nothing fails, nothing is lost. An hour of it: the bench."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.broker import find_mosquitto, running_broker
from service.records.store import Store
from service.settings import Settings
from tests.conftest import GIVEN
from tests.live.soak import growth, soak

WHOLE = bool(GIVEN.get("EVENLEAF_TEST_WHOLE"))
SECONDS = 180.0 if WHOLE else 30.0
FLAT = 1.05 if WHOLE else 1.10  # in half a minute a single cache weighs more


def test_growth_is_of_the_last_third_over_the_first() -> None:
    assert growth([100.0] * 30) == 1.0
    assert growth([100.0] * 10 + [500.0] * 10 + [110.0] * 10) == pytest.approx(1.1)


@pytest.mark.slow
@pytest.mark.postgresql
@pytest.mark.mosquitto
@pytest.mark.timeout(1200)
async def test_memory_stays_flat_under_ten_times_a_large_farms_load(
    postgresql_store: Store, postgresql_url: str, mosquitto_url: str, tmp_path: Path
) -> None:
    if find_mosquitto() is None:
        pytest.skip("mosquitto is not installed here")
    async with running_broker(Settings(data_dir=tmp_path, mqtt_bind="127.0.0.1:0")) as broker:
        found = await soak(postgresql_store, postgresql_url, broker, tmp_path, SECONDS, batches=1)
    print(found)
    assert found["serveGrowth"] < FLAT
    assert found["ingestGrowth"] < FLAT
