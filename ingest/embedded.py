"""A broker inside this process, for machines without one. MQTT 3.1.1, loopback unless told otherwise."""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from amqtt.broker import Broker
from amqtt.contexts import BrokerConfig, ListenerConfig
from amqtt.plugins.base import BaseAuthPlugin
from amqtt.session import Session

_USER = "evenleaf"


class NamedSessions(BaseAuthPlugin):  # type: ignore[misc]
    """Let everyone in. Who gives a user name keeps a session while away; the others are anonymous."""

    async def authenticate(self, *, session: Session) -> bool:
        """Return whether a client may connect."""
        session.is_anonymous = not session.username
        return True


@asynccontextmanager
async def in_process_broker(bind: str) -> AsyncIterator[str]:
    """Run a broker; provides the user name under which a listener's messages are kept while it is away."""
    for name in ("amqtt", "transitions"):  # they tell of every packet and change of state
        logging.getLogger(name).setLevel(logging.ERROR)
    broker = Broker(
        BrokerConfig(
            listeners={"default": ListenerConfig(bind=bind)},
            plugins={f"{__name__}.{NamedSessions.__name__}": {}},
        )
    )
    await broker.start()
    try:
        yield _USER
    finally:
        await broker.shutdown()
