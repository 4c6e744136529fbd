"""What leaves as a file: batches with their ledgers; the trace, for those who ask for it in a recall."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Literal

from litestar import Response, get
from litestar.openapi.datastructures import ResponseSpec
from litestar.params import QueryParameter

from service.api.operations import READ, Asker, FirstDay, LastDay, RowId, Uow
from service.api.trace import Beginning, OnDay
from service.papers.sheets import CSV_TYPE, XLSX_TYPE, Table, csv_bytes, xlsx_bytes
from service.work import trace_events
from service.work.batches_export import export_batches
from service.work.trace_events import TraceTables

TableName = Annotated[
    Literal["events", "seedLots", "sections", "corrected"],
    QueryParameter(
        name="table",
        description="Of CSV, which table: events, seed lots, sections with coordinates, entries not followed. A"
        " spreadsheet has all of them.",
    ),
]
FileFormat = Annotated[
    Literal["csv", "xlsx"], QueryParameter(name="format", description="CSV, or a spreadsheet (XLSX).")
]
_FILE = {200: ResponseSpec(bytes, media_type=XLSX_TYPE, description="A file.", generate_examples=False)}
ANSWERS: Mapping[int, ResponseSpec] = {**READ, **_FILE}


@get("/trace/export", operation_id="exportTrace", tags=["Trace"], responses=ANSWERS, media_type=XLSX_TYPE)
async def export_trace(
    uow: Uow,
    access: Asker,
    beginning: Beginning,
    on: OnDay = None,
    file_format: FileFormat = "xlsx",
    table: TableName = "events",
) -> Response[bytes]:
    """Take the key data elements along one way, as for a recall: one row an event, ready to be sorted.

    Harvesting, cooling, initial packing and shipping, with the seed lots and the sections with their coordinates.
    Your own food-safety plan and local law decide what must be kept and handed over.
    """
    tables = await trace_events.export_trace(uow, access, beginning, on)
    return _file(tables, f"trace-{beginning.replace(':', '-')}", file_format, table)


@get(
    "/farms/{farm_id:int}/trace-export",
    operation_id="exportFarmTrace",
    tags=["Trace"],
    responses=ANSWERS,
    media_type=XLSX_TYPE,
)
async def export_farm_trace(
    uow: Uow,
    access: Asker,
    farm_id: RowId,
    first: Annotated[date, QueryParameter(name="from", description="First day, local.")],
    last: Annotated[date, QueryParameter(name="to", description="Last day, local; it is included.")],
    file_format: FileFormat = "xlsx",
    table: TableName = "events",
) -> Response[bytes]:
    """Take the key data elements of all of a farm's harvests, coolings, packings and deliveries of a span of days."""
    tables = await trace_events.export_farm(uow, access, farm_id, first, last)
    return _file(tables, f"trace-{first}-{last}", file_format, table)


@get(
    "/houses/{house_id:int}/exports/batches",
    operation_id="exportBatches",
    tags=["Import"],
    responses={
        **READ,
        200: ResponseSpec(bytes, media_type=CSV_TYPE, description="A file.", generate_examples=False),
    },
    media_type=CSV_TYPE,
)
async def export_house_batches(
    uow: Uow,
    access: Asker,
    house_id: RowId,
    first: FirstDay = None,
    last: LastDay = None,
) -> Response[bytes]:
    """Take a house's batches and their ledgers, one row a fact, in the columns that `importBatches` takes.

    `from` and `to` are days of seeding; without them it is all. Facts stand as they hold now: what was corrected or
    taken back is not in it.
    """
    columns, rows = await export_batches(uow, access, house_id, first, last)
    return attachment(csv_bytes(Table("Batches", columns, rows)), CSV_TYPE, f"batches-{house_id}.csv")


def _file(tables: TraceTables, name: str, file_format: str, table: str) -> Response[bytes]:
    every = {
        "events": Table("Events", trace_events.EVENT_COLUMNS, tables.events, tables.notes),
        "seedLots": Table("Seed lots", trace_events.SEED_LOT_COLUMNS, tables.seed_lots),
        "sections": Table("Growing areas", trace_events.SECTION_COLUMNS, tables.sections),
        "corrected": Table("Not followed", trace_events.CORRECTED_COLUMNS, tables.corrected),
    }
    if file_format == "csv":
        shown = name if table == "events" else f"{name}-{table}"
        return attachment(csv_bytes(every[table]), CSV_TYPE, f"{shown}.csv")
    return attachment(xlsx_bytes(list(every.values())), XLSX_TYPE, f"{name}.xlsx")


def attachment(content: bytes, media_type: str, name: str, *, inline: bool = False) -> Response[bytes]:
    """Answer a file under a plain name."""
    safe = "".join(c if c.isascii() and (c.isalnum() or c in "-_.") else "-" for c in name)
    how = "inline" if inline else "attachment"
    headers = {
        "Content-Disposition": f'{how}; filename="{safe}"',
        "X-Content-Type-Options": "nosniff",
        "Cache-Control": "no-store",
    }
    return Response(content, media_type=media_type, headers=headers)
