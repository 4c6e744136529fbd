"""Logs as JSON lines, each with the request it belongs to."""

from __future__ import annotations

import json
import logging
from contextvars import ContextVar
from datetime import UTC, datetime
from typing import Any

request_id: ContextVar[str] = ContextVar("evenleaf_request_id", default="")
"""The id of the request that is being answered; empty: none is."""

_OWN = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime", "taskName"}


class JsonLines(logging.Formatter):
    """One JSON object a line: ``at``, ``level``, ``logger``, ``message``, ``requestId``, what the caller added, and
    the ``error`` with its traceback."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the line."""
        said: dict[str, Any] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname,
            "logger": record.name,
            "message": record.getMessage(),
        }
        if found := request_id.get():
            said["requestId"] = found
        said.update(
            {key: value for key, value in vars(record).items() if key not in _OWN and key not in said}
        )
        if record.exc_info:
            said["error"] = self.formatException(record.exc_info)
        return json.dumps(said, ensure_ascii=False, default=str)


def write_json_lines() -> None:
    """Have what is logged from now on written as JSON lines, wherever it goes."""
    for handler in logging.getLogger().handlers:
        handler.setFormatter(JsonLines())
