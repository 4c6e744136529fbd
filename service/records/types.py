"""Column types that mean the same on SQLite and PostgreSQL."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

from sqlalchemy import JSON, BigInteger, DateTime, Dialect
from sqlalchemy.types import TypeDecorator, TypeEngine

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


class UtcDateTime(TypeDecorator[datetime]):
    """An aware moment, kept in UTC.

    PostgreSQL keeps it as ``timestamptz``; SQLite, which has no such type and would drop the offset, as whole
    microseconds since 1970, which also sorts and compares fast. Naive values are refused.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """Choose the column type of the database."""
        if dialect.name == "sqlite":
            return dialect.type_descriptor(BigInteger())
        return dialect.type_descriptor(DateTime(timezone=True))

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> Any:
        """Refuse naive moments and convert to UTC."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a moment without an offset cannot be stored")
        if dialect.name == "sqlite":
            return (value - _EPOCH) // _MICROSECOND
        return value.astimezone(UTC)

    def result_processor(self, dialect: Dialect, coltype: object) -> Callable[[Any], datetime | None]:  # noqa: ARG002
        """Return what reads a value: a moment, aware, in UTC. Thousands are read at a time, so nothing wraps it."""
        return _of_microseconds if dialect.name == "sqlite" else _in_utc


def _of_microseconds(value: int | None) -> datetime | None:
    return None if value is None else _EPOCH + timedelta(0, 0, value)


def _in_utc(value: datetime | None) -> datetime | None:
    return value if value is None or value.tzinfo is UTC else value.astimezone(UTC)


class Days(TypeDecorator[list[date]]):
    """A list of calendar days, kept as JSON texts such as "2026-08-03"."""

    impl = JSON(none_as_null=True)
    cache_ok = True

    def process_bind_param(self, value: list[date] | None, dialect: Dialect) -> Any:  # noqa: ARG002
        """Write the days as texts."""
        return None if value is None else [day.isoformat() for day in value]

    def process_result_value(self, value: Any, dialect: Dialect) -> list[date] | None:  # noqa: ARG002
        """Read the texts as days."""
        return None if value is None else [date.fromisoformat(day) for day in value]
