"""Plays a scenario: sets the farm up over HTTP, then its sensors and its grower speak as the clock passes."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import httpx

from seed_demo.publisher import PlayError, Publisher
from seed_demo.scenario import Post, Scenario
from service.clock import Clock

__all__ = ["Grower", "PlayError", "Played", "Progress", "play"]

_AT_ONCE = 4  # chains of posts told at the same time
_NAP_S = 0.05
_PROGRESS_S = 0.25
_TIMEOUT_S = 60.0


@dataclass(frozen=True)
class Progress:
    """How far the playing is."""

    at: datetime  # the clock
    share: float  # of the span, 0..1
    readings: int
    posts: int


@dataclass(frozen=True)
class Played:
    """What was played."""

    messages: int
    readings: int
    posts: int
    ids: Mapping[str, int]  # what was created, by the scenario's keys


async def play(
    base_url: str,
    token: str,
    mqtt_url: str,
    mqtt5: bool,
    scenario: Scenario,
    clock: Clock,
    progress: Callable[[Progress], None],
) -> Played:
    """Play a scenario against a running service and broker.

    Parameters
    ----------
    base_url, token
        The API and a token that may read and write.
    mqtt_url, mqtt5
        The broker, and whether it speaks MQTT 5; otherwise 3.1.1 is spoken.
    scenario
        What to play. Nothing is said before its time.
    clock
        The clock shared with the service; it must run to the end of the scenario.
    progress
        Called a few times a second.

    Raises
    ------
    PlayError
        If the API refuses something, the broker cannot be reached or stops acknowledging, or the clock stands
        still.
    """
    publisher = Publisher(mqtt_url, mqtt5=mqtt5)
    headers = {"Authorization": f"Bearer {token}"}
    async with httpx.AsyncClient(base_url=base_url, headers=headers, timeout=_TIMEOUT_S) as http:
        grower = Grower(http)
        try:
            for post in scenario.setup:
                await grower.tell(post)
            await asyncio.to_thread(publisher.connect)
            work = (
                asyncio.ensure_future(asyncio.to_thread(publisher.send, scenario.messages, clock)),
                asyncio.ensure_future(grower.follow(scenario.ledger, clock)),
            )

            async def watch() -> None:
                while not all(part.done() for part in work):
                    now = clock.now()
                    share = min(1.0, max(0.0, (now - scenario.start) / (scenario.end - scenario.start)))
                    progress(Progress(now, share, publisher.readings, grower.posts))
                    await asyncio.sleep(_PROGRESS_S)

            await _together(*work, watch())
        finally:
            await asyncio.to_thread(publisher.close)
    return Played(publisher.messages, publisher.readings, grower.posts, grower.ids)


class Grower:
    """Tells the API what the grower does."""

    def __init__(self, http: httpx.AsyncClient) -> None:
        self._http = http
        self._busy = asyncio.Semaphore(_AT_ONCE)
        self.ids: dict[str, int] = {}
        self.posts = 0

    async def tell(self, post: Post) -> None:
        """Send one request and remember the id of what it created."""
        body = {**post.body, **{name: self.ids[key] for name, key in post.refs.items()}}
        path = post.path.format_map(self.ids)
        try:
            answer = await self._http.post(path, json=body)
        except httpx.HTTPError as error:
            raise PlayError(f"POST {path} failed: {error!r}") from error
        if answer.status_code != httpx.codes.CREATED:
            raise PlayError(f"POST {path} with {body} was answered {answer.status_code}: {answer.text}")
        if post.key is not None:
            self.ids[post.key] = answer.json()["id"]
        self.posts += 1

    async def follow(self, posts: Sequence[Post], clock: Clock) -> None:
        """Send requests at their times; those of one chain in order, some chains side by side."""
        coming = deque(posts)
        while coming:
            due: dict[str, list[Post]] = {}
            now = clock.now()
            while coming and coming[0].at <= now:
                post = coming.popleft()
                due.setdefault(post.chain, []).append(post)
            if due:
                await _together(*(self._chain(chain) for chain in due.values()))
            else:
                await asyncio.sleep(_NAP_S)

    async def _chain(self, posts: Sequence[Post]) -> None:
        async with self._busy:
            for post in posts:
                await self.tell(post)


async def _together(*work: Awaitable[None]) -> None:
    """Wait for all work; the first failure ends the rest and is raised as it is."""
    tasks = [asyncio.ensure_future(part) for part in work]
    try:
        await asyncio.gather(*tasks)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
