"""What alerts and advice say, as codes and figures beside the English sentences.

Suits the version before it, which leaves the columns empty.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"


def upgrade() -> None:
    """Add the columns."""
    op.add_column("alert", sa.Column("words", sa.JSON(), nullable=True))
    op.add_column("advice", sa.Column("why", sa.JSON(), nullable=True))
    op.add_column("forecast", sa.Column("why", sa.JSON(), nullable=True))
