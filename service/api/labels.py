"""Labels as PDF."""

from __future__ import annotations

import dataclasses
from typing import Annotated, Any

from litestar import Request, Response, get
from litestar.datastructures import State
from litestar.openapi.datastructures import ResponseSpec
from litestar.params import QueryParameter

from service.api.exports import attachment
from service.api.operations import READ, Asker, RowId, Uow
from service.papers.labels import PDF_TYPE, PRESETS, Label, Sheet, labels_pdf, reads_easily
from service.settings import Settings
from service.work import gs1
from service.work import labels as work
from service.work.access import Access
from service.work.errors import impossible
from service.work.labels import LotLabel, TrayLabel

_ANSWERS = {
    **READ,
    200: ResponseSpec(bytes, media_type=PDF_TYPE, description="A PDF.", generate_examples=False),
}

_NAMES = ", ".join(f"`{name}`" for name in PRESETS)


def _measure(name: str, of: str) -> Any:
    return QueryParameter(name=name, description=f"{of}, mm; that of the sheet if not said.")


SheetName = Annotated[
    str,
    QueryParameter(
        name="sheet", description=f"How the sheet is cut: {_NAMES}; the measures below change it."
    ),
]
Columns = Annotated[int | None, QueryParameter(description="Labels side by side.")]
Rows = Annotated[int | None, QueryParameter(description="Labels one below another.")]
WidthMm = Annotated[float | None, _measure("widthMm", "Width of a label")]
HeightMm = Annotated[float | None, _measure("heightMm", "Height of a label")]
PageWidthMm = Annotated[float | None, _measure("pageWidthMm", "Width of the page")]
PageHeightMm = Annotated[float | None, _measure("pageHeightMm", "Height of the page")]
LeftMm = Annotated[float | None, _measure("leftMm", "From the left edge to the first label")]
TopMm = Annotated[float | None, _measure("topMm", "From the top edge to the first label")]
GapXMm = Annotated[float | None, _measure("gapXMm", "Gap between columns")]
GapYMm = Annotated[float | None, _measure("gapYMm", "Gap between rows")]
Skip = Annotated[int, QueryParameter(description="Places of the first sheet that are used already.")]
Outlines = Annotated[bool, QueryParameter(description="Draw the edges, to check the cut on plain paper.")]
_USUAL = "A4 70x36"


def _sheet(name: str, **measures: float | None) -> Sheet:
    """Return the sheet that a request describes.

    Called by the operations: as a dependency it would be looked for beside the transaction, which a fault of one of
    the measures would leave half open.
    """
    preset = PRESETS.get(name)
    if preset is None:
        raise impossible("sheet", f"it must be one of {', '.join(PRESETS)}")
    given: dict[str, Any] = {k: v for k, v in measures.items() if v is not None}
    try:
        return dataclasses.replace(preset, **given)
    except ValueError as error:
        raise impossible("sheet", str(error)) from error


@get(
    "/labels",
    operation_id="getTrayLabels",
    tags=["Batches"],
    responses=_ANSWERS,
    media_type=PDF_TYPE,
)
async def get_tray_labels(
    uow: Uow,
    access: Asker,
    request: Request[Access, str, State],
    batch_id: Annotated[
        list[int], QueryParameter(name="batchId", description="A batch; may be given several times.")
    ],
    trays: Annotated[
        int | None,
        QueryParameter(description="Number so many trays of each batch; those written down if not said."),
    ] = None,
    sheet: SheetName = _USUAL,
    columns: Columns = None,
    rows: Rows = None,
    width_mm: WidthMm = None,
    height_mm: HeightMm = None,
    page_width_mm: PageWidthMm = None,
    page_height_mm: PageHeightMm = None,
    left_mm: LeftMm = None,
    top_mm: TopMm = None,
    gap_x_mm: GapXMm = None,
    gap_y_mm: GapYMm = None,
    skip: Skip = 0,
    outlines: Outlines = False,
) -> Response[bytes]:
    """Print a label for each tray of batches: cultivars, date seeded, lots, tray n of m, and a QR to the batch."""
    cut = _sheet(
        sheet,
        columns=columns,
        rows=rows,
        width_mm=width_mm,
        height_mm=height_mm,
        page_width_mm=page_width_mm,
        page_height_mm=page_height_mm,
        left_mm=left_mm,
        top_mm=top_mm,
        gap_x_mm=gap_x_mm,
        gap_y_mm=gap_y_mm,
    )
    found = await work.tray_labels(uow, access, batch_id, trays=trays)
    base = base_url(request)
    return _pdf([_tray(label, base) for label in found], cut, skip, outlines, "labels.pdf")


