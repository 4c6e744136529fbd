"""Evenleaf's processes, and those who use them: publishers of readings, clients of the API, a receiver of webhooks."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
import time
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import httpx
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from ingest.listener import BrokerAddress

ROOT = Path(__file__).parents[2]
_END_S = 60.0


@dataclass
class Process:
    """One ``evenleaf`` command, which can be killed and started again; what it logs is kept."""

    name: str
    arguments: list[str]
    settings: Mapping[str, str]
    log: Path
    lease_s: float = 0.0
    kills: int = 0
    running: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        """Start it."""
        kept = {name: value for name, value in os.environ.items() if not name.startswith("EVENLEAF_")}
        with self.log.open("ab") as out:
            self.running = await asyncio.create_subprocess_exec(
                sys.executable,
                "-m",
                # The wrapper loads all of the service: what runs as it is shipped takes less memory.
                *(["tests.live.process", str(self.lease_s)] if self.lease_s else ["service.cli"]),
                *self.arguments,
                cwd=ROOT,
                env={**kept, "PYTHONPATH": str(ROOT), "EVENLEAF_LOG_FORMAT": "json", **self.settings},
                stdout=out,
                stderr=out,
            )

    @property
    def pid(self) -> int:
        """Its number."""
        assert self.running is not None
        return self.running.pid

    @property
    def lives(self) -> bool:
        """Whether it runs."""
        return self.running is not None and self.running.returncode is None

    async def kill(self) -> None:
        """End it as a power cut would."""
        assert self.running is not None
        assert self.running.returncode is None, f"{self.name} ended by itself:\n{self.tail()}"
        self.running.kill()
        self.kills += 1
        await self.running.wait()

    async def stop(self) -> int:
        """End it in order; return its exit code."""
        assert self.running is not None
        if self.running.returncode is None:
            self.running.terminate()
        return await asyncio.wait_for(self.running.wait(), _END_S)

    def tail(self) -> str:
        """Return the end of its log."""
        return self.log.read_text("utf-8", errors="replace")[-4000:]

    def complaints(self) -> list[str]:
        """Return the errors that it logged, and what it wrote that is no log line."""
        found = []
        for line in self.log.read_text("utf-8", errors="replace").splitlines():
            try:
                said = json.loads(line)
            except ValueError:
                # A line that a kill cut short has no end; all else that is no JSON is a crash.
                if line.startswith(("Traceback", "Fatal", "Exception")):
                    found.append(line)
                continue
            if said["level"] in {"ERROR", "CRITICAL"}:
                found.append(line)
        return found

    async def clean_up(self) -> None:
        """Leave nothing running."""
        if self.lives:
            assert self.running is not None
            self.running.send_signal(signal.SIGKILL)
            await self.running.wait()


def rss_mb(pid: int) -> float:
    """Return how much memory a process holds that is its own or shared (Linux: VmRSS). [MB]"""
    for line in Path(f"/proc/{pid}/status").read_text("ascii", errors="replace").splitlines():
        if line.startswith("VmRSS:"):
            return float(line.split()[1]) / 1024
    return 0.0


def cpu_s(pid: int) -> float:
    """Return the processor time that a process has used (Linux). [s]"""
    values = Path(f"/proc/{pid}/stat").read_text("ascii").rpartition(")")[2].split()
    return (int(values[11]) + int(values[12])) / os.sysconf("SC_CLK_TCK")


class Publisher:
    """Publishes with QoS 1 and knows how much the broker has taken."""

    def __init__(self, url: str) -> None:
        address = BrokerAddress.parse(url)
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv311)
        self._client.max_inflight_messages_set(1000)
        self.sent = self.taken = 0
        self._client.on_publish = self._on_publish
        self._client.connect(address.host, address.port)
        self._client.loop_start()

    def _on_publish(self, *_: object) -> None:
        self.taken += 1

    def publish(self, topic: str, payload: str) -> None:
        """Publish one message."""
        self._client.publish(topic, payload, qos=1)
        self.sent += 1

    async def all_taken(self, timeout_s: float = 60.0) -> None:
        """Wait until the broker has acknowledged all."""
        deadline = time.monotonic() + timeout_s
        while self.taken < self.sent:
            assert time.monotonic() < deadline, f"the broker took {self.taken} of {self.sent} messages"
            await asyncio.sleep(0.05)

    def close(self) -> None:
        """Leave the broker."""
        self._client.disconnect()
        self._client.loop_stop()


class Client:
    """Asks one of several replicas; where one does not answer, another."""

    def __init__(self, urls: list[str], token: str) -> None:
        headers = {"Authorization": f"Bearer {token}"}
        self._ways = [httpx.AsyncClient(base_url=url, headers=headers, timeout=20.0) for url in urls]
        self._turn = 0
        self.answers = self.retries = 0
        self.seconds: list[float] = []

    async def ask(
        self, method: str, path: str, *, json: object = None, headers: Mapping[str, str] | None = None,
        patience_s: float = 150.0,
    ) -> httpx.Response:  # fmt: skip
        """Return the answer of the first replica that gives one; what it says is an error of the service."""
        deadline = time.monotonic() + patience_s
        self._turn += 1
        while True:
            way = self._ways[self._turn % len(self._ways)]
            begun = time.perf_counter()
            try:
                answer = await way.request(method, path, json=json, headers=headers)
            except httpx.TransportError:
                assert time.monotonic() < deadline, f"no replica answers {method} {path}"
                self.retries += 1
                self._turn += 1
                await asyncio.sleep(0.1)
                continue
            if answer.status_code == 409 and "Idempotency-Key" in answer.text:  # it is at work: once more
                await asyncio.sleep(0.2)
                continue
            assert answer.status_code < 300, f"{method} {path}: {answer.status_code} {answer.text}"
            self.answers += 1
            self.seconds.append(time.perf_counter() - begun)
            return answer

    async def close(self) -> None:
        """Let go of the connections."""
        for way in self._ways:
            await way.aclose()


@dataclass
class Hook:
    """A receiver of webhooks: what it got, by the id that stays the same however often a notice is sent."""

    port: int = 0
    calls: int = 0
    events: dict[str, dict[str, object]] = field(default_factory=dict)

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self.port}/hook"


@asynccontextmanager
async def listening_hook() -> AsyncIterator[Hook]:
    """Have a receiver of webhooks."""
    hook = Hook()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").lower()
            fields = dict(line.split(": ", 1) for line in head.split("\r\n")[1:] if ": " in line)
            body = await reader.readexactly(int(fields.get("content-length", "0")))
            hook.calls += 1
            hook.events[fields["webhook-id"]] = json.loads(body)
            writer.write(b"HTTP/1.1 204 No Content\r\nconnection: close\r\n\r\n")
            await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass  # whoever called was killed
        finally:
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    hook.port = server.sockets[0].getsockname()[1]
    try:
        yield hook
    finally:
        server.close()


async def until(what: str, holds: Callable[[], object], timeout_s: float, pause_s: float = 0.2) -> None:
    """Wait until something holds; fail saying what did not."""
    deadline = time.monotonic() + timeout_s
    while True:
        found = holds()
        if asyncio.iscoroutine(found):
            found = await found
        if found:
            return
        assert time.monotonic() < deadline, f"not within {timeout_s:g} s: {what}"
        await asyncio.sleep(pause_s)


async def answers(url: str, path: str = "/health/ready") -> bool:
    """Whether a service is ready."""
    async with httpx.AsyncClient() as client:
        try:
            return (await client.get(url + path, timeout=5.0)).status_code == 200
        except httpx.TransportError:
            return False
