"""Mixes of cultivars; harvests from which plants regrow. Suits the version before it, which knows neither."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables of mixes, and let a harvest say that it left the plants standing."""
    for of in ("succession", "batch"):
        _mix(of)
    op.add_column("entry", sa.Column("regrows", sa.Boolean(), nullable=True))


def _mix(of: str) -> None:
    name = f"{of}_cultivar"
    op.create_table(
        name,
        sa.Column(f"{of}_id", ID, nullable=False),
        sa.Column("cultivar_id", ID, nullable=False),
        sa.Column("share", sa.Double(), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.CheckConstraint("share > 0 AND share < 1", name=op.f(f"ck_{name}_share")),
        sa.ForeignKeyConstraint(
            ["cultivar_id"], ["cultivar.id"], name=op.f(f"fk_{name}_cultivar_id_cultivar")
        ),
        sa.ForeignKeyConstraint([f"{of}_id"], [f"{of}.id"], name=op.f(f"fk_{name}_{of}_id_{of}")),
        sa.PrimaryKeyConstraint(f"{of}_id", "cultivar_id", name=op.f(f"pk_{name}")),
    )
