"""What all pages share: who asks, the frame around a page, its headers, and pages that say what went wrong."""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from http import HTTPStatus
from pathlib import Path
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

import jinja2
from litestar import Request, Response
from litestar.datastructures import State
from litestar.exceptions import HTTPException, PermissionDeniedException
from litestar.types import ExceptionHandlersMap

from service.changes import SAFE, transaction
from service.clock import Clock
from service.records.store import Store, UnitOfWork
from service.records.tables import House
from service.web import assets
from service.web.sessions import LoginNeeded, current_csrf, secure, to_login
from service.web.texts import Formats, Units, catalogue
from service.web.words import advice_said, alert_said, reasons_said
from service.work.access import Access
from service.work.errors import Conflict, NotAllowed, NotFound, WorkError
from service.work.listing import MAX_LIMIT
from service.work.places import list_houses

log = logging.getLogger(__name__)

Web = Request[Any, Any, State]

UNITS_COOKIE = "evenleaf_units"


@dataclass(frozen=True)
class Place:
    """A line of the navigation; its path may hold ``{house}``."""

    key: str  # of its text, under nav.
    path: str
    first: bool = False  # shown on a phone without opening the rest


NAVIGATION: list[Place] = [
    Place("today", "/houses/{house}/today", first=True),
    Place("belt", "/houses/{house}", first=True),
    Place("scan", "/scan?house={house}", first=True),
    Place("advice", "/houses/{house}/advice", first=True),
    Place("plan", "/houses/{house}/plan"),
    Place("orders", "/houses/{house}/orders"),
    Place("packing", "/houses/{house}/packing"),
    Place("seed", "/houses/{house}/seed"),
    Place("conditions", "/houses/{house}/conditions"),
    Place("log", "/houses/{house}/log"),
    Place("trace", "/trace?house={house}"),
    Place("report", "/houses/{house}/report"),
    Place("settings", "/houses/{house}/settings"),
]
"""Where one can go from a house."""


def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(
        asset=assets.url, advice_said=advice_said, alert_said=alert_said, reasons_said=reasons_said
    )
    return environment


@cache
def environment() -> jinja2.Environment:
    """Return the templates, read once."""
    return _environment()


# --------------------------------------------------------------------------- the frame


@asynccontextmanager
async def reading(request: Web) -> AsyncIterator[UnitOfWork]:
    """Have a transaction to read in."""
    store: Store = request.app.state.store
    async with store.read() as uow:
        yield uow


@asynccontextmanager
async def writing(request: Web) -> AsyncIterator[UnitOfWork]:
    """Have a transaction to write in; it is kept with the answer, unless that says that something was wrong.

    A handler whose ``opt`` says ``own_transactions`` has it kept on leaving.
    """
    if request.route_handler.opt.get("own_transactions"):
        store: Store = request.app.state.store
        async with store.write() as uow:
            yield uow
    else:
        yield await transaction(request)


def clock_of(request: Web) -> Clock:
    """Return the clock that everything shares."""
    clock: Clock = request.app.state.clock
    return clock


def listens_to(request: Web) -> str:
    """Return the filter of the topics that are listened to."""
    topic_filter: str = request.app.state.settings.mqtt_topic
    return topic_filter


def access_of(request: Web) -> Access:
    """Return what the asker of a page may."""
    access: Access = request.user
    return access


@dataclass
class Frame:
    """The frame around one page."""

    request: Web
    houses: Sequence[House] = ()
    house: House | None = None
    now: datetime = field(init=False)

    def __post_init__(self) -> None:
        self.now = clock_of(self.request).now()

    @property
    def asker(self) -> Access | None:
        """Who has logged in; none on pages that are open to all."""
        # Not there where no page was found at all.
        asker: Access | None = self.request.scope.get("user")
        return asker

    @property
    def access(self) -> Access:
        """What the asker may, on pages that are for those who have logged in."""
        return access_of(self.request)

    @property
    def csrf(self) -> str:
        """Stands in every form of the session."""
        # Not there where no page was found at all.
        return current_csrf(self.request) if dict(self.request.scope).get("auth") else ""

    @property
    def formats(self) -> Formats:
        """How things are written here."""
        zone = ZoneInfo(self.house.time_zone) if self.house else ZoneInfo("UTC")
        return Formats(catalogue(), zone, units_of(self.request))

    def stand_in(self, *, house_id: int | None = None, farm_id: int | None = None) -> None:
        """Show a page that is of no house as from one: the one asked for, or the farm's first."""
        typed = self.request.query_params.get("house", "")
        if house_id is None and typed.isascii() and typed.isdigit() and len(typed) < 19:
            house_id = int(typed)
        there = [h for h in self.houses if farm_id in {None, h.farm_id}]
        self.house = next((h for h in there if h.id == house_id), there[0] if there else None)

    def may(self, scope: str) -> bool:
        """Return whether the asker may do something, to show its form or not."""
        return self.asker is not None and self.asker.may(scope)

    @property
    def navigation(self) -> list[tuple[Place, str, bool]]:
        """Where one can go, by which path, and whether one is there."""
        if self.house is None:
            return []
        here = self.request.url.path
        paths = [(place, place.path.format(house=self.house.id)) for place in NAVIGATION]
        return [(place, path, path.split("?", 1)[0] == here) for place, path in paths]

    def page(self, template: str, status: int = 200, **view: Any) -> Response[str]:
        """Return a page."""
        texts = catalogue()
        said = self.request.query_params.get("said", "")
        content = (
            environment()
            .get_template(template)
            .render(
                frame=self,
                f=self.formats,
                t=texts.text,
                said=texts.text(f"said.{said}") if f"said.{said}" in texts else "",
                script_texts=texts.below("script"),
                **view,
            )
        )
        return Response(content, status_code=status, media_type="text/html; charset=utf-8")