@get(
    "/packed-lots/{lot_id:int}/labels",
    operation_id="getPackedLotLabels",
    tags=["Trace"],
    responses=_ANSWERS,
    media_type=PDF_TYPE,
)
async def get_lot_labels(
    uow: Uow,
    access: Asker,
    request: Request[Access, str, State],
    lot_id: RowId,
    copies: Annotated[int, QueryParameter(description="How many.")] = 1,
    crate_heads: Annotated[
        int | None,
        QueryParameter(name="crateHeads", description="Heads in a crate; those of the lot if not said."),
    ] = None,
    crate_kg: Annotated[
        float | None, QueryParameter(name="crateKg", description="Net weight of a crate, kg.")
    ] = None,
    sheet: SheetName = _USUAL,
    columns: Columns = None,
    rows: Rows = None,
    width_mm: WidthMm = None,
    height_mm: HeightMm = None,
    page_width_mm: PageWidthMm = None,
    page_height_mm: PageHeightMm = None,
    left_mm: LeftMm = None,
    top_mm: TopMm = None,
    gap_x_mm: GapXMm = None,
    gap_y_mm: GapYMm = None,
    skip: Skip = 0,
    outlines: Outlines = False,
) -> Response[bytes]:
    """Print labels of a packed lot; with a GTIN they carry a GS1-128 barcode of GTIN and lot code.

    On a label that is wide enough the barcode carries the packing date too, and, of a GTIN of 14 digits that begins
    with 9 (goods of which the measure varies), weight and heads of the crate.
    """
    cut = _sheet(
        sheet,
        columns=columns,
        rows=rows,
        width_mm=width_mm,
        height_mm=height_mm,
        page_width_mm=page_width_mm,
        page_height_mm=page_height_mm,
        left_mm=left_mm,
        top_mm=top_mm,
        gap_x_mm=gap_x_mm,
        gap_y_mm=gap_y_mm,
    )
    if not 1 <= copies <= work.MOST_LABELS:
        raise impossible("copies", f"it must be a whole number from 1 to {work.MOST_LABELS}")
    found = await work.lot_label(uow, access, lot_id, crate_heads=crate_heads, crate_kg=crate_kg)
    label = _lot(found, base_url(request), cut)
    return _pdf([label] * copies, cut, skip, outlines, f"lot-{found.code}.pdf")


def base_url(request: Request[Any, Any, State]) -> str:
    """Return where the pages are: as set, or where this request came to."""
    settings: Settings = request.app.state.settings
    return (settings.public_url or str(request.base_url)).rstrip("/")


def _tray(label: TrayLabel, base: str) -> Label:
    lines = [
        ", ".join(label.cultivars) or label.crop,
        f"Seeded {label.seeded_on}",
        f"Lot {', '.join(label.lots)}" if label.lots else "",
        f"Tray {label.tray} of {label.trays}" if label.tray else "",
    ]
    return Label(label.code, lines, f"{base}/batches/{label.batch_id}")


def _lot(label: LotLabel, base: str, sheet: Sheet) -> Label:
    amounts = [
        f"{label.heads} heads" if label.heads else "",
        f"{label.weight_kg:g} kg" if label.weight_kg else "",
    ]
    lines = [
        label.description or label.crop,
        ", ".join(label.cultivars),
        f"Packed {label.packed_on}",
        ", ".join(filter(None, amounts)),
    ]
    elements = label.elements
    if elements and not reads_easily(gs1.element_string(elements), sheet):
        elements = [(ai, value) for ai, value in elements if ai in {"01", "10"}]  # what a trace needs
    carried = gs1.element_string(elements) if elements else None
    small = gs1.for_people(elements) if elements else None
    return Label(label.code, lines, f"{base}/packed-lots/{label.lot_id}", carried, small)


def _pdf(labels: list[Label], sheet: Sheet, skip: int, outlines: bool, name: str) -> Response[bytes]:
    places = sheet.columns * sheet.rows
    if not 0 <= skip < places:
        raise impossible(
            "skip", f"it must be a whole number from 0 to {places - 1}: so many places has a sheet"
        )
    try:
        content = labels_pdf(labels, sheet, skip=skip, outlines=outlines)
    except ValueError as error:
        raise impossible("sheet", str(error)) from error
    return attachment(content, PDF_TYPE, name, inline=True)
