"""The house's log and its events: solution, additions, cleaning, notes; shade, set points, lamps, closed days."""

from __future__ import annotations

from typing import Any

from litestar import Response, get, post
from litestar.params import FromPath

from service.records.store import UnitOfWork
from service.records.tables import HouseLogEntry
from service.web.batches import RECORD
from service.web.forms import Form, Forms
from service.web.frame import Web, access_of, clock_of, frame_of, reading, see_other, writing
from service.web.texts import Formats, catalogue
from service.work.errors import NotFound, WorkError
from service.work.events import KINDS as EVENT_KINDS
from service.work.events import change_event, create_event, list_events
from service.work.house_log import CAUTIONS, CLEANED, KINDS, UNITS, append_log, list_log
from service.work.listing import MAX_LIMIT
from service.work.places import list_zones
from service.work.sections import list_sections

_SHOWN = 60


@get("/houses/{house_id:int}/log")
async def show_log(request: Web, house_id: FromPath[int]) -> Response[str]:
    """Show the log and the events."""
    return await _page(request, house_id, Forms())


async def _page(request: Web, house_id: int, forms: Forms, status: int = 200) -> Response[str]:
    async with reading(request) as uow:
        frame = await frame_of(uow, request, house_id)
        entries = await _last_entries(uow, request, house_id)
        events, _ = await list_events(uow, frame.access, house_id=house_id, active=True, limit=MAX_LIMIT)
        zones, _ = await list_zones(uow, frame.access, house_id=house_id, limit=MAX_LIMIT)
        sections, _ = await list_sections(uow, frame.access, house_id=house_id, limit=MAX_LIMIT)
    today = frame.formats.local(frame.now).date()
    return frame.page(
        "log.html",
        status,
        entries=entries,
        events=sorted(events, key=lambda e: e.starts_on, reverse=True),
        zones=zones,
        zone_names={zone.id: zone.name for zone in zones},
        sections=[(view.section.id, view.section.name) for view in sections],
        section_names={view.section.id: view.section.name for view in sections},
        kinds=KINDS,
        event_kinds=EVENT_KINDS,
        units=UNITS,
        cleaned=CLEANED,
        cautions=CAUTIONS,
        today=today,
        record_scope=RECORD,
        forms_sent=forms,
    )


async def _last_entries(uow: UnitOfWork, request: Web, house_id: int) -> list[HouseLogEntry]:
    """Return the last entries that hold, the newest first."""
    found: list[HouseLogEntry] = []
    after: int | None = None
    while True:
        page, after = await list_log(
            uow, access_of(request), house_id, holding=True, after=after, limit=MAX_LIMIT
        )
        found = (found + page)[-_SHOWN:]
        if after is None:
            return sorted(found, key=lambda e: (e.happened_at, e.id), reverse=True)


@post("/houses/{house_id:int}/log", opt={"scope": RECORD})
async def write_log(request: Web, house_id: FromPath[int]) -> Response[Any]:
    """Write down what was measured, added or cleaned, or take an entry back."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    try:
        async with writing(request) as uow:
            frame = await frame_of(uow, request, house_id)
            taking_back = bool(form.value("supersedes_id"))
            values = (
                {"supersedes_id": form.whole("supersedes_id"), "void": True}
                if taking_back
                else _log_values(form, frame.formats)
            )
            await append_log(uow, clock_of(request), frame.access, house_id, form.checked(**values))
    except NotFound:
        raise
    except WorkError as refused:
        return await _page(request, house_id, Forms(form.value("kind"), form.refused(refused)), 422)
    return see_other(f"/houses/{house_id}/log", "undone" if taking_back else "written")


def _log_values(form: Form, formats: Formats) -> dict[str, Any]:
    return {
        "kind": form.text("kind"),
        "happened_at": form.moment("happened_at", formats),
        "zone_id": form.whole("zone_id"),
        "section_id": form.whole("section_id"),
        "ph": form.number("ph"),
        "ec_ms_cm": form.number("ec_ms_cm"),
        "temp_solution_c": form.celsius("temp_solution_c", formats),
        "substance": form.text("substance"),
        "amount": form.number("amount"),
        "amount_unit": form.text("amount_unit") if form.value("amount") else None,
        "what": form.text("what"),
        "note": form.text("note"),
    }


@post("/houses/{house_id:int}/events")
async def add_event(request: Web, house_id: FromPath[int]) -> Response[Any]:
    """Write down a change of the house, past or to come."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    try:
        async with writing(request) as uow:
            formats = (await frame_of(uow, request, house_id)).formats
            values = form.checked(
                house_id=house_id,
                kind=form.text("kind"),
                starts_on=form.day("starts_on"),
                ends_on=form.day("ends_on"),
                light_factor=form.number("light_percent", 0.01),
                temp_heat_day_c=form.celsius("temp_heat_day_c", formats),
                temp_heat_night_c=form.celsius("temp_heat_night_c", formats),
                temp_vent_c=form.celsius("temp_vent_c", formats),
                lamp_ppfd_umol=form.number("lamp_ppfd_umol"),
                lamp_start_h=form.number("lamp_start_h"),
                lamp_hours=form.number("lamp_hours"),
                zone_id=form.whole("zone_id"),
                sites=form.whole("sites"),
                note=form.text("note"),
            )
            await create_event(uow, access_of(request), values)
    except NotFound:
        raise
    except WorkError as refused:
        names = {"light_factor": "light_percent"}
        name = f"event-{form.value('kind')}"
        return await _page(request, house_id, Forms(name, form.refused(refused, names)), 422)
    return see_other(f"/houses/{house_id}/log", "event_added", "events")


@post("/houses/{house_id:int}/events/{event_id:int}/off")
async def call_event_off(request: Web, house_id: FromPath[int], event_id: FromPath[int]) -> Response[None]:
    """Call an event off."""
    async with writing(request) as uow:
        await frame_of(uow, request, house_id)
        await change_event(uow, access_of(request), event_id, {"active": False})
    return see_other(f"/houses/{house_id}/log", "event_off", "events")
