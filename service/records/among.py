"""The condition that a column is one of some ids."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from sqlalchemy import BigInteger, ColumnElement, any_, func, literal, select
from sqlalchemy.dialects.postgresql import ARRAY
from sqlalchemy.orm import InstrumentedAttribute


def is_among(
    dialect: str, column: InstrumentedAttribute[Any] | ColumnElement[Any], ids: Iterable[int]
) -> ColumnElement[bool]:
    """Return the condition that a column is one of ids, as one parameter however many they are.

    ``in_`` makes another statement for every number of ids, and each connection keeps a hundred of them prepared:
    where the number varies, tens of megabytes.
    """
    wanted = sorted(set(ids))
    if dialect == "postgresql":
        return column == any_(literal(wanted, ARRAY(BigInteger())))
    return column.in_(select(func.json_each(json.dumps(wanted)).table_valued("value").c.value))
