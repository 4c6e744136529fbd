"""A CSV file as a table of texts, and what is wrong with it, line by line.

Encoding is UTF-8, with or without a byte-order mark; lines end in any way; cells are parted by comma, semicolon
or tab, whichever the header uses. A line is named by its number in the file, the header's being 1; a row
whose quoted cell runs over several lines is named by its first.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.work.errors import FieldProblem

_SEPARATORS = ",;\t"
_HUMP = re.compile(r"(?<=[a-z0-9])(?=[A-Z])")
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")


@dataclass
class Faults:
    """Everything that is wrong with a file."""

    found: list[FieldProblem] = field(default_factory=list)

    def add(self, line: int, column: str, problem: str) -> None:
        """Add what is wrong with a cell; without a column, with a line."""
        self.found.append(FieldProblem(column, problem, line))

    def in_order(self) -> tuple[FieldProblem, ...]:
        """Return all in order of their lines."""
        return tuple(sorted(self.found, key=lambda fault: fault.line or 0))


@dataclass
class Table:
    """The rows of a file that have as many cells as its header."""

    faults: Faults = field(default_factory=Faults)
    header: list[str] = field(default_factory=list)
    """Columns as they are written."""
    header_line: int = 1
    rows: list[tuple[int, list[str]]] = field(default_factory=list)
    """First line and cells of each."""
    count: int = 0
    """Rows in the file, those that cannot be read included."""


def read_table(content: bytes) -> Table:
    """Read a file; what cannot be read is among the table's faults."""
    table = Table()
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        table.faults.add(
            line, "", f"byte 0x{content[error.start]:02x} is not UTF-8; save the file as CSV in UTF-8"
        )
        return table
    for line, cells in _records(text, table):
        if not table.header:
            table.header, table.header_line = [cell.strip() for cell in cells], line
            continue
        table.count += 1
        width = len(table.header)
        while len(cells) > width and not cells[-1].strip():
            cells.pop()
        if len(cells) == width:
            table.rows.append((line, cells))
        else:
            hint = "; a number is written with a decimal point" if len(cells) > width else ""
            table.faults.add(line, "", f"it has {len(cells)} cells, and the header {width}{hint}")
    if not table.header and not table.faults.found:
        table.faults.add(1, "", "the file is empty; the first line names the columns")
    return table


def _records(text: str, table: Table) -> Iterator[tuple[int, list[str]]]:
    """Yield the first line and the cells of each row that is not blank."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_separator(text), strict=True)
    while True:
        line = reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            # The reader goes on with the line after.
            table.count += bool(table.header)
            table.faults.add(line, "", _said(str(error)))
            continue
        if any(cell.strip() for cell in cells):
            yield line, cells


def _said(error: str) -> str:
    if error == "unexpected end of data":
        return "a quote is opened in this row and never closed"
    return f"it cannot be read as CSV: {error}"


def _separator(text: str) -> str:
    """Return what parts the cells of the first line that is not blank."""
    first = next((line for line in io.StringIO(text) if line.strip()), "")
    unquoted = re.sub(r'"[^"]*"', "", first)
    return max(_SEPARATORS, key=unquoted.count)


def column_name(written: str) -> str:
    """Return ``happened_at`` for ``happenedAt``, ``Happened at`` and itself."""
    return "_".join(_HUMP.sub("_", written).lower().split())


def columns(
    table: Table,
    required: Sequence[str],
    optional: Collection[str] = (),
    other: Mapping[str, str] | None = None,
) -> dict[str, int] | None:
    """Return the place of each column.

    Parameters
    ----------
    table
        The file; what is wrong with its header is added to its faults.
    required, optional
        Names of columns that must, and that may, be there.
    other
        Other names of columns.

    Returns
    -------
    dict or None
        None: the header is wrong, so that the rows say nothing.
    """
    wrong = len(table.faults.found)
    places: dict[str, int] = {}
    known = [*required, *optional]
    for place, written in enumerate(table.header):
        name = column_name(written)
        name = (other or {}).get(name, name)
        if name not in known:
            shown = repr(written) if written else f"number {place + 1}, which has no name,"
            table.faults.add(
                table.header_line, "", f"column {shown} is not known; there are {', '.join(known)}"
            )
        elif name in places:
            table.faults.add(table.header_line, name, "this column is there twice")
        else:
            places[name] = place
    for name in required:
        if name not in places:
            table.faults.add(table.header_line, name, "this column is missing")
    return places if len(table.faults.found) == wrong else None


def yes_no(text: str) -> bool:
    """Return the truth value that a cell holds.

    Raises
    ------
    ValueError
        If it holds none; the message says what would be right.
    """
    try:
        return {"yes": True, "no": False, "true": True, "false": False}[text.strip().lower()]
    except KeyError:
        raise ValueError(f"{text.strip()!r} is neither yes nor no") from None


def number(text: str) -> float:
    """Return the finite number that a cell holds.

    Raises
    ------
    ValueError
        If it holds none; the message says what would be right.
    """
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if math.isfinite(value) and "_" not in text:
        return value
    shown = text.strip()
    if _DECIMAL_COMMA.fullmatch(shown):
        raise ValueError(f"{shown!r} has a decimal comma; write {shown.replace(',', '.')}")
    if not shown:
        raise ValueError("it is empty, and must be a number")
    raise ValueError(f"{shown[:40]!r} is not a finite number")


def whole(text: str) -> int:
    """Return the whole number that a cell holds; 12.0 is one.

    Raises
    ------
    ValueError
        If it holds none; the message says what would be right.
    """
    value = number(text)
    if not value.is_integer():
        raise ValueError(f"{text.strip()!r} is not a whole number")
    return int(value)


def look_up(faults: Faults, line: int, column: str, things: Sequence[Any], word: str, kind: str) -> Any:
    """Return the thing that a cell names by its code, name or id; None, with the fault added: there is none."""
    found = [
        thing for thing in things if word in {str(thing.id), thing.name, getattr(thing, "code", thing.name)}
    ]
    if len(found) == 1:
        return found[0]
    if found:
        ids = ", ".join(str(thing.id) for thing in found)
        faults.add(line, column, f"{len(found)} are called {word!r}; give an id: {ids}")
    else:
        names = ", ".join(repr(getattr(thing, "code", thing.name)) for thing in things) or "none"
        faults.add(line, column, f"{word[:60]!r} is no {kind}; there are {names}")
    return None
