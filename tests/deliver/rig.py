"""The other side of each way out."""

from __future__ import annotations

import asyncio
import json
import ssl
import threading
import time
import uuid
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email import message_from_bytes, policy
from email.message import EmailMessage
from ipaddress import ip_network
from types import TracebackType
from typing import Any
from urllib.parse import urlsplit

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from sqlalchemy import select

from service.deliver.deliverer import Deliverer
from service.deliver.mail import Mail, Smtp
from service.deliver.mqtt_out import MqttOut
from service.deliver.outcome import Way
from service.deliver.webhook import Webhooks
from service.records.store import Store
from service.records.tables import Notice, Receiver
from service.work.access import SYSTEM
from service.work.alerts import Condition, settle_alerts
from service.work.receivers import create_receiver
from service.work.receivers_targets import Targets
from tests.work.conftest import Place

ALLOWED = Targets(networks=(ip_network("127.0.0.1/32"),))
SENDER = "evenleaf@example.org"
_TLS = ssl.create_default_context()  # takes a while to load, so it is loaded once


class MovingClock:
    """A clock that stands until the test moves it."""

    rate = 0.0

    def __init__(self, moment: datetime = datetime(2026, 9, 14, 6, tzinfo=UTC)) -> None:
        self.moment = moment

    def now(self) -> datetime:
        """Return the moment."""
        return self.moment

    def move(self, **by: float) -> None:
        """Move on."""
        self.moment += timedelta(**by)


# --------------------------------------------------------------------------- HTTP


@dataclass
class Call:
    """One request as it came in."""

    method: str
    path: str
    headers: dict[str, str]
    body: bytes

    @property
    def event(self) -> dict[str, Any]:
        """Its body."""
        return json.loads(self.body)


