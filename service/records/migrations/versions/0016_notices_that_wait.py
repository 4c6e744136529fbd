"""An index of the notices that wait: whoever sends looks for them every second, among all that were sent in a month.

And how often a receiver refused one, which is counted apart from when it was away. Suits the version before it, which
has no use for either.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"


def upgrade() -> None:
    """Make the index and the column."""
    op.add_column("notice", sa.Column("refusals", sa.Integer(), server_default="0", nullable=False))
    op.create_index(
        "ix_notice_waiting",
        "notice",
        ["due_at"],
        unique=False,
        postgresql_where=sa.text("state = 'waiting'"),
        sqlite_where=sa.text("state = 'waiting'"),
    )
