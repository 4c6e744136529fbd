"""Who takes which part of the messages, where several ingest processes share them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    """Make the table of slots."""
    op.create_table(
        "ingest_slot",
        sa.Column("slot", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("holder", sa.String(length=80), nullable=True),
        sa.Column("epoch", sa.Integer(), nullable=False),
        sa.Column("lease_until_s", sa.Double(), nullable=False),
        sa.Column("wanted_until_s", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint("slot", name=op.f("pk_ingest_slot")),
    )
