"""Marks of change, and leases of periodic work.

Suits the version before it, which knows neither.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.records.types import UtcDateTime

revision = "0012"
down_revision = "0011"

ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables, and the index that finds outdoor sensors."""
    op.create_table(
        "change_mark",
        sa.Column("scope", sa.String(length=10), nullable=False),
        sa.Column("row_id", ID, autoincrement=False, nullable=False),
        sa.Column("changes", sa.BigInteger(), nullable=False),
        sa.Column("until", UtcDateTime(), nullable=True),
        sa.PrimaryKeyConstraint("scope", "row_id", name=op.f("pk_change_mark")),
    )
    op.create_table(
        "job_lease",
        sa.Column("job", sa.String(length=40), nullable=False),
        sa.Column("subject_id", ID, autoincrement=False, nullable=False),
        sa.Column("due_at", UtcDateTime(), nullable=True),
        sa.Column("holder", sa.String(length=80), nullable=True),
        sa.Column("epoch", sa.BigInteger(), nullable=False),
        sa.Column("lease_until_s", sa.Double(), nullable=False),
        sa.Column("done", sa.Boolean(), nullable=False),
        sa.Column("mark", sa.Text(), nullable=True),
        sa.Column("input_key", sa.String(length=64), nullable=True),
        sa.PrimaryKeyConstraint("job", "subject_id", name=op.f("pk_job_lease")),
    )
    op.create_index(
        "ix_sensor_outdoors",
        "sensor",
        ["house_id"],
        unique=False,
        postgresql_where=sa.text("zone_id IS NULL"),
        sqlite_where=sa.text("zone_id IS NULL"),
    )
