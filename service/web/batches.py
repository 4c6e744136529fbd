"""A batch: what it is, what is expected of it, what was written down, and the forms to write down more."""

from __future__ import annotations

import io
from typing import Any

import segno
from litestar import Response, get, post
from litestar.params import FromPath

from service.records.tables import Entry
from service.web.forms import Form
from service.web.frame import (
    Frame,
    Web,
    access_of,
    clock_of,
    frame_of,
    reading,
    see_other,
    writing,
)
from service.web.lots import at_first, lots_sown, seed_lots_of
from service.web.sessions import local_path
from service.web.texts import Formats, catalogue
from service.work.batches import BatchView, append_entry, change_batch, get_batch, list_entries
from service.work.conclusions import list_forecasts
from service.work.crops import get_crop
from service.work.errors import NotFound, WorkError
from service.work.finding import find_batches
from service.work.line import span
from service.work.programme import get_succession
from service.work.work_list import WEIGHED_HEADS

FORMS = {
    "nursery": ("transplanted", "leaves_counted", "emergence_counted", "discarded"),
    "channels": ("harvested", "weighed", "leaves_counted", "discarded", "transplanted"),
    "finished": (),
}
"""What can be written down at a stage, the most usual first."""
RECORD = "record"
"""The scope that writing down takes."""
_EVENTS = ("emergence", "window_open", "window_close", "transplant", "harvest", "last_harvest")


@get("/batches/{batch_id:int}")
async def show_batch(request: Web, batch_id: FromPath[int]) -> Response[str]:
    """Show a batch."""
    return await _page(request, batch_id)


@get("/batches/{batch_id:int}/code.svg")
async def get_batch_code(request: Web, batch_id: FromPath[int]) -> Response[bytes]:
    """Return a QR code that opens the batch's page."""
    async with reading(request) as uow:
        await get_batch(uow, access_of(request), batch_id)
    out = io.BytesIO()
    address = f"{str(request.base_url).rstrip('/')}/batches/{batch_id}"
    segno.make(address, error="m", micro=False).save(
        out, kind="svg", scale=4, border=4, dark="#000", light="#fff", xmldecl=False
    )
    return Response(out.getvalue(), media_type="image/svg+xml")


@post("/batches/{batch_id:int}/entries", opt={"scope": RECORD})
async def record_entry(request: Web, batch_id: FromPath[int]) -> Response[Any]:
    """Write down what happened; what is wrong is said at its field and nothing is lost of what was typed."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    back = local_path(form.value("back") or f"/batches/{batch_id}")
    try:
        async with writing(request) as uow:
            formats = (await _frame(uow, request, batch_id)).formats
            entry, _ = await append_entry(
                uow, clock_of(request), access_of(request), batch_id, _entry_values(form, formats)
            )
    except NotFound:
        raise
    except WorkError as refused:
        return await _page(request, batch_id, form.refused(refused), status=422)
    return see_other(f"{back}?recorded={entry.id}&batch={batch_id}")


@post("/batches/{batch_id:int}/undo", opt={"scope": RECORD})
async def undo_entry(request: Web, batch_id: FromPath[int]) -> Response[Any]:
    """Take an entry back: a correction that supersedes it, so that both stay readable."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    back = local_path(form.value("back") or f"/batches/{batch_id}")
    values = form.checked(supersedes_id=form.whole("entry"), void=True)
    async with writing(request) as uow:
        await append_entry(uow, clock_of(request), access_of(request), batch_id, values)
    return see_other(back, "undone")


@post("/batches/{batch_id:int}/seed")
async def say_seed(request: Web, batch_id: FromPath[int]) -> Response[Any]:
    """Say with which seed lots a batch was sown, or that it is not known."""
    form = Form.sent(catalogue(), (await request.form()).multi_items())
    names: dict[str, str] = {}
    try:
        async with writing(request) as uow:
            access = access_of(request)
            found = await get_batch(uow, access, batch_id)
            succession = await get_succession(uow, access, found.batch.succession_id)
            lots, names = seed_lots_of(form, found.batch, succession.crop_id, found.seed_lots)
            version = form.whole("version")
            values = form.checked(seed_lots=lots)
            await change_batch(uow, access, batch_id, values, version)
    except NotFound:
        raise
    except WorkError as refused:
        return await _page(request, batch_id, seed_form=form.refused(refused, names), status=422)
    return see_other(f"/batches/{batch_id}", "written", "seed")


