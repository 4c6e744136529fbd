"""Health, metrics and logs: what those who watch the service are told, and who is told."""

from __future__ import annotations

import importlib.util
import json
import logging
import sys
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest
from litestar import Litestar
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from sqlalchemy import text

from service.app import create_app
from service.clock import FixedClock
from service.logs import JsonLines, request_id
from service.records.store import Store
from service.settings import Settings, SettingsError, load_settings
from service.work.reforecast import Run
from tests.api.conftest import running
from tests.api.farm import Place


def samples(answer: httpx.Response) -> dict[str, float]:
    """Return the samples without labels, and the sums of those with labels."""
    found: dict[str, float] = {}
    for family in text_string_to_metric_families(answer.text):
        for sample in family.samples:
            found[sample.name] = found.get(sample.name, 0.0) + sample.value
    return found


async def test_live_and_ready(open_client: httpx.AsyncClient, store: Store) -> None:
    for path in ("/health", "/health/live", "/health/ready"):
        head = await open_client.head(path)
        assert (head.status_code, head.content) == (200, b""), path
    assert (await open_client.get("/health/live")).json()["status"] == "ok"
    assert (await open_client.get("/health/ready")).json()["status"] == "ok"
    async with store.engine.begin() as connection:
        await connection.execute(text("UPDATE alembic_version SET version_num = '0001'"))
    answer = await open_client.get("/health/ready")
    assert (answer.status_code, answer.json()["detail"]) == (503, "the store's schema is not this version's")
    head = await open_client.head("/health/ready")
    assert (head.status_code, head.content) == (503, b"")
    assert (await open_client.get("/health/live")).status_code == 200
    async with store.engine.begin() as connection:
        await connection.execute(text("DROP TABLE alembic_version"))
    assert (await open_client.get("/health/ready")).json()["detail"] == "the store does not answer"


async def test_metrics_are_openmetrics_and_tell_how_things_stand(
    app: Litestar, client: httpx.AsyncClient, place: Place
) -> None:
    app.state.metrics.ran(
        [Run(1, changed=True, forecasts=3, advice=1), Run(2, changed=False)],
        2.0,
        datetime(2026, 9, 14, tzinfo=UTC),
    )
    answer = await client.get("/metrics")
    assert answer.headers["content-type"].startswith("application/openmetrics-text")
    assert answer.text.endswith("# EOF\n")
    found = samples(answer)
    assert found["evenleaf_store_houses"] == 1
    assert found["evenleaf_forecasts_total"] == 3
    assert found["evenleaf_reforecast_houses_total"] == 2
    assert found["evenleaf_http_requests_total"] > 0
    # Routes, not paths: as many series as there are operations, whatever is asked for.
    await client.get(f"/v1/houses/{place.house['id']}")
    await client.get("/nowhere/at/all")
    shown = (await client.get("/metrics")).text
    assert 'route="/v1/houses/{' in shown
    assert "/nowhere" not in shown


async def test_metrics_are_for_this_machine_or_who_has_the_token(
    store: Store, clock: FixedClock, tmp_path: Path
) -> None:
    async def status(settings: Settings, host: str, token: str = "") -> int:
        app = create_app(store, clock, settings)
        transport = httpx.ASGITransport(app=app, client=(host, 1))
        async with running(app), httpx.AsyncClient(transport=transport, base_url="http://test") as client:
            headers = {"Authorization": f"Bearer {token}"} if token else {}
            return (await client.get("/metrics", headers=headers)).status_code

    secret = tmp_path / "token"
    secret.write_text("s3cret\n")
    assert await status(Settings(), "127.0.0.1") == 200
    assert await status(Settings(), "::1") == 200
    assert await status(Settings(), "192.0.2.7") == 401
    given = Settings(metrics_token_file=str(secret))
    assert await status(given, "192.0.2.7", "s3cret") == 200
    assert await status(given, "192.0.2.7", "other") == 401
    assert await status(given, "127.0.0.1") == 401


def test_settings_are_checked(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="EVENLEAF_LOG_FORMAT='xml' is not text or json"):
        load_settings({"EVENLEAF_LOG_FORMAT": "xml"})
    with pytest.raises(SettingsError, match="EVENLEAF_METRICS_TOKEN_FILE"):
        load_settings({"EVENLEAF_METRICS_TOKEN_FILE": str(tmp_path / "none")})


async def test_every_answer_has_a_request_id(client: httpx.AsyncClient) -> None:
    first, second = await client.get("/v1/farms"), await client.get("/v1/houses/999999")
    assert first.headers["x-request-id"] != second.headers["x-request-id"]
    kept = await client.get("/v1/farms", headers={"X-Request-ID": "from-a-proxy.1"})
    assert kept.headers["x-request-id"] == "from-a-proxy.1"
    refused = await client.get("/v1/farms", headers={"X-Request-ID": "a b"})
    assert refused.headers["x-request-id"] != "a b"


def test_json_lines_hold_the_request_what_was_added_and_the_error() -> None:
    token = request_id.set("abc")
    try:
        try:
            raise RuntimeError("no \N{SEEDLING}")
        except RuntimeError:
            record = logging.getLogger("evenleaf").makeRecord(
                "evenleaf",
                logging.ERROR,
                "f",
                1,
                "house %s",
                (7,),
                sys.exc_info(),
                extra={"action": "reforecast"},
            )
        line = JsonLines().format(record)
    finally:
        request_id.reset(token)
    said = json.loads(line)
    assert "\n" not in line
    assert (said["message"], said["action"], said["requestId"]) == ("house 7", "reforecast", "abc")
    assert "RuntimeError: no \N{SEEDLING}" in said["error"]


async def test_the_example_dashboard_reads_every_house(
    client: httpx.AsyncClient, place: Place, other_place: Place
) -> None:
    spec = importlib.util.spec_from_file_location(
        "dashboard", Path(__file__).parents[2] / "docs" / "dashboard.py"
    )
    assert spec is not None
    assert spec.loader is not None
    dashboard = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(dashboard)
    shown = [line async for line in dashboard.lines(client)]
    assert [line.split(":")[0] for line in shown] == [place.house["name"], other_place.house["name"]]
    assert all("0 batches; next -; no advice; 0 alerts" in line for line in shown)
