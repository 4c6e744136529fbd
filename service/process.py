"""A running Evenleaf process, put together from its parts."""

from __future__ import annotations

import asyncio
import gc
import logging
import socket
from collections.abc import AsyncIterator, Iterator
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import uvicorn
from litestar import Litestar

from ingest.broker import BrokerHandle, running_broker
from ingest.command import run_ingest
from ingest.metrics import Tally
from service.app import create_app
from service.clock import Clock, parse_clock
from service.computing import running_computing
from service.deliver.deliverer import Deliverer, delivering
from service.deliver.mail import Mail, Smtp
from service.deliver.mqtt_out import MqttOut
from service.deliver.outcome import Way
from service.deliver.webhook import Webhooks
from service.opening import open_store
from service.records.store import Store
from service.scheduler import interval_s, running_scheduler, thinning, watching_seed, watching_sensors
from service.settings import Settings, SettingsError
from service.soon import LONGEST_S, forecasting_soon
from service.work.access import first_token
from service.work.reforecast import Reforecaster
from service.work.watch import Watcher

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Service:
    """The parts of a running service."""

    settings: Settings
    store: Store
    clock: Clock
    reforecaster: Reforecaster
    broker: BrokerHandle | None
    stop: asyncio.Event
    """Set when the service should end: by a signal, or by a part of it that failed."""
    failures: list[BaseException] = field(default_factory=list)
    """What parts of it failed of; a service without one of its parts does not limp on."""
    first_token: str | None = None
    """A token made because there was none; it cannot be shown again."""

    @property
    def url(self) -> str:
        """Where HTTP is served."""
        host = f"[{self.settings.host}]" if ":" in self.settings.host else self.settings.host
        return f"http://{host}:{self.settings.port}"

    def watch(self, part: asyncio.Task[Any], told: asyncio.Event) -> None:
        """End the service if the part fails, or ends in whatever way before it was told to."""
        part.add_done_callback(partial(self._ended, told))

    def _ended(self, told: asyncio.Event, part: asyncio.Task[Any]) -> None:
        error = None if part.cancelled() else part.exception()
        if error is None:
            if told.is_set():
                return
            error = RuntimeError(f"{part.get_name()} ended by itself")
        log.critical("%s failed: %r", part.get_name(), error, exc_info=error)
        self.failures.append(error)
        self.stop.set()


@asynccontextmanager
async def running_service(settings: Settings, stop: asyncio.Event | None = None) -> AsyncIterator[Service]:
    """Run everything: store, broker, listener, scheduler, HTTP. Leaving the context stops all in order.

    ``stop`` becomes the service's own, see :attr:`Service.stop`.
    """
    clock = parse_clock(settings.clock)
    async with AsyncExitStack() as stack:
        store = await stack.enter_async_context(open_store(settings))
        broker = await stack.enter_async_context(running_broker(settings)) if settings.ingest else None
        # Without ingest, a broker elsewhere is still one to publish to.
        out = broker
        if out is None and settings.mqtt_url:
            out = await stack.enter_async_context(running_broker(settings))
        computing = await stack.enter_async_context(running_computing(settings.forecast_processes))
        reforecaster = Reforecaster(
            store, clock, settings.members, settings.horizon_days, computing.run, computing.count
        )
        service = Service(settings, store, clock, reforecaster, broker, stop or asyncio.Event())
        tally = Tally()
        if broker is not None:
            if not broker.redelivers:
                log.warning(
                    "The in-process broker does not send again what was not acknowledged when a connection breaks;"
                    " install mosquitto to lose nothing."
                )
            await stack.enter_async_context(_listening(service, broker, tally))
        app = create_app(store, clock, settings)
        if broker is not None:
            app.state.metrics.registry.register(tally)
        if interval_s(settings.reforecast_minutes, clock) > LONGEST_S:  # on a fast clock the runs come sooner
            await stack.enter_async_context(forecasting_soon(store, reforecaster.house))
        await stack.enter_async_context(_serving(service, app))
        # Not before all else has started: a token that is made and never shown would lock everyone out.
        async with store.write() as uow:
            token = await first_token(uow, clock)
        await stack.enter_async_context(
            running_scheduler(
                store,
                reforecaster,
                clock,
                settings.reforecast_minutes,
                Watcher(store, clock),
                settings.watch_minutes,
                told=app.state.metrics.ran,
            )
        )
        await stack.enter_async_context(watching_seed(store, clock))
        await stack.enter_async_context(watching_sensors(store, clock, settings))
        await stack.enter_async_context(thinning(store, clock))
        await stack.enter_async_context(delivering(make_deliverer(service, out)))
        # What was made by now stays until the end: hundreds of thousands of objects (modules, tables, operations) that
        # every full garbage collection would go through again, in the middle of some request.
        gc.collect()
        gc.freeze()
        try:
            yield replace(service, first_token=token)
        finally:
            gc.unfreeze()  # tests run several services in one process


def make_deliverer(service: Service, broker: BrokerHandle | None) -> Deliverer:
    """Return what sends the service's notices; what is retained goes to the broker."""
    settings = service.settings
    smtp = None
    if settings.smtp_host:
        smtp = Smtp(
            host=settings.smtp_host,
            port=settings.smtp_port,
            security=settings.smtp_security,
            sender=settings.smtp_from,
            user=settings.smtp_user,
            password=settings.smtp_secret(),
        )
    ways: dict[str, Way] = {
        "webhook": Webhooks(settings.targets()),
        "mail": Mail(smtp),
        "mqtt": MqttOut(broker.url if broker else None),
    }
    return Deliverer(service.store, service.clock, ways)


@asynccontextmanager
async def _listening(service: Service, broker: BrokerHandle, tally: Tally) -> AsyncIterator[None]:
    stop = asyncio.Event()
    listening = asyncio.create_task(
        run_ingest(
            service.store,
            service.clock,
            service.settings,
            stop,
            url=broker.url,
            mqtt5=broker.mqtt5,
            tally=tally,
        ),
        name="listening to the broker",
    )
    service.watch(listening, stop)
    try:
        yield
    finally:
        stop.set()
        await asyncio.gather(listening, return_exceptions=True)


class _Server(uvicorn.Server):
    """A server that leaves signals to the command that runs it."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Capture none."""
        yield


@asynccontextmanager
async def _serving(service: Service, app: Litestar) -> AsyncIterator[None]:
    app.state.reforecast = service.reforecaster.house
    settings = service.settings
    try:
        family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
        bound = socket.create_server((settings.host, settings.port), family=family, backlog=512)
    except OSError as error:
        raise SettingsError(
            f"cannot serve on EVENLEAF_HOST={settings.host} EVENLEAF_PORT={settings.port}: {error.strerror}"
        ) from error
    server = _Server(
        uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            timeout_graceful_shutdown=5,
            lifespan="on",
            forwarded_allow_ips=settings.trusted_proxies,
        )
    )
    serving = asyncio.create_task(server.serve(sockets=[bound]), name="serving HTTP")
    service.watch(serving, app.state.stopping)
    try:
        while not server.started:  # uvicorn offers no event
            if serving.done():
                raise RuntimeError("HTTP could not be served; the log says why")
            await asyncio.sleep(0.02)
        yield
    finally:
        app.state.stopping.set()  # ends streams, for which the server would wait
        server.should_exit = True
        await asyncio.gather(serving, return_exceptions=True)
        bound.close()
