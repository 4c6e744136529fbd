"""Column types that mean the same on SQLite and PostgreSQL."""

from __future__ import annotations

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

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """Return the moment, aware, in UTC."""
        if value is None:
            return None
        if dialect.name == "sqlite":
            return _EPOCH + timedelta(microseconds=int(value))
        moment: datetime = value
        return moment.astimezone(UTC)


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
