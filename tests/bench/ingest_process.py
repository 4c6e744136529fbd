"""One contender of the ingest bench as a process of its own; prints one JSON object when it is through.

``ours DATABASE BROKER PREFIX CLIENT READER MESSAGES LOW_LATENCY`` or ``paho BROKER PREFIX CLIENT MESSAGES``.
"""

from __future__ import annotations

import asyncio
import gc
import json
import resource
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from ingest.listener import BrokerAddress, MqttSource
from ingest.reader import Delivery, FastClient, StockClient
from ingest.writer import Writer
from service.clock import SystemClock
from service.records.store import Store
from service.settings import Settings


class Timed(MqttSource):
    """A source that notes when it was connected, and how long each message took to be stored."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.begun: float | None = None
        self.timing = False
        self._stored: list[tuple[float, list[bytes]]] = []

    def ack(self, batch: Sequence[Delivery]) -> None:
        super().ack(batch)
        if self.timing:
            self._stored.append((time.time(), [d.payload for d in batch]))

    def delays_s(self) -> list[float]:
        """Return how long each message took, in order of size."""
        return sorted(at - json.loads(payload)["t"] for at, payloads in self._stored for payload in payloads)

    def connecting(self) -> None:
        super().connecting()
        self.begun = self.begun or time.perf_counter()


def cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def peak_mb() -> float:
    """All of it, also what is only mapped: pages of shared libraries (Linux)."""
    return _status_mb("VmHWM")  # ru_maxrss begins with what the process had that started this one


def mapped_mb() -> float:
    """Pages of files, which the system may drop and share (Linux)."""
    return _status_mb("RssFile")


def _status_mb(name: str) -> float:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(f"{name}:"):
            return int(line.split()[1]) / 1024
    return 0.0


async def ours(
    database_url: str, broker_url: str, prefix: str, client_id: str, reader: str, count: str, low: str
) -> dict[str, Any]:
    stop = asyncio.Event()
    store = Store.open(database_url)
    settings = Settings(mqtt_topic=f"{prefix}/#", ingest_low_latency=low == "low", max_reading_age_days=36500)
    source = Timed(
        BrokerAddress.parse(broker_url),
        settings.mqtt_topic,
        SystemClock(),
        client_id=client_id,
        client={"fast": FastClient, "stock": StockClient}[reader],
    )
    source.timing = low != "-"
    try:
        writer = Writer(store, SystemClock(), settings, source, stop)
        gc.freeze()  # as the command does
        source.start()
        at_start = cpu_s()
        running = asyncio.create_task(writer.run())
        while writer.counts.messages < int(count):
            if running.done():
                await running
            if source.timing and writer.counts.messages == 0:
                started, at_first = time.perf_counter(), cpu_s()
            # More often would be work beside what is measured.
            await asyncio.sleep(0.2 if source.timing and writer.counts.messages else 0.02)
        through = time.perf_counter()
        assert source.begun is not None
        found: dict[str, Any] = {
            "seconds": through - source.begun,
            "cpuS": cpu_s() - at_start,
            "counts": vars(writer.counts) | {},
        }
        if source.timing:
            found["cpuShare"] = (cpu_s() - at_first) / (through - started)
            delays_s = source.delays_s()
            found["p50Ms"] = delays_s[len(delays_s) // 2] * 1000
            found["p99Ms"] = delays_s[int(len(delays_s) * 0.99)] * 1000
        stop.set()
        await running
        await source.close()
        found["hoursS"] = time.perf_counter() - through
        found["hours"] = writer.counts.hours
        found["peakMb"], found["mappedMb"] = peak_mb(), mapped_mb()  # also what the hours took
        return found
    finally:
        await store.close()


def paho(broker_url: str, prefix: str, client_id: str, count: str) -> dict[str, Any]:
    """Take messages with paho as it is and acknowledge them, and nothing else."""
    address, wanted, done = BrokerAddress.parse(broker_url), int(count), threading.Event()
    times: list[float] = []
    taken = 0
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True
    )

    def on_connect(*_: Any) -> None:
        times.append(time.perf_counter())
        client.subscribe(f"{prefix}/#", options=SubscribeOptions(qos=1, retainHandling=2))

    def on_message(_client: Any, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        nonlocal taken
        client.ack(message.mid, 1)
        taken += 1
        if taken == wanted:
            times.append(time.perf_counter())
            done.set()

    client.on_connect, client.on_message = on_connect, on_message
    properties = mqtt.Properties(mqtt.PacketTypes.CONNECT)
    properties.SessionExpiryInterval, properties.ReceiveMaximum = 86400, 20_000
    client.connect(address.host, address.port, clean_start=False, properties=properties)
    client.loop_start()
    done.wait(600.0)
    client.disconnect()
    client.loop_stop()
    return {"seconds": times[-1] - times[0], "cpuS": cpu_s(), "peakMb": peak_mb()}


if __name__ == "__main__":
    kind, *given = sys.argv[1:]
    print(json.dumps(asyncio.run(ours(*given)) if kind == "ours" else paho(*given)), flush=True)
