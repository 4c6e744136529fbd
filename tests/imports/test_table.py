"""CSV files as they come, and times as they are written."""

from __future__ import annotations

from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import pytest

from service.work.imports.moments import Moments
from service.work.imports.table import column_name, columns, number, read_table, whole

AMSTERDAM = ZoneInfo("Europe/Amsterdam")
LATEST = datetime(2026, 9, 14, 6, 5, tzinfo=UTC)


@pytest.mark.parametrize(
    "content",
    [
        b"a,b\n1,2\n3,4\n",
        b"a,b\r\n1,2\r\n3,4\r\n",
        b"a,b\r1,2\r3,4",
        b"\xef\xbb\xbfa,b\n1,2\n3,4",
        b"a;b\n1;2\n3;4\n",
        b"a\tb\n1\t2\n3\t4\n",
        b'"a","b"\n"1","2"\n"3","4"\n',
        b"a,b\n1,2,,\n3,4,\n",
    ],
    ids=["plain", "CRLF", "CR", "byte-order mark", "semicolon", "tab", "quoted", "empty cells beyond"],
)
def test_a_table_reads_the_same_however_it_is_written(content: bytes) -> None:
    table = read_table(content)
    assert not table.faults.found
    assert (table.header, table.rows) == (["a", "b"], [(2, ["1", "2"]), (3, ["3", "4"])])


def test_lines_are_counted_as_an_editor_does() -> None:
    table = read_table(b'\na,b\n\n1,"x\ny\n"\n,\n2,"z;,"\n')
    assert not table.faults.found
    assert table.header_line == 2
    assert table.rows == [(4, ["1", "x\ny\n"]), (8, ["2", "z;,"])]


def test_a_semicolon_in_a_quoted_column_parts_nothing() -> None:
    assert read_table(b'"a;b;c",d\n1,2\n').header == ["a;b;c", "d"]


def test_rows_of_another_width_are_named() -> None:
    table = read_table(b"a,b\n1\n1,2\n1,2,5\n")
    assert [(fault.line, fault.problem) for fault in table.faults.in_order()] == [
        (2, "it has 1 cells, and the header 2"),
        (4, "it has 3 cells, and the header 2; a number is written with a decimal point"),
    ]
    assert (table.count, table.rows) == (3, [(3, ["1", "2"])])


def test_quotes_gone_wrong_are_named_and_reading_goes_on() -> None:
    table = read_table(b'a,b\n"1"x,2\n3,4\n5,"6\n7,8\n')
    assert [fault.line for fault in table.faults.in_order()] == [2, 4]
    assert "never closed" in table.faults.in_order()[1].problem
    assert table.rows == [(3, ["3", "4"])]


@pytest.mark.parametrize("content", [b"", b"\n\n", b"\xef\xbb\xbf", b" , \n"])
def test_an_empty_file_is_a_fault(content: bytes) -> None:
    (fault,) = read_table(content).faults.in_order()
    assert (fault.line, "empty" in fault.problem) == (1, True)


def test_another_encoding_is_named_with_its_line() -> None:
    (fault,) = read_table("a,b\n1,2\nÉ,4\n".encode("cp1252")).faults.in_order()
    assert (fault.line, "UTF-8" in fault.problem) == (3, True)


def test_columns_are_found_in_any_order_and_spelling() -> None:
    table = read_table(b"Weight G, happenedAt ,CODE\n1,2,3\n")
    places = columns(table, ("batch", "happened_at"), ("weight_g", "note"), {"code": "batch"})
    assert places == {"weight_g": 0, "happened_at": 1, "batch": 2}
    assert column_name("weightG") == column_name("weight_g") == column_name(" Weight g ") == "weight_g"


def test_every_fault_of_a_header_is_named() -> None:
    table = read_table(b"a,colour,a,\n1,2,3,4\n")
    assert columns(table, ("a", "b")) is None
    problems = [(fault.line, fault.field, fault.problem) for fault in table.faults.in_order()]
    assert problems == [
        (1, "", "column 'colour' is not known; there are a, b"),
        (1, "a", "this column is there twice"),
        (1, "", "column number 4, which has no name, is not known; there are a, b"),
        (1, "b", "this column is missing"),
    ]


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("18,5", "has a decimal comma; write 18.5"),
        ("", "empty"),
        ("nan", "not a finite number"),
        ("-inf", "not a finite number"),
        ("1e999", "not a finite number"),
        ("1_000", "not a finite number"),
        ("18 °C", "not a finite number"),
    ],
)
def test_what_is_no_number_says_what_would_be(text: str, sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        number(text)


def test_numbers() -> None:
    assert [number(text) for text in (" 18.5 ", "-3", "1e2", "+0.5")] == [18.5, -3.0, 100.0, 0.5]
    assert whole("12.0") == 12
    with pytest.raises(ValueError, match="not a whole number"):
        whole("12.5")


# --------------------------------------------------------------------------- times


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-08-03T06:30:00Z", "2026-08-03T06:30"),
        ("2026-08-03T06:30:00+05:30", "2026-08-03T01:00"),
        ("2026-08-03 08:30", "2026-08-03T06:30"),  # summer time
        ("2026-01-05T08:30:15.5", "2026-01-05T07:30:15.500000"),
        ("2025-10-26T02:30+02:00", "2025-10-26T00:30"),  # the first of two
        ("2025-10-26T02:30+01:00", "2025-10-26T01:30"),  # the second
        ("2025-10-26T01:59", "2025-10-25T23:59"),
        ("2025-10-26T03:00", "2025-10-26T02:00"),
        ("2026-03-29T01:59", "2026-03-29T00:59"),
        ("2026-03-29T03:00", "2026-03-29T01:00"),
    ],
)
def test_times_are_read_with_their_offset_or_as_the_house_has_them(text: str, utc: str) -> None:
    assert Moments(AMSTERDAM, LATEST).read(text) == datetime.fromisoformat(utc).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "2025-10-26T02:30",
            r"comes twice in Europe/Amsterdam.*2025-10-26T02:30:00\+02:00 or 2025-10-26T02:30:00\+01:00",
        ),
        ("2025-10-26 02:00", "comes twice"),
        ("2026-03-29T02:30", "does not exist in Europe/Amsterdam"),
        ("2026-03-29T02:00", "does not exist"),
        ("2026-09-14T06:06Z", "ahead of the clock"),
        ("1999-12-31T23:00Z", "between the years 2000 and 2200"),
        ("2026-08-03", "is not a time"),
        ("03.08.2026 06:00", "is not a time"),
        ("0001-01-01T00:00", "between the years 2000 and 2200"),
        ("", "empty"),
    ],
)
def test_times_that_are_none_say_why(text: str, sentence: str) -> None:
    moments = Moments(AMSTERDAM, LATEST)
    for _ in range(2):  # also when it is known already
        with pytest.raises(ValueError, match=sentence):
            moments.read(text)


def test_a_day_alone_is_taken_for_a_time_of_day_where_there_is_one() -> None:
    moments = Moments(AMSTERDAM, LATEST, time(8))
    assert moments.read("2026-08-03") == datetime(2026, 8, 3, 6, tzinfo=UTC)
    assert moments.read("2026-01-05") == datetime(2026, 1, 5, 7, tzinfo=UTC)
