"""Server-sent events: what changed, as it changes, to be resumed where it broke off."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from typing import Annotated, Literal

from litestar import get
from litestar.datastructures import State
from litestar.openapi.datastructures import ResponseSpec
from litestar.params import HeaderParameter, QueryParameter
from litestar.response import ServerSentEvent, ServerSentEventMessage

from service.api.bodies import View
from service.api.operations import Asker
from service.api.problems import parameter_fault, problem_responses
from service.records.store import Store
from service.records.tables import Change
from service.work import stream
from service.work.access import Access

LOOK_S = 1.0
BEAT_S = 15.0
LONGEST_S = 900.0
"""After so long a stream ends, and a client that comes again is asked for its token again."""

_EVENTS = (
    "Events `change` with the data `{kind, id, what, houseId, batchId}`: read what it names again. An event `here`"
    " comes first and says where the stream begins; `reset` says that changes are missing between what was asked for"
    " and this: read everything again. The stream ends after 15 minutes; come again with `Last-Event-ID`, as"
    " browsers do by themselves."
)


class StreamedEvent(View):
    """One event of the stream."""

    data: str
    """JSON, as `event` says."""
    event: Literal["here", "reset", "change"] | None = None
    id: str | None = None
    """To be sent as `Last-Event-ID` to go on from here."""


@get(
    "/events-stream",
    operation_id="streamChanges",
    tags=["Notices"],
    # Under its own name: the answer goes on, so no part of it can be described as a body.
    responses={
        **problem_responses(400, 401, 403),
        200: ResponseSpec(
            StreamedEvent, media_type="text/event-stream", description=_EVENTS, generate_examples=False
        ),
    },
)
async def stream_changes(
    state: State,
    access: Asker,
    last_event_id: Annotated[
        str | None,
        HeaderParameter(
            name="Last-Event-ID", description="Id of the last event seen; what came after it follows."
        ),
    ] = None,
    after: Annotated[
        str | None, QueryParameter(name="after", description="The same, where a header cannot be sent.")
    ] = None,
) -> ServerSentEvent:
    """Follow changes as they are made, with at most a second or two between."""
    seen = _seen("Last-Event-ID", last_event_id) if last_event_id else _seen("after", after)
    return ServerSentEvent(
        _events(state.store, access, seen, state.stopping), headers={"Cache-Control": "no-store"}
    )


def _seen(name: str, text: str | None) -> int | None:
    if text is None or not text.strip():
        return None
    if not text.strip().isdecimal() or len(text) > 18:
        raise parameter_fault(name, f"{text[:40]!r} is not the id of an event")
    return int(text)


async def _events(
    store: Store, access: Access, seen: int | None, stopping: asyncio.Event
) -> AsyncIterator[ServerSentEventMessage]:
    loop = asyncio.get_running_loop()
    begun = beaten = loop.time()
    async with store.read() as uow:
        at = await stream.position(uow, seen)
    # Short transactions, never one held open while a client reads slowly.
    yield ServerSentEventMessage(event="here" if at.complete else "reset", data="{}", id=str(at.after))
    after = at.after
    while not stopping.is_set() and loop.time() - begun < LONGEST_S:
        async with store.read() as uow:
            changes = await stream.changes_after(uow, access, after)
        for change in changes:
            after = change.id
            yield ServerSentEventMessage(event="change", data=_data(change), id=str(change.id))
        if changes:
            beaten = loop.time()
        elif loop.time() - beaten >= BEAT_S:
            beaten = loop.time()
            yield ServerSentEventMessage(comment="still here")
        try:
            async with asyncio.timeout(LOOK_S):
                await stopping.wait()
        except TimeoutError:
            continue


def _data(change: Change) -> str:
    return json.dumps(
        {
            "kind": change.kind,
            "id": change.row_id,
            "what": change.what,
            "houseId": change.house_id,
            "batchId": change.batch_id,
        }
    )
