"""Checks of single fields, so that every use case says the same about the same kind of mistake.

A check takes a value and returns it cleaned, or raises :class:`ValueError` with a sentence that says what
would be right. A set of fields is checked as a whole: all problems are named at once.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import Any

from service.work.errors import FieldProblem, Impossible

Check = Callable[[Any], Any]

_EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
_LATEST = datetime(2200, 1, 1, tzinfo=UTC)
_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
_MAX_WHOLE = 1_000_000


@dataclass(frozen=True)
class Field:
    """How one field is checked."""

    check: Check
    required: bool = False  # must be given when the thing is made
    nullable: bool = False
    fixed: bool = False  # cannot be changed afterwards
    why_fixed: str = "it cannot be changed; make another one instead"


class Merged:
    """A row as it would be with changes, to check fields against each other before anything is changed."""

    def __init__(self, row: object, changes: Mapping[str, Any]) -> None:
        self._row = row
        self._changes = changes

    def __getattr__(self, name: str) -> Any:
        return self._changes[name] if name in self._changes else getattr(self._row, name)


def checked_new(fields: Mapping[str, Field], values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the cleaned values for a new thing.

    Raises
    ------
    Impossible
        If a field is unknown, missing or wrong; each is named.
    """
    cleaned, problems = _checked(fields, values)
    problems += [
        FieldProblem(name, "it is missing")
        for name, field in fields.items()
        if field.required and name not in values
    ]
    _raise(problems)
    return cleaned


def checked_changes(fields: Mapping[str, Field], row: object, changes: Mapping[str, Any]) -> dict[str, Any]:
    """Return the cleaned changes to a thing that is there.

    Raises
    ------
    Impossible
        If a field is unknown, wrong, or fixed and not what it is now; each is named.
    """
    cleaned, problems = _checked(fields, changes)
    for name in list(cleaned):
        if fields[name].fixed and cleaned[name] != getattr(row, name):
            problems.append(FieldProblem(name, fields[name].why_fixed))
    _raise(problems)
    return cleaned


def each(name: str, of: Mapping[str, Field], *, required: bool = False, most: int | None = None) -> Field:
    """Check a list of things, naming the place of what is wrong."""

    def check(value: Any) -> list[dict[str, Any]]:
        if most is not None and len(value) > most:
            raise ValueError(f"it must be a list of at most {most}")
        found, problems = [], []
        for at, item in enumerate(value):
            try:
                found.append(checked_new(of, item))
            except Impossible as error:
                problems += [replace(p, field=f"{name}/{at}/{p.field}") for p in error.problems]
        if problems:
            raise Impossible("; ".join(f"{p.field}: {p.problem}" for p in problems), *problems)
        return found

    return Field(check, required=required)


def _checked(
    fields: Mapping[str, Field], values: Mapping[str, Any]
) -> tuple[dict[str, Any], list[FieldProblem]]:
    cleaned: dict[str, Any] = {}
    problems: list[FieldProblem] = []
    for name, value in values.items():
        field = fields.get(name)
        if field is None:
            problems.append(FieldProblem(name, f"there is no such field; there are {', '.join(fields)}"))
        elif value is None and field.nullable:
            cleaned[name] = None
        elif value is None:
            problems.append(FieldProblem(name, "it cannot be null"))
        else:
            try:
                cleaned[name] = field.check(value)
            except ValueError as error:
                problems.append(FieldProblem(name, str(error)))
    return cleaned, problems


def _raise(problems: list[FieldProblem]) -> None:
    if problems:
        raise Impossible("; ".join(f"{p.field}: {p.problem}" for p in problems), *problems)


def text(longest: int = 200, *, empty: bool = False) -> Check:
    """Check a text without control characters; spaces around it are dropped."""

    def check(value: Any) -> str:
        cleaned = value.strip() if isinstance(value, str) else None
        if cleaned is None or len(cleaned) > longest or not (cleaned or empty) or not _printable(cleaned):
            shortest = 0 if empty else 1
            raise ValueError(
                f"it must be a text of {shortest} to {longest} characters, without control characters"
            )
        return cleaned

    return check


def _printable(value: str) -> bool:
    return all(c in "\n\t" or c.isprintable() for c in value)


def code(value: Any) -> str:
    """Check a short name that may stand in an MQTT topic and on a label."""
    if not isinstance(value, str) or not _CODE.fullmatch(value):
        raise ValueError("it must be 1 to 40 letters, digits, - or _, and begin with a letter or digit")
    return value


def number(low: float, high: float, unit: str = "", *, above: bool = False) -> Check:
    """Check a finite number between two bounds; ``above``: the lower bound itself is out."""
    said = f"{'above' if above else 'from'} {low:g} to {high:g}{' ' if unit else ''}{unit}"

    def check(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValueError(f"it must be a number {said}")  # noqa: TRY004 - every check says ValueError
        if not (low < value <= high if above else low <= value <= high):  # also refuses NaN
            raise ValueError(f"it is {value:g}, and must be {said}")
        return float(value)

    return check


def whole(low: int, high: int = _MAX_WHOLE) -> Check:
    """Check a whole number between two bounds."""

    def check(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise ValueError(f"it must be a whole number from {low} to {high}")
        return value

    return check


def numbers(low: float, high: float, most: int, unit: str = "") -> Check:
    """Check a list of one to so many finite numbers between two bounds."""
    one = number(low, high, unit)

    def check(value: Any) -> list[float]:
        if not isinstance(value, list | tuple) or not 1 <= len(value) <= most:
            raise ValueError(f"it must be a list of 1 to {most} numbers")
        return [one(item) for item in value]

    return check


reference: Check = whole(1, 2**63 - 1)
"""Check an id."""


def one_of(*choices: str) -> Check:
    """Check a word from a list."""

    def check(value: Any) -> str:
        if value not in choices:
            raise ValueError(f"it must be one of {', '.join(choices)}")
        return str(value)

    return check


def flag(value: Any) -> bool:
    """Check a truth value."""
    if not isinstance(value, bool):
        raise ValueError("it must be true or false")  # noqa: TRY004
    return value


def moment(value: Any) -> datetime:
    """Check a moment with its offset; returned in UTC."""
    if not isinstance(value, datetime) or value.tzinfo is None:
        raise ValueError("it must be a moment with its offset, for example 2026-08-03T06:30:00Z")
    if not _EARLIEST <= value < _LATEST:
        raise ValueError("it must lie between the years 2000 and 2200")
    return value.astimezone(UTC)


def day(value: Any) -> date:
    """Check a calendar day."""
    if not isinstance(value, date) or isinstance(value, datetime):
        raise ValueError("it must be a day, for example 2026-08-03")  # noqa: TRY004
    if not _EARLIEST.year < value.year < _LATEST.year:
        raise ValueError("it must lie between the years 2000 and 2200")
    return value


def months(value: Any) -> list[int]:
    """Check a set of months, 1 January to 12 December; returned in order."""
    right = isinstance(value, list | tuple) and all(type(m) is int and 1 <= m <= 12 for m in value)
    if not right or not value or len(set(value)) != len(value):
        raise ValueError(
            "it must be a list of different months, 1 for January to 12 for December, at least one"
        )
    return sorted(value)


def weekdays(value: Any) -> list[int]:
    """Check a set of weekdays, 1 Monday to 7 Sunday; returned in order."""
    right = isinstance(value, list | tuple) and all(type(d) is int and 1 <= d <= 7 for d in value)
    if not right or not value or len(set(value)) != len(value):
        raise ValueError(
            "it must be a list of different weekdays, 1 for Monday to 7 for Sunday, at least one"
        )
    return sorted(value)
