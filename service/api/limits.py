"""Answers that need not be sent again, and askers who ask too often."""

from __future__ import annotations

import hashlib
import math
import time
from collections import OrderedDict
from dataclasses import dataclass
from typing import cast

from litestar.datastructures import Headers, MutableScopeHeaders
from litestar.enums import ScopeType
from litestar.exceptions import TooManyRequestsException
from litestar.middleware import ASGIMiddleware
from litestar.types import ASGIApp, HTTPScope, Message, Receive, Scope, Send

from service.work.access import Access


class ConditionalGet(ASGIMiddleware):
    """Gives every answer to a GET an ETag, and answers 304 where ``If-None-Match`` names it.

    What has an ETag of its own (the version, for ``If-Match``) keeps it. A stream is sent as it comes.
    """

    scopes = (ScopeType.HTTP,)

    async def handle(self, scope: Scope, receive: Receive, send: Send, next_app: ASGIApp) -> None:
        """Hold the head of the answer back until its body is known."""
        scope = cast("HTTPScope", scope)
        if scope["method"] != "GET":
            await next_app(scope, receive, send)
            return
        wanted = Headers.from_scope(scope).get("if-none-match")
        held: Message | None = None

        async def conditional(message: Message) -> None:
            nonlocal held
            if message["type"] == "http.response.start" and message["status"] == 200:
                held = message
                return
            if message["type"] != "http.response.body" or held is None:
                await send(message)
                return
            head, held = held, None
            if not message.get("more_body"):
                headers = MutableScopeHeaders(head)  # type: ignore[arg-type]
                tag = headers.get("etag") or tag_of(message["body"])
                headers["etag"] = tag
                headers.setdefault("cache-control", "private, no-cache")
                headers.setdefault("vary", "Authorization, Cookie")
                if wanted is not None and _matches(wanted, tag):
                    head["status"] = 304  # type: ignore[typeddict-unknown-key]
                    for name in ("content-length", "content-type"):
                        if name in headers:
                            del headers[name]
                    message["body"] = b""
            await send(head)
            await send(message)

        await next_app(scope, receive, conditional)


def tag_of(body: bytes) -> str:
    """Return the ETag of an answer by what is in it."""
    return f'W/"{hashlib.blake2b(body, digest_size=12).hexdigest()}"'


def _matches(wanted: str, tag: str) -> bool:
    """Compare weakly, as RFC 9110 (13.1.2) says for If-None-Match."""
    if wanted.strip() == "*":
        return True
    return tag.removeprefix("W/") in [one.strip().removeprefix("W/") for one in wanted.split(",")]


@dataclass
class _Bucket:
    left: float
    at: float


class RateLimit:
    """So many requests a minute of each asker: a bucket that holds a minute's worth and refills evenly.

    Counted in this process: with N replicas an asker may do up to N times as much.
    """

    MOST_ASKERS = 10_000

    def __init__(self, per_minute: float) -> None:
        self._per_minute = per_minute
        self._buckets: OrderedDict[str, _Bucket] = OrderedDict()

    def check(self, access: Access) -> None:
        """Take one request off the asker's bucket.

        Raises
        ------
        TooManyRequestsException
            If it is empty.
        """
        if self._per_minute <= 0.0:
            return
        now = time.monotonic()
        bucket = self._buckets.setdefault(access.identity, _Bucket(self._per_minute, now))
        self._buckets.move_to_end(access.identity)
        if len(self._buckets) > self.MOST_ASKERS:
            self._buckets.popitem(last=False)
        rate_s = self._per_minute / 60.0
        bucket.left = min(self._per_minute, bucket.left + (now - bucket.at) * rate_s)
        bucket.at = now
        if bucket.left < 1.0:
            wait = math.ceil((1.0 - bucket.left) / rate_s)
            raise TooManyRequestsException(
                f"More than {self._per_minute:g} requests a minute; try again in {wait} s.",
                headers={"Retry-After": str(wait)},
            )
        bucket.left -= 1.0
