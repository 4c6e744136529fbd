"""Bringing the past: CSV files of readings, batches and orders."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Annotated

from litestar import post
from litestar.datastructures import State
from litestar.openapi.spec import OpenAPIMediaType, OpenAPIType, Operation, RequestBody, Schema
from litestar.params import QueryParameter, RawBody
from msgspec import Meta

from service.api.bodies import View
from service.api.operations import Asker, Now, RowId
from service.api.problems import FieldError, field_error, problem_responses
from service.records.store import Store
from service.settings import Settings
from service.work import imports
from service.work.imports import Imported

LARGEST_BYTES = 64 * 1024 * 1024

_ANSWERS = problem_responses(400, 401, 403, 404, 409, 413, 422)

DryRun = Annotated[
    bool,
    QueryParameter(
        name="dryRun", description="Store nothing; say what would happen, and everything that is wrong."
    ),
]


class ImportView(View):
    """What an import did, or, of a dry run, would do."""

    rows: Annotated[int, Meta(description="Rows in the file below its header.")]
    new: Annotated[int, Meta(description="Readings, facts or orders that were not there.")]
    changed: Annotated[int, Meta(description="Those that were there with other values.")]
    unchanged: Annotated[
        int, Meta(description="Those that were there already, or that the file says more than once.")
    ]
    faults: Annotated[
        list[FieldError], Meta(description="Of a dry run: all that is wrong, in order of lines.")
    ]
    notes: Annotated[list[str], Meta(description="What is no fault, but worth knowing.")]


@dataclass
class CsvOperation(Operation):
    """An operation that takes a CSV file, whose body is read as bytes and so has no type to describe."""

    def __post_init__(self) -> None:
        """Describe the body."""
        content = {"text/csv": OpenAPIMediaType(schema=Schema(type=OpenAPIType.STRING))}
        self.request_body = RequestBody(
            content=content, required=True, description="CSV in UTF-8 with a header; see the operation."
        )


@post(
    "/houses/{house_id:int}/imports/readings",
    operation_id="importReadings",
    opt={"own_transactions": True},
    tags=["Import"],
    responses=_ANSWERS,
    status_code=200,
    dto=None,
    request_max_body_size=LARGEST_BYTES,
    operation_class=CsvOperation,
)
async def import_readings(
    state: State, clock: Now, access: Asker, house_id: RowId, body: RawBody, dry_run: DryRun = False
) -> ImportView:
    """Bring past readings of a house's sensors.

    CSV with the columns `sensor`, `time`, `value`, or with `time` and one column a sensor. A sensor is named
    by its name, topic or id; values are in the unit of its payloads. A time without an offset is local time of
    the house. What is there already takes the file's value. All or nothing: if anything is wrong, the answer is
    422 with every fault, and nothing is stored. The hours that the readings touch are computed before the
    answer is sent.
    """
    store: Store = state.store
    settings: Settings = state.settings
    lead = timedelta(seconds=settings.max_reading_lead_s)
    imported = await imports.import_readings(
        store, clock, access, house_id, body, max_lead=lead, dry_run=dry_run
    )
    if not dry_run:
        await imports.settle_all(store)
    return import_view(imported)


@post(
    "/houses/{house_id:int}/imports/batches",
    operation_id="importBatches",
    opt={"own_transactions": True},
    tags=["Import"],
    responses=_ANSWERS,
    status_code=200,
    dto=None,
    request_max_body_size=LARGEST_BYTES,
    operation_class=CsvOperation,
)
async def import_batches(
    state: State, clock: Now, access: Asker, house_id: RowId, body: RawBody, dry_run: DryRun = False
) -> ImportView:
    """Bring past batches of a house with their ledgers.

    CSV, one fact a row: `batch` (its code), `kind`, `happenedAt`, and where they apply `succession` and `cultivar`
    (on the row of kind `seeded`, which makes the batch), `plants`, `leaves`, `weightG`, `regrows`, `readiness`,
    `grade`, `zone`, `section` and `fromSection` (by code), `tray` (its number), `reason`, `finding`, `severity`,
    `product`, `waitingDays`, `note`. `cellsPerTray` on the row of kind `seeded` numbers the trays. A day alone is
    taken as 08:00 local. Facts that are in a ledger already are left alone. All or nothing: if anything is wrong, the
    answer is 422 with every fault, and nothing is stored.
    """
    store: Store = state.store
    return import_view(await imports.import_batches(store, clock, access, house_id, body, dry_run=dry_run))


@post(
    "/farms/{farm_id:int}/imports/orders",
    operation_id="importOrders",
    opt={"own_transactions": True},
    tags=["Import"],
    responses=_ANSWERS,
    status_code=200,
    dto=None,
    request_max_body_size=LARGEST_BYTES,
    operation_class=CsvOperation,
)
async def import_orders(
    state: State, access: Asker, farm_id: RowId, body: RawBody, dry_run: DryRun = False
) -> ImportView:
    """Bring orders of a farm.

    CSV with `buyer`, `crop` and the fields of an order; weekdays and dates are parted by spaces. An order of the
    same buyer, crop and days takes the file's amount, end, price and note. All or nothing: if anything is wrong,
    the answer is 422 with every fault, and nothing is stored.
    """
    store: Store = state.store
    return import_view(await imports.import_orders(store, access, farm_id, body, dry_run=dry_run))


def import_view(imported: Imported) -> ImportView:
    """Return what an import did as it is shown."""
    return ImportView(
        rows=imported.rows,
        new=imported.new,
        changed=imported.changed,
        unchanged=imported.unchanged,
        faults=[field_error(fault) for fault in imported.faults],
        notes=list(imported.notes),
    )