def house_of(frame: Frame) -> House:
    """Return the house of a page that is of one."""
    assert frame.house is not None  # noqa: S101 - the frame was made for a house
    return frame.house


def units_of(request: Web) -> Units:
    """Return the units that this browser asked for."""
    return "us" if request.cookies.get(UNITS_COOKIE) == "us" else "metric"


async def frame_of(uow: UnitOfWork, request: Web, house_id: int | None = None) -> Frame:
    """Return the frame of a page, of a house or of none.

    Raises
    ------
    NotFound
        If there is no such house, or it is another farm's.
    """
    houses, _ = await list_houses(uow, access_of(request), limit=MAX_LIMIT)
    house = None
    if house_id is not None:
        house = next((h for h in houses if h.id == house_id), None)
        if house is None:
            raise NotFound(catalogue().text("error.no_house"))
    return Frame(request, houses, house)


def see_other(path: str, said: str = "", anchor: str = "") -> Response[None]:
    """Lead to another page, or a place on it, after a form, with a sentence of the catalogue that it will show."""
    if said:
        path += f"{'&' if '?' in path else '?'}said={quote(said)}"
    if anchor:
        path += f"#{anchor}"
    return Response(
        None, status_code=HTTPStatus.SEE_OTHER, media_type="text/plain", headers={"location": path}
    )


# --------------------------------------------------------------------------- what went wrong


def exception_handlers() -> ExceptionHandlersMap:
    """Return the handlers that make a page of every exception."""
    return {
        LoginNeeded: to_login,
        HTTPException: _on_http,
        WorkError: _on_work,
        Exception: _on_bug,
    }


def page_or(otherwise: ExceptionHandlersMap) -> ExceptionHandlersMap:
    """Return the handlers for what no router has: a page for a browser that looks for one, else ``otherwise``."""

    def on_http(request: Web, error: HTTPException) -> Response[Any]:
        wants_page = "text/html" in request.headers.get("accept", "") and not request.url.path.startswith(
            "/v1"
        )
        handle: Any = _on_http if wants_page else otherwise[HTTPException]
        answer: Response[Any] = handle(request, error)
        return answer

    return {**otherwise, HTTPException: on_http}


def _problem_page(
    request: Web, status: int, kind: str, detail: str = "", parameters: Mapping[str, Any] | None = None
) -> Response[str]:
    texts = catalogue()
    answer = Frame(request).page(
        "problem.html",
        status,
        heading=texts.text(f"error.{kind}.title"),
        detail=detail,
        advice=texts.text(f"error.{kind}.next", **(parameters or {})),
    )
    secure(answer)
    return answer


def _on_http(request: Web, error: HTTPException) -> Response[str]:
    if error.status_code >= HTTPStatus.INTERNAL_SERVER_ERROR:
        return _on_bug(request, error)
    kinds = {401: "not_allowed", 403: "not_allowed", 404: "not_found", 405: "not_found"}
    if isinstance(error, PermissionDeniedException) and _could(request):
        return _problem_page(request, error.status_code, "forged")
    return _problem_page(request, error.status_code, kinds.get(error.status_code, "refused"))


def _could(request: Web) -> bool:
    """Return whether the asker may do what was refused, so that the form itself was at fault."""
    scope: str = request.route_handler.opt.get("scope") or ("read" if request.method in SAFE else "write")
    asker: Access | None = request.scope.get("user")
    return asker is None or scope == "any" or asker.may(scope)


def _on_work(request: Web, error: WorkError) -> Response[str]:
    if isinstance(error, NotFound):
        return _problem_page(request, HTTPStatus.NOT_FOUND, "not_found", error.detail)
    if isinstance(error, NotAllowed):
        return _problem_page(request, HTTPStatus.FORBIDDEN, "not_allowed", error.detail)
    status = HTTPStatus.CONFLICT if isinstance(error, Conflict) else HTTPStatus.UNPROCESSABLE_ENTITY
    return _problem_page(request, status, "refused", error.detail)


def _on_bug(request: Web, error: Exception) -> Response[str]:
    log.error("%s %s failed", request.method, request.url.path, exc_info=error)
    return _problem_page(request, HTTPStatus.INTERNAL_SERVER_ERROR, "bug")
