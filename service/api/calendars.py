"""Calendar feeds, and the address at which a calendar reads one."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from typing import Annotated, Any

from litestar import Controller, Request, Response, delete, get, post
from litestar.datastructures import State
from litestar.di import Provide
from litestar.openapi.datastructures import ResponseSpec
from litestar.params import FromPath, JSONBody
from msgspec import Meta

from service.api.bodies import Body, Page, View, page, view
from service.api.operations import (
    CREATE,
    LOCATION,
    PAGE,
    READ,
    After,
    Asker,
    Limit,
    Now,
    RowId,
    Uow,
)
from service.api.problems import problem_responses
from service.asker import provide_clock
from service.changes import provide_uow
from service.papers import calendar as papers
from service.work import calendar_feeds

Name = Annotated[str, Meta(description="What the calendar is called.", examples=["North house"])]
FarmId = Annotated[int, Meta(description="The farm it shows.", examples=[1])]
HouseId = Annotated[int | None, Meta(description="The one house it shows; null: every house.", examples=[1])]


class CalendarNew(Body):
    """A calendar feed to be made."""

    name: Name
    farm_id: FarmId
    house_id: HouseId = None


class CalendarView(View):
    """A calendar feed, without its address."""

    id: int
    name: Name
    farm_id: FarmId
    house_id: HouseId
    created_at: datetime
    revoked_at: Annotated[datetime | None, Meta(description="Null: it still works.")]


class CalendarMade(CalendarView):
    """A calendar feed with its address."""

    path: Annotated[
        str,
        Meta(
            description="Where a calendar reads it, without a token: whoever has the address may read. Shown only"
            " this once.",
            examples=["/calendars/3x6ZbQ.ics"],
        ),
    ]
    url: Annotated[
        str | None, Meta(description="The same with the service's public address, where that is set.")
    ]


class CalendarPage(Page):
    """Calendar feeds."""

    items: list[CalendarView]


class Calendars(Controller):
    """Calendar feeds."""

    path = "/calendars"
    tags = ("Notices",)

    @get(operation_id="listCalendars", responses=READ)
    async def list_calendars(
        self, uow: Uow, access: Asker, after: After = None, limit: Limit = PAGE
    ) -> CalendarPage:
        """List calendar feeds, revoked ones included."""
        return page(CalendarPage, await calendar_feeds.list_feeds(uow, access, after=after, limit=limit))

    @post(operation_id="createCalendar", responses=CREATE, response_headers=[LOCATION])
    async def create_calendar(
        self, uow: Uow, clock: Now, access: Asker, state: State, data: JSONBody[CalendarNew]
    ) -> Response[CalendarMade]:
        """Make a calendar feed. Its address is in this answer and nowhere else."""
        row, secret = await calendar_feeds.create_feed(
            uow, clock, access, data.name, data.farm_id, data.house_id
        )
        shown = view(CalendarView, row)
        path = f"/calendars/{secret}.ics"
        public: str = state.settings.public_url.rstrip("/")
        made = CalendarMade(
            **{name: getattr(shown, name) for name in CalendarView.__struct_fields__},
            path=path,
            url=public + path if public else None,
        )
        headers = {"Location": "/v1/calendars", "Cache-Control": "no-store"}
        return Response(made, headers=headers)

    @delete("/{calendar_id:int}", operation_id="revokeCalendar", responses=READ, status_code=200)
    async def revoke_calendar(self, uow: Uow, clock: Now, access: Asker, calendar_id: RowId) -> CalendarView:
        """Revoke a calendar feed for good."""
        return view(CalendarView, await calendar_feeds.revoke_feed(uow, clock, access, calendar_id))


@get(
    "/calendars/{file:str}",
    operation_id="readCalendar",
    tags=["Notices"],
    dependencies={"uow": Provide(provide_uow), "clock": Provide(provide_clock)},
    responses={
        **problem_responses(400, 404),
        200: ResponseSpec(
            str, media_type="text/calendar", description="A calendar (RFC 5545).", generate_examples=False
        ),
        304: ResponseSpec(None, description="As it was, by `If-None-Match`.", generate_examples=False),
    },
    security=[{}],
)
async def read_calendar(
    request: Request[Any, Any, Any], uow: Uow, clock: Now, file: FromPath[str]
) -> Response[bytes]:
    """Read a calendar; its secret address is all that is needed. Days that move keep their entry."""
    feed = await calendar_feeds.read_feed(uow, clock, file.removesuffix(".ics"))
    entries = [papers.Entry(**asdict(entry)) for entry in feed.entries]
    tag = f'"{papers.digest(feed.name, entries)}"'
    headers = {"ETag": tag, "Cache-Control": "private, max-age=300", "Referrer-Policy": "no-referrer"}
    if tag in request.headers.get("if-none-match", ""):
        return Response(b"", status_code=304, headers=headers)
    body = papers.calendar(feed.name, feed.time_zone, entries, clock.now())
    return Response(body, media_type=papers.MEDIA_TYPE, headers=headers)
