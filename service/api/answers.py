"""Answers that are kept as long as what they show has not changed.

A screen on the wall and a controller ask the same again and again. The answer to an operation whose ``opt`` says
``kept`` is given again to the same asker while no process has changed anything that it shows (see
:mod:`service.records.freshness`), for :data:`LONGEST_S` at most: a process of an older version that still runs beside
this one counts no such changes. ``opt["kept"]`` is the parameter that names the house that is shown; without it, a
change of any house counts.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping
from typing import Any, NamedTuple, cast
from urllib.parse import parse_qs

from litestar.enums import ScopeType
from litestar.middleware import ASGIMiddleware
from litestar.types import ASGIApp, HTTPScope, Message, Receive, Scope, Send

from service.records.freshness import Seen

SEEN = "evenleaf_seen"
MOST = 2000
MOST_BYTES = 64_000_000
LARGEST_BYTES = 500_000
LONGEST_S = 10.0


class Kept(NamedTuple):
    """An answer, and what it was made from."""

    holds: tuple[int, ...]
    at_s: float
    start: Message
    body: Message


class Answers:
    """The answers that one application keeps; what was asked for least lately makes room."""

    def __init__(self) -> None:
        self._answers: OrderedDict[tuple[Any, ...], Kept] = OrderedDict()
        self._bytes = 0

    def find(self, key: tuple[Any, ...], holds: tuple[int, ...], now_s: float) -> Kept | None:
        """Return an answer that still holds."""
        found = self._answers.get(key)
        if found is None or found.holds != holds or not 0.0 <= now_s - found.at_s < LONGEST_S:
            return None
        self._answers.move_to_end(key)
        return found

    def keep(self, key: tuple[Any, ...], answer: Kept) -> None:
        """Keep an answer."""
        before = self._answers.pop(key, None)
        if before is not None:
            self._bytes -= _size(before)
        self._answers[key] = answer
        self._bytes += _size(answer)
        while len(self._answers) > MOST or self._bytes > MOST_BYTES:
            self._bytes -= _size(self._answers.popitem(last=False)[1])


class KeptAnswers(ASGIMiddleware):
    """Gives a kept answer again, or keeps it."""

    scopes = (ScopeType.HTTP,)

    async def handle(self, scope: Scope, receive: Receive, send: Send, next_app: ASGIApp) -> None:
        """Give the answer that is kept if it still holds."""
        scope = cast("HTTPScope", scope)
        seen: Seen | None = scope["state"].get(SEEN)
        house = scope["route_handler"].opt.get("kept") if scope["method"] == "GET" else None
        if house is None or seen is None:
            await next_app(scope, receive, send)
            return
        key = (scope["user"].identity, scope["path"], scope["query_string"])
        holds = (*seen.of(_house(scope, house)), seen.access)
        state = scope["litestar_app"].state
        now_s: float = state.clock.now().timestamp()
        found = state.answers.find(key, holds, now_s)
        if found is not None:
            start, body = dict(found.start), dict(found.body)
            start["headers"] = list(cast("Any", found.start)["headers"])
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
                state.answers.keep(key, Kept(holds, now_s, sent[0], sent[1]))


def _size(answer: Kept) -> int:
    return len(cast("Any", answer.body)["body"])


def _house(scope: HTTPScope, name: str) -> int | None:
    """Return the house that a parameter of path or query names; None: it names none, or not one."""
    given: Mapping[str, Any] = scope["path_params"]
    if name in given:
        return int(given[name])
    values = parse_qs(scope["query_string"].decode("latin-1")).get(name, [])
    return int(values[0]) if len(values) == 1 and values[0].isascii() and values[0].isdigit() else None
