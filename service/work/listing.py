"""Pages of a list: rows after an id, up to a limit."""

from __future__ import annotations

from service.work.errors import impossible

DEFAULT_LIMIT = 100
MAX_LIMIT = 500
_MAX_ID = 2**63 - 1


def check_page(after: int | None, limit: int, **filters: int | None) -> None:
    """Refuse a page or a filter id that cannot be."""
    if not 1 <= limit <= MAX_LIMIT:
        raise impossible("limit", f"it must be a whole number from 1 to {MAX_LIMIT}")
    for name, value in {"after": after, **filters}.items():
        if value is not None and not 0 <= value <= _MAX_ID:
            raise impossible(name, "it must be the id of a row")


def check_choice(name: str, value: str | None, choices: tuple[str, ...]) -> None:
    """Refuse a filter word that nothing has."""
    if value is not None and value not in choices:
        raise impossible(name, f"it must be one of {', '.join(choices)}")
