"""Charts on pages: a picture for wide and one for narrow screens, with sentence, table and CSV that say the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

from litestar import Response
from markupsafe import Markup

from service.papers.charts import Chart, svg
from service.papers.sheets import CSV_TYPE, Table, csv_bytes

_NARROW_WIDTH, _NARROW_HEIGHT = 340, 300

Cell = str | int | float | date | datetime | None


@dataclass(frozen=True)
class Figure:
    """A chart as the macro ``figure`` shows it."""

    name: str
    sentence: str
    wide: Markup
    narrow: Markup
    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    csv: str
    """Where its table is to be had as CSV."""


def figure(chart: Chart, columns: Sequence[str], rows: Sequence[Sequence[str]], csv_path: str) -> Figure:
    """Return a chart for a page; ``rows`` are as they are read, the first column heads them."""
    # What the drawing returns has every text escaped.
    wide = Markup(svg(chart))  # noqa: S704
    slim = replace(chart, name=f"{chart.name}-narrow", width=_NARROW_WIDTH, height=_NARROW_HEIGHT)
    narrow = Markup(svg(slim))  # noqa: S704
    return Figure(chart.name, chart.description, wide, narrow, columns, rows, csv_path)


def csv_file(name: str, columns: Sequence[str], rows: Sequence[Sequence[Cell]]) -> Response[bytes]:
    """Answer a table as a CSV file."""
    return Response(
        csv_bytes(Table(name, columns, rows)),
        media_type=CSV_TYPE,
        headers={"content-disposition": f'attachment; filename="{name}.csv"'},
    )
