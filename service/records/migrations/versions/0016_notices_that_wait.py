"""An index of the notices that wait: whoever sends looks for them every second, among all that were sent in a month.

Suits the version before it, which has no use for it.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"


def upgrade() -> None:
    """Make the index."""
    op.create_index(
        "ix_notice_waiting",
        "notice",
        ["due_at"],
        unique=False,
        postgresql_where=sa.text("state = 'waiting'"),
        sqlite_where=sa.text("state = 'waiting'"),
    )
