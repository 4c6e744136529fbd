"""Tasks that follow from forecasts, and the facts that tick them off. Suits the version before it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"

ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add what a task is about, for which day it was proposed, and which entry ticked it off."""
    with op.batch_alter_table("task") as batch_op:
        batch_op.add_column(sa.Column("subject", sa.String(length=80), nullable=True))
        batch_op.add_column(sa.Column("proposed_on", sa.Date(), nullable=True))
        batch_op.add_column(sa.Column("done_entry_id", ID, nullable=True))
        batch_op.create_index(op.f("uq_task_house_id_subject"), ["house_id", "subject"], unique=True)
        batch_op.create_foreign_key(
            batch_op.f("fk_task_done_entry_id_entry"), "entry", ["done_entry_id"], ["id"]
        )
