"""Answers that are kept as long as nothing has changed.

A screen on the wall and a controller ask the same again and again. The answer to an operation whose ``opt`` says
``kept`` is given again to the same asker while nothing was committed by any process (see
:mod:`service.records.freshness`) and the clock shows the same second: it is what reading again would give.
"""

from __future__ import annotations

from collections import OrderedDict
from typing import Any, cast

from litestar.enums import ScopeType
from litestar.middleware import ASGIMiddleware
from litestar.types import ASGIApp, HTTPScope, Message, Receive, Scope, Send

STAMP = "evenleaf_stamp"
MOST = 2000
LARGEST_BYTES = 500_000


class KeptAnswers(ASGIMiddleware):
    """Gives a kept answer again, or keeps it."""

    scopes = (ScopeType.HTTP,)

    def __init__(self) -> None:
        self._answers: OrderedDict[tuple[Any, ...], tuple[tuple[Any, ...], Message, Message]] = OrderedDict()

    async def handle(self, scope: Scope, receive: Receive, send: Send, next_app: ASGIApp) -> None:
        """Give the answer that is kept if it still holds."""
        scope = cast("HTTPScope", scope)
        stamp = scope["state"].get(STAMP)
        if scope["method"] != "GET" or stamp is None or not scope["route_handler"].opt.get("kept"):
            await next_app(scope, receive, send)
            return
        key = (scope["user"].identity, scope["path"], scope["query_string"])
        holds = (stamp, int(scope["litestar_app"].state.clock.now().timestamp()))
        found = self._answers.get(key)
        if found is not None and found[0] == holds:
            self._answers.move_to_end(key)
            start, body = dict(found[1]), dict(found[2])
            start["headers"] = list(cast("Any", found[1])["headers"])
            await send(cast("Message", start))
            await send(cast("Message", body))
            return
        sent: list[Message] = []

        async def keep(message: Message) -> None:
            sent.append(cast("Message", dict(message)))
            if message["type"] == "http.response.start":
                cast("Any", sent[-1])["headers"] = list(message["headers"])
            await send(message)

        await next_app(scope, receive, keep)
        if len(sent) == 2 and cast("Any", sent[0]).get("status") == 200:
            body = cast("Any", sent[1])
            if not body.get("more_body") and len(body["body"]) <= LARGEST_BYTES:
                self._answers[key] = (holds, sent[0], sent[1])
                self._answers.move_to_end(key)
                if len(self._answers) > MOST:
                    self._answers.popitem(last=False)
