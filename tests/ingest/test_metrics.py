"""What an ingest process tells of itself: counted by what was published, in the OpenMetrics text format."""

from __future__ import annotations

import asyncio

import httpx
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from ingest.broker import BrokerHandle
from ingest.command import run_ingest
from ingest.metrics import Tally, telling
from service.clock import FixedClock
from service.records.store import Store
from service.settings import SettingsError, load_settings
from tests import services
from tests.ingest.rig import NOW, make_site, publish, until


def bind() -> str:
    return f"127.0.0.1:{services.free_port()}"


async def told(address: str, token: str = "") -> httpx.Response:
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    async with httpx.AsyncClient() as client:
        return await client.get(f"http://{address}/metrics", headers=headers)


def values(answer: httpx.Response) -> dict[str, float]:
    return {
        sample.name: sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }


@pytest.mark.mosquitto
async def test_messages_dead_letters_lag_and_reconnects_are_told(
    sqlite_store: Store, mosquitto_server: services.LocalMosquitto
) -> None:
    site = await make_site(sqlite_store)
    await site.sensor("s0")
    handle = BrokerHandle(mosquitto_server.url, "external", mqtt5=True, redelivers=True)
    tally, stop, address = Tally(), asyncio.Event(), bind()
    running = asyncio.create_task(
        run_ingest(
            site.store,
            FixedClock(NOW),
            site.settings,
            stop,
            url=handle.url,
            mqtt5=True,
            client_id=f"{site.prefix}-0",
            tally=tally,
        )
    )
    try:
        async with telling(tally, address, ""):

            async def connected() -> bool:
                return values(await told(address))["evenleaf_ingest_connected"] == 1

            await until(connected)
            await asyncio.sleep(0.3)  # until it has subscribed
            publish(handle.url, [(site.topic("s0"), b"20.5"), (site.topic("s0"), b"nonsense")])

            async def stored() -> bool:
                return values(await told(address))["evenleaf_ingest_messages_total"] == 2

            await until(stored)
            found = values(await told(address))
            assert found["evenleaf_ingest_readings_total"] == 1
            assert found["evenleaf_ingest_dead_letters_total"] == 1
            assert found["evenleaf_ingest_waiting_messages"] == 0
            assert found["evenleaf_ingest_lag_seconds"] >= 0
            assert found["evenleaf_ingest_reconnects_total"] == 0
            await asyncio.to_thread(mosquitto_server.stop)

            async def lost() -> bool:
                return values(await told(address))["evenleaf_ingest_connected"] == 0

            await until(lost)
            await asyncio.to_thread(mosquitto_server.start)
            await until(connected, 60.0)
            assert values(await told(address))["evenleaf_ingest_reconnects_total"] == 1
            stop.set()
            await running
            ended = values(await told(address))  # what was done stays counted
            assert (ended["evenleaf_ingest_messages_total"], ended["evenleaf_ingest_listeners"]) == (2, 0)
            assert ended["evenleaf_ingest_reconnects_total"] == 1
    finally:
        stop.set()
        await running


async def test_they_are_told_to_who_has_the_token() -> None:
    address = bind()
    async with telling(Tally(), address, "s3cret"), httpx.AsyncClient() as client:
        answer = await told(address, "s3cret")
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith("application/openmetrics-text")
        assert (await told(address)).status_code == 401
        assert (await told(address, "other")).status_code == 401
        assert (await client.get(f"http://{address}/else")).status_code == 404
        assert (await client.post(f"http://{address}/metrics")).status_code == 405
        # Whatever is said to it, it goes on.
        _, writer = await asyncio.open_connection("127.0.0.1", int(address.rpartition(":")[2]))
        writer.write(b"\x00\xff\r\n\r\n")
        await writer.drain()
        writer.close()
        assert (await told(address, "s3cret")).status_code == 200


def test_the_setting_is_checked() -> None:
    with pytest.raises(SettingsError, match="INGEST_METRICS_BIND='here' is not host:port"):
        load_settings({"EVENLEAF_INGEST_METRICS_BIND": "here"})
    with pytest.raises(SettingsError, match="is open to others: set EVENLEAF_METRICS_TOKEN too"):
        load_settings({"EVENLEAF_INGEST_METRICS_BIND": "0.0.0.0:8718"})
    given = {"EVENLEAF_INGEST_METRICS_BIND": "0.0.0.0:8718", "EVENLEAF_METRICS_TOKEN": "x"}
    assert load_settings(given).ingest_metrics_bind == "0.0.0.0:8718"
