"""Listening from start to stop, as ``evenleaf ingest`` and the embedded mode of ``evenleaf serve`` do it."""

from __future__ import annotations

import asyncio
import logging

from ingest.broker import BrokerError
from ingest.listener import CLIENT_ID, BrokerAddress, MqttSource
from ingest.metrics import Tally
from ingest.reader import client_class
from ingest.writer import Writer
from service.clock import Clock
from service.memory import giving_back
from service.records.store import Store
from service.settings import Settings

_log = logging.getLogger(__name__)

_WATCH_S = 5.0


async def run_ingest(
    store: Store,
    clock: Clock,
    settings: Settings,
    stop: asyncio.Event,
    *,
    url: str,
    mqtt5: bool,
    client_id: str = CLIENT_ID,
    tally: Tally | None = None,
) -> None:
    """Take readings from a broker into the store until ``stop`` is set.

    Parameters
    ----------
    store, clock, settings
        The parts it works with. With ``settings.ingest_slots`` several processes share the messages, see
        :mod:`ingest.slots`.
    stop
        Set it for a clean end: what has arrived is stored and acknowledged, touched hours are computed.
    url
        ``mqtt[s]://[user[:password]@]host[:port]``.
    mqtt5
        Whether the broker speaks MQTT 5; otherwise 3.1.1.
    client_id
        Whose session at the broker to resume. Two that run at once need two. With slots, each adds its number.
    tally
        What counts for those who watch.

    Raises
    ------
    BrokerError
        If messages are to be shared, which MQTT 3.1.1 cannot.
    """
    async with giving_back():
        await _run(store, clock, settings, stop, BrokerAddress.parse(url), client_id, tally, mqtt5=mqtt5)


async def _run(
    store: Store,
    clock: Clock,
    settings: Settings,
    stop: asyncio.Event,
    address: BrokerAddress,
    client_id: str,
    tally: Tally | None,
    *,
    mqtt5: bool,
) -> None:
    from ingest.slots import SlotKeeper, shared

    if settings.ingest_slots:
        if not mqtt5:
            raise BrokerError(
                "EVENLEAF_INGEST_SLOTS needs a broker that speaks MQTT 5; set EVENLEAF_MQTT_URL to one"
            )
        await SlotKeeper(store, clock, settings, address, client_id, tally=tally).run(stop)
        return
    source = MqttSource(
        address,
        settings.mqtt_topic,
        clock,
        mqtt5=mqtt5,
        client_id=client_id,
        client=client_class(settings.mqtt_reader),
        forget=[shared(settings.mqtt_topic)] if mqtt5 else [],
    )
    retiring = asyncio.create_task(
        SlotKeeper(store, clock, settings, address, client_id, tally=tally).retire_others(stop)
        if mqtt5
        else asyncio.sleep(0)
    )
    try:
        await take_in(store, clock, settings, stop, source, tally)
    finally:
        await retiring


async def take_in(
    store: Store,
    clock: Clock,
    settings: Settings,
    stop: asyncio.Event,
    source: MqttSource,
    tally: Tally | None = None,
) -> None:
    """Take what a source delivers into the store until ``stop`` is set."""
    writer = Writer(store, clock, settings, source, stop)
    source.start()
    watching = asyncio.create_task(_watch(source))
    try:
        with (tally or Tally()).of(source, writer):
            await writer.run()
    finally:
        watching.cancel()
        await source.close()
        _log.info(
            "Took %d messages: %d readings, %d dead letters, %d hours computed",
            writer.counts.messages,
            writer.counts.readings,
            writer.counts.dead_letters,
            writer.counts.hours,
        )


async def _watch(source: MqttSource) -> None:
    """Start the listener anew when its network thread died, which nothing else would tell."""
    while True:
        await asyncio.sleep(_WATCH_S)
        if not source.healthy():
            _log.error("The listener's network thread died; starting it anew")
            await source.revive()
