"""Tables as files: nothing in a cell is run, nothing is lost."""

from __future__ import annotations

import csv
import io
from datetime import date, datetime
from zoneinfo import ZoneInfo

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.papers.sheets import Table, csv_bytes, xlsx_bytes

NASTY = [
    "=1+1",
    "+1",
    "-1",
    "@SUM(A1)",
    "\tx",
    "\rx",
    '=HYPERLINK("http://e")',
    "plain",
    'a"b,c',
    "",
    "Ångström",
]


def read(content: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(content.decode("utf-8-sig"), newline="")))


def test_formulas_are_disarmed_in_csv() -> None:
    rows = read(csv_bytes(Table("T", ["=x"], [[cell] for cell in NASTY])))
    assert rows[0] == ["'=x"]
    told = [row[0] if row else "" for row in rows[1:]]
    assert told == [
        f"'{cell}" if cell.startswith(("=", "+", "-", "@", "\t", "\r")) else cell for cell in NASTY
    ]


def test_numbers_days_and_moments_stay_what_they_are() -> None:
    moment = datetime(2026, 9, 14, 8, 30, tzinfo=ZoneInfo("Europe/Amsterdam"))
    row = [-5.2003, -7, 0.1 + 0.2, True, None, date(2026, 9, 14), moment]
    assert read(csv_bytes(Table("T", list("abcdefg"), [row])))[1] == [
        "-5.2003",
        "-7",
        "0.3",
        "yes",
        "",
        "2026-09-14",
        "2026-09-14T08:30:00+02:00",
    ]


def test_a_spreadsheet_keeps_texts_as_texts() -> None:
    tables = [
        Table("Events", ["a", "b"], [[n, i] for i, n in enumerate(NASTY)], ["Mind this."]),
        Table("Two", ["c"], []),
    ]
    book = openpyxl.load_workbook(io.BytesIO(xlsx_bytes(tables)))
    assert book.sheetnames == ["Read this first", "Events", "Two"]
    sheet = book["Events"]
    told = [str(c.value or "").replace("_x000D_", "\r") for c in sheet["A"][1:]]
    assert told == NASTY
    assert [c.value for c in sheet["B"][1:]] == list(range(len(NASTY)))
    assert all(cell.data_type != "f" for row in sheet.iter_rows() for cell in row)
    assert sheet.freeze_panes == "A2"
    assert sheet.auto_filter.ref == f"A1:B{len(NASTY) + 1}"
    assert xlsx_bytes(tables) == xlsx_bytes(tables)


@given(st.lists(st.lists(st.text(), min_size=2, max_size=2), max_size=5))
@settings(max_examples=50)
def test_csv_gives_back_every_text(rows: list[list[str]]) -> None:
    back = read(csv_bytes(Table("T", ["a", "b"], rows)))[1:]
    for row, told in zip(rows, back, strict=True):
        for cell, text in zip(row, told, strict=True):
            assert text in {cell, f"'{cell}"}
            assert not text.startswith(("=", "+", "-", "@"))


def test_a_table_name_is_cut_to_what_a_sheet_takes() -> None:
    book = openpyxl.load_workbook(io.BytesIO(xlsx_bytes([Table("x" * 40, ["a"], [])])))
    assert book.sheetnames == ["x" * 31]
    with pytest.raises(KeyError):
        book["x" * 40]