def _entry_values(form: Form, formats: Formats) -> dict[str, Any]:
    return form.checked(
        kind=form.text("kind"),
        happened_at=form.moment("happened_at", formats),
        plants=form.whole("plants"),
        leaves=form.number("leaves"),
        weight_g=form.number("weight_g", formats.weight_scale),
        readiness=form.text("readiness"),
        grade=form.text("grade"),
        reason=form.text("reason"),
        note=form.text("note"),
    )


async def _frame(uow: Any, request: Web, batch_id: int) -> Frame:
    found = await get_batch(uow, access_of(request), batch_id)
    return await frame_of(uow, request, found.batch.house_id)


async def _page(
    request: Web,
    batch_id: int,
    form: Form | None = None,
    status: int = 200,
    seed_form: Form | None = None,
) -> Response[str]:
    async with reading(request) as uow:
        found = await get_batch(uow, access_of(request), batch_id)
        frame = await frame_of(uow, request, found.batch.house_id)
        entries = await list_entries(uow, frame.access, batch_id)
        forecasts, _ = await list_forecasts(uow, frame.access, batch_id, limit=1)
        succession = await get_succession(uow, frame.access, found.batch.succession_id)
        crop = await get_crop(uow, frame.access, succession.crop_id)
        sown, lots = await lots_sown(uow, frame.access, found.batch, succession, found.seed_lots)
    forecast = forecasts[0] if forecasts else None
    points = [(e, s) for e in _EVENTS if forecast and (s := span(forecast.points.get(e))) is not None]
    return frame.page(
        "batch.html",
        status,
        batch=found.batch,
        state=found.state,
        succession=succession,
        crop=crop,
        forecast=forecast,
        points=points,
        ledger=_ledger(entries),
        kinds=[
            kind
            for kind in FORMS[found.state.stage]
            # Of plants that were cut and regrow, a weight says nothing yet.
            if kind != "weighed" or found.state.harvest_begun_at is None
        ],
        sown=sown,
        lots=lots,
        seed_form=seed_form or Form.blank(catalogue(), **at_first(lots)),
        form=form or Form.blank(catalogue()),
        blank=Form.blank(catalogue()),
        record_scope=RECORD,
        usual=_usual(found, succession.keep_share),
        recorded=recorded_of(request),
    )


def recorded_of(request: Web) -> tuple[int, int] | None:
    """Return the batch and entry that were just written down, to offer taking it back."""
    typed = [request.query_params.get(name, "") for name in ("batch", "recorded")]
    if not all(t.isascii() and t.isdigit() and len(t) < 19 for t in typed):
        return None
    return int(typed[0]), int(typed[1])


def _usual(found: BatchView, keep_share: float) -> dict[str, int]:
    """Return how many plants each form begins with."""
    state = found.state
    return {
        "transplanted": min(state.in_nursery, round(state.cells * keep_share)),
        "harvested": state.in_channels,
        "weighed": min(WEIGHED_HEADS, state.in_channels),
        "discarded": 0,
        "emergence_counted": state.cells if state.emerged is None else state.emerged,
    }


def _ledger(entries: list[Entry]) -> list[tuple[Entry, str]]:
    """Return the ledger, the last written down first, and how each entry stands: holds, corrected or void."""
    corrections = {e.supersedes_id: e for e in entries if e.supersedes_id is not None}
    found = []
    for entry in reversed(entries):
        by = corrections.get(entry.id)
        status = "void" if entry.void else "holds" if by is None else "undone" if by.void else "corrected"
        found.append((entry, status))
    return found


# --------------------------------------------------------------------------- finding a batch


@get("/scan")
async def scan(request: Web) -> Response[Any]:
    """Read a tray's label with the camera, or take what is typed; one batch that fits is opened at once."""
    typed = request.query_params.get("code", "").strip()
    house = request.query_params.get("house", "")
    async with reading(request) as uow:
        wanted = int(house) if house.isascii() and house.isdigit() and len(house) < 19 else None
        frame = await frame_of(uow, request)
        frame.house = next((h for h in frame.houses if h.id == wanted), None) or (
            frame.houses[0] if frame.houses else None
        )
        found = await find_batches(uow, frame.access, typed)
    if len(found) == 1:
        return see_other(f"/batches/{found[0].id}")
    return frame.page("scan.html", typed=typed, found=found)