@dataclass
class HttpServer:
    """Answers requests as it is told, and keeps them."""

    host: str
    port: int = 0
    calls: list[Call] = field(default_factory=list)
    status: int = 204
    refused: str = ""
    """Type of event that is answered 422."""
    headers: dict[str, str] = field(default_factory=dict)
    pause_s: float = 0.0
    _server: asyncio.Server | None = None

    @property
    def url(self) -> str:
        """Where it is."""
        return f"http://{self.host}:{self.port}/hook?who=we"

    async def __aenter__(self) -> HttpServer:
        """Listen."""
        await self.up()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop."""
        await self.down()

    async def up(self) -> None:
        """Listen, on the port it had before if it had one."""
        self._server = await asyncio.start_server(self._serve, self.host, self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def down(self) -> None:
        """Take no more connections."""
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()
            self._server = None

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            head = (await reader.readuntil(b"\r\n\r\n")).decode()
            first, *lines = head.strip().split("\r\n")
            method, path, _ = first.split(" ")
            headers = {k.lower(): v for k, v in (line.split(": ", 1) for line in lines)}
            body = await reader.readexactly(int(headers.get("content-length", 0)))
            self.calls.append(Call(method, path, headers, body))
            await asyncio.sleep(self.pause_s)
            said = "".join(f"{k}: {v}\r\n" for k, v in self.headers.items())
            status = 422 if self.refused and json.loads(body)["type"] == self.refused else self.status
            writer.write(f"HTTP/1.1 {status} X\r\ncontent-length: 0\r\n{said}\r\n".encode())
            await writer.drain()
        except (ConnectionError, asyncio.IncompleteReadError):
            return
        finally:
            writer.close()


# --------------------------------------------------------------------------- mail


class Inbox:
    """Takes mail."""

    def __init__(self) -> None:
        self.port = 0
        self.mails: list[EmailMessage] = []
        self.answer = "250 OK"

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:  # noqa: N802
        """Take a mail."""
        if self.answer.startswith("250"):
            mail = message_from_bytes(envelope.content, policy=policy.default)
            assert isinstance(mail, EmailMessage)
            self.mails.append(mail)
        return self.answer

    @property
    def smtp(self) -> Smtp:
        """Where it is."""
        return Smtp("127.0.0.1", self.port, "none", SENDER)


# --------------------------------------------------------------------------- MQTT


class Subscriber:
    """An MQTT client that keeps what it receives."""

    def __init__(self, url: str) -> None:
        self.url = url
        self.prefix = f"out-{uuid.uuid4().hex[:10]}"

    def retained(self, pattern: str = "#", wait_s: float = 0.4) -> dict[str, Any]:
        """Return what the broker holds below the prefix, by the rest of the topic."""
        found: dict[str, Any] = {}
        ready = threading.Event()
        parts = urlsplit(self.url)
        client = mqtt.Client(CallbackAPIVersion.VERSION2)

        def connected(c: mqtt.Client, *_: Any) -> None:
            c.subscribe(f"{self.prefix}/{pattern}", qos=1)

        def received(_c: mqtt.Client, _u: Any, message: mqtt.MQTTMessage) -> None:
            if message.retain:
                found[message.topic.removeprefix(f"{self.prefix}/")] = json.loads(message.payload)

        client.on_connect = connected
        client.on_subscribe = lambda *_: ready.set()
        client.on_message = received
        client.connect(parts.hostname or "", parts.port or 1883)
        client.loop_start()
        assert ready.wait(10)
        time.sleep(wait_s)  # retained messages follow the acknowledgement of the subscription
        client.disconnect()
        client.loop_stop()
        return found

    def close(self) -> None:
        """Clear what is held below the prefix."""
        parts = urlsplit(self.url)
        held = self.retained(wait_s=0.1)
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.connect(parts.hostname or "", parts.port or 1883)
        client.loop_start()
        for topic in held:
            client.publish(f"{self.prefix}/{topic}", b"", qos=1, retain=True).wait_for_publish(5)
        client.disconnect()
        client.loop_stop()


# --------------------------------------------------------------------------- the farm's side


async def receiver(
    store: Store, clock: Any, place: Place, kind: str, target: str, **more: Any
) -> tuple[Receiver, str]:
    """Make a receiver; return it and its secret."""
    async with store.write() as uow:
        values = {"farm_id": place.farm.id, "kind": kind, "name": f"{kind} {uuid.uuid4().hex[:6]}"}
        row, secret = await create_receiver(uow, clock, SYSTEM, ALLOWED, {**values, "target": target, **more})
        return row, secret or ""


def deliverer(
    store: Store,
    clock: Any,
    *,
    targets: Targets = ALLOWED,
    inbox: Inbox | None = None,
    mqtt_url: str | None = None,
    **webhooks: Any,
) -> Deliverer:
    """Return what sends notices."""
    ways: dict[str, Way] = {
        "webhook": Webhooks(targets, verify=_TLS, **webhooks),
        "mail": Mail(inbox.smtp if inbox else None),
        "mqtt": MqttOut(mqtt_url),
    }
    return Deliverer(store, clock, ways)


def condition(**more: Any) -> Condition:
    """Return a condition."""
    values: dict[str, Any] = {
        "kind": "flow_lost",
        "subject": "sensor:1",
        "severity": "warning",
        "title": "Channels: no flow",
        "detail": "Flow has been 0 L min-1 for 12 minutes.",
        "next_step": "Look at the pump.",
        "size": 12.0,
        "size_unit": "min",
    }
    return Condition(**{**values, **more})


async def settle(store: Store, clock: Any, place: Place, *conditions: Condition) -> None:
    """Make the open alerts those of the conditions."""
    kinds = {"flow_lost", *(c.kind for c in conditions)}
    async with store.write() as uow:
        await settle_alerts(uow, clock, place.house.id, kinds, conditions)


async def notices(store: Store) -> list[Notice]:
    """Return all notices, oldest first."""
    async with store.read() as uow:
        return list(await uow.session.scalars(select(Notice).order_by(Notice.id)))
