"""A site on each store, and each kind of broker of our own."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

import ingest.broker
from ingest.broker import BrokerHandle, running_broker
from service.records.store import Store
from service.settings import Settings
from tests.ingest.rig import Site, make_site


@pytest.fixture
async def site(store: Store) -> Site:
    """Have a farm to measure at, once on each database."""
    return await make_site(store)


@pytest.fixture(params=[pytest.param("mosquitto", marks=pytest.mark.mosquitto), "in-process"])
async def broker(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> AsyncIterator[BrokerHandle]:
    """Have a broker of our own, once of each kind."""
    if request.param == "mosquitto":
        request.getfixturevalue("mosquitto_url")  # where there is none: skipped, or failed if it is required
        if ingest.broker.find_mosquitto() is None:
            pytest.skip("mosquitto is not installed here")
    else:
        monkeypatch.setattr(ingest.broker, "find_mosquitto", lambda: None)
    async with running_broker(Settings(data_dir=tmp_path, mqtt_bind="127.0.0.1:0")) as handle:
        assert handle.kind == request.param
        yield handle
