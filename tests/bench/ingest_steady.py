"""Publishes at a steady rate, each message with the moment it was sent: broker URL, prefix, rate, count."""

from __future__ import annotations

import sys
import time

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from ingest.listener import BrokerAddress


def main(broker_url: str, prefix: str, rate: str, count: str) -> None:
    address = BrokerAddress.parse(broker_url)
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(0)
    client.connect(address.host, address.port)
    client.loop_start()
    begun = time.perf_counter()
    for number in range(int(count)):
        pause_s = begun + number / float(rate) - time.perf_counter()
        if pause_s > 0:
            time.sleep(pause_s)
        payload = f'{{"t": {time.time():.6f}, "v": 20.5}}'
        client.publish(f"{prefix}/s{number % 100}", payload, qos=1)
    time.sleep(1.0)
    client.disconnect()
    client.loop_stop()


if __name__ == "__main__":
    main(*sys.argv[1:])
