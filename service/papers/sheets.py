"""Tables as CSV and as spreadsheets: pure functions from plain cells to bytes.

A cell is a text, a number, a day, a moment with its zone, a truth value or nothing. Days and moments are written as
ISO 8601, which sorts as text.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

import xlsxwriter

Cell = str | int | float | bool | date | datetime | None

CSV_TYPE = "text/csv"
XLSX_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
_WIDEST = 60
_MOST_CHARACTERS = 32_767  # of one cell of a spreadsheet
_MADE = datetime(2000, 1, 1)  # noqa: DTZ001 - the same content makes the same file; the format knows no zone


@dataclass(frozen=True)
class Table:
    """A table with a name and one row of column names."""

    name: str
    columns: Sequence[str]
    rows: Sequence[Sequence[Cell]]
    notes: Sequence[str] = field(default=())
    """Sentences that belong to it; a spreadsheet shows them on a sheet of their own."""


def csv_bytes(table: Table) -> bytes:
    """Return a table as CSV (RFC 4180) in UTF-8 with a byte order mark, so that spreadsheets read it as such.

    A text that a spreadsheet would take for a formula (it begins with ``= + - @``, a tab or a line break) gets an
    apostrophe in front.
    """
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow([_text(column) for column in table.columns])
    writer.writerows([_text(cell) for cell in row] for row in table.rows)
    return b"\xef\xbb\xbf" + text.getvalue().encode()


def xlsx_bytes(tables: Sequence[Table]) -> bytes:
    """Return tables as sheets of one spreadsheet (Office Open XML), each with a filter and its first row fixed.

    Texts are written as texts, whatever they begin with. Notes come first, on a sheet of their own.
    """
    file = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(file, options) as book:
        book.set_properties({"created": _MADE})
        bold = book.add_format({"bold": True, "text_wrap": True, "valign": "top"})
        wrapped = book.add_format({"text_wrap": True, "valign": "top"})
        notes = [note for table in tables for note in table.notes]
        if notes:
            sheet = book.add_worksheet("Read this first")
            sheet.set_column(0, 0, 110)
            for n, note in enumerate(dict.fromkeys(notes)):
                sheet.write_string(n, 0, note, wrapped)
        for table in tables:
            sheet = book.add_worksheet(table.name[:31])
            for column, name in enumerate(table.columns):
                sheet.write_string(0, column, name, bold)
                shown = [_shown(row[column]) for row in table.rows[:200]]
                sheet.set_column(column, column, min(max(map(len, [name[:24], *shown])) + 2, _WIDEST))
            for line, row in enumerate(table.rows, start=1):
                for column, cell in enumerate(row):
                    _write(sheet, line, column, cell)
            sheet.freeze_panes(1, 0)
            sheet.autofilter(0, 0, max(len(table.rows), 1), len(table.columns) - 1)
    return file.getvalue()


def _write(sheet: xlsxwriter.worksheet.Worksheet, line: int, column: int, cell: Cell) -> None:
    if cell is None:
        return
    if isinstance(cell, bool):
        sheet.write_string(line, column, _shown(cell))
    elif isinstance(cell, int | float):
        sheet.write_number(line, column, cell)
    else:
        sheet.write_string(line, column, _shown(cell)[:_MOST_CHARACTERS])


def _text(cell: Cell) -> str:
    shown = _shown(cell)
    return f"'{shown}" if isinstance(cell, str) and shown.startswith(_FORMULA) else shown


def _shown(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, date):  # a moment too
        return cell.isoformat()
    if isinstance(cell, float):
        return repr(round(cell, 6))
    return str(cell)
