"""How ready heads were when they were cut, and what batches say about their crop's multipliers.

Suits the version before it, which neither fills nor reads them.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.records.types import UtcDateTime

revision = "0004"
down_revision = "0003"

ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add the column and the table."""
    with op.batch_alter_table("entry") as entry:
        entry.add_column(sa.Column("readiness", sa.String(length=10), nullable=True))
        entry.create_check_constraint(op.f("ck_entry_readiness"), "readiness IN ('early', 'ready', 'held')")
    op.create_table(
        "batch_evidence",
        sa.Column("batch_id", ID, autoincrement=False, nullable=False),
        sa.Column("input_key", sa.String(length=64), nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("pieces", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["batch_id"], ["batch.id"], name=op.f("fk_batch_evidence_batch_id_batch")),
        sa.PrimaryKeyConstraint("batch_id", name=op.f("pk_batch_evidence")),
    )
