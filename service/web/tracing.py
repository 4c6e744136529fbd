"""The trace: from a lot, batch, section or order to everything on its way from seed to buyer."""

from __future__ import annotations

from datetime import date
from urllib.parse import urlencode

from litestar import Response, get

from service.web.frame import Web, frame_of, reading, see_other
from service.web.texts import catalogue
from service.work.errors import NotFound, WorkError
from service.work.finding import Found, find_beginnings
from service.work.listing import MAX_LIMIT
from service.work.sections import list_sections
from service.work.trace import Trace, trace
from service.work.trace_events import CAUTION


@get("/trace")
async def show_trace(request: Web) -> Response[str] | Response[None]:
    """Search for where to begin; show the way through it."""
    asked = {
        name: request.query_params.get(name, "").strip() for name in ("house", "q", "from", "section", "on")
    }
    beginning = asked["from"] or (f"section:{asked['section']}" if asked["section"] else "")
    problem, way, found = "", None, list[Found]()
    async with reading(request) as uow:
        frame = await frame_of(uow, request)
        frame.stand_in()
        sections, _ = await list_sections(
            uow, frame.access, house_id=frame.house.id if frame.house else None, limit=MAX_LIMIT
        )
        if beginning:
            try:
                on = date.fromisoformat(asked["on"]) if asked["on"] else None
                way = await trace(uow, frame.access, beginning, on)
            except ValueError:
                problem = catalogue().text("form.not_a_day")
            except NotFound:
                problem = catalogue().text("trace.nothing")
            except WorkError as refused:
                problem = refused.detail
        elif asked["q"]:
            found = await find_beginnings(uow, frame.access, asked["q"])
    if len(found) == 1:
        query = urlencode({"house": asked["house"], "from": f"{found[0].kind}:{found[0].id}"})
        return see_other(f"/trace?{query}")
    return frame.page(
        "trace.html",
        422 if problem else 200,
        asked=asked,
        found=found,
        problem=problem,
        way=way,
        seen=_Seen(way) if way else None,
        sections=[(view.section.id, view.section.name) for view in sections],
        query=_export(beginning, asked["on"]),
        caution=CAUTION,
    )


def _export(beginning: str, on: str) -> str:
    """Return what the export is asked for."""
    return urlencode({"from": beginning} | ({"on": on} if on else {}))


class _Seen:
    """Names of what lies along a way, by id."""

    def __init__(self, way: Trace) -> None:
        self.batches = {batch.id: batch for batch in way.batches}
        self.sections = {section.id: section for section in way.sections}
        self.lots = {lot.lot.id: lot.lot for lot in way.packed_lots}
        self.orders = {order.id: order for order in way.orders}
        self.seed_lots = {lot.id: lot for lot in way.seed_lots}
        self.house_ids = {batch.id: batch.house_id for batch in way.batches}
