"""The database's own time, for leases: clocks of the processes need not agree."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Double
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.expression import FunctionElement


class now_s(FunctionElement[float]):  # noqa: N801 - a function of SQL
    """The database's time in seconds since 1970."""

    type = Double()
    inherit_cache = True


@compiles(now_s, "postgresql")
def _on_postgresql(_element: Any, _compiler: Any, **_: Any) -> str:
    return "extract(epoch FROM clock_timestamp())::float8"


@compiles(now_s, "sqlite")
def _on_sqlite(_element: Any, _compiler: Any, **_: Any) -> str:
    return "((julianday('now') - 2440587.5) * 86400.0)"
