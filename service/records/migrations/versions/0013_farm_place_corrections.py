"""Where a farm is and how it is called upon; what a change of records of goods changed.

Suits the version before it, which knows neither.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"


def upgrade() -> None:
    """Add the columns."""
    op.add_column("farm", sa.Column("address", sa.Text(), nullable=True))
    op.add_column("farm", sa.Column("phone", sa.String(length=40), nullable=True))
    op.add_column("audit_record", sa.Column("changes", sa.JSON(none_as_null=True), nullable=True))
