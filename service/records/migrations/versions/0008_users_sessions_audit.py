"""Users, their sessions, the log-in throttle, idempotency keys, the audit trail; tokens that expire.

Suits the version before it, which knows none of them.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.records.types import UtcDateTime

revision = "0008"
down_revision = "0007"

ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables and add the columns."""
    op.create_table(
        "audit_record",
        sa.Column("id", ID, nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("access", sa.String(length=40), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("operation", sa.String(length=60), nullable=False),
        sa.Column("method", sa.String(length=10), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("things", sa.JSON(), nullable=False),
        sa.Column("farm_id", ID, nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_record")),
    )
    op.create_index(op.f("ix_audit_record_at"), "audit_record", ["at"], unique=False)
    op.create_index(op.f("ix_audit_record_farm_id"), "audit_record", ["farm_id"], unique=False)

    op.create_table(
        "idempotency_key",
        sa.Column("access", sa.String(length=40), nullable=False),
        sa.Column("key", sa.String(length=255), nullable=False),
        sa.Column("request", sa.Text(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=True),
        sa.Column("headers", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("body", sa.LargeBinary(), nullable=True),
        sa.PrimaryKeyConstraint("access", "key", name=op.f("pk_idempotency_key")),
    )
    op.create_index(op.f("ix_idempotency_key_created_at"), "idempotency_key", ["created_at"], unique=False)

    op.create_table(
        "login_throttle",
        sa.Column("key", sa.String(length=80), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("last_at", UtcDateTime(), nullable=False),
        sa.Column("blocked_until", UtcDateTime(), nullable=True),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_login_throttle")),
    )
    op.create_index(op.f("ix_login_throttle_last_at"), "login_throttle", ["last_at"], unique=False)

    op.create_table(
        "user",
        sa.Column("id", ID, nullable=False),
        sa.Column("login", sa.String(length=200), nullable=False),
        sa.Column("display_name", sa.Text(), nullable=False),
        sa.Column("role", sa.String(length=10), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=False),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.Column("password_changed_at", UtcDateTime(), nullable=False),
        sa.Column("farm_id", ID, nullable=True),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("role IN ('owner', 'grower', 'crew', 'viewer')", name=op.f("ck_user_role")),
        sa.ForeignKeyConstraint(["farm_id"], ["farm.id"], name=op.f("fk_user_farm_id_farm")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_user")),
        sa.UniqueConstraint("login", name=op.f("uq_user_login")),
    )
    op.create_index(op.f("ix_user_farm_id"), "user", ["farm_id"], unique=False)

    op.create_table(
        "session",
        sa.Column("id", ID, nullable=False),
        sa.Column("secret_hash", sa.String(length=64), nullable=False),
        sa.Column("user_id", ID, nullable=False),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.Column("seen_at", UtcDateTime(), nullable=False),
        sa.Column("expires_at", UtcDateTime(), nullable=False),
        sa.Column("device", sa.String(length=200), nullable=False),
        sa.Column("ended_at", UtcDateTime(), nullable=True),
        sa.ForeignKeyConstraint(["user_id"], ["user.id"], name=op.f("fk_session_user_id_user")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_session")),
        sa.UniqueConstraint("secret_hash", name=op.f("uq_session_secret_hash")),
    )
    op.create_index(op.f("ix_session_expires_at"), "session", ["expires_at"], unique=False)
    op.create_index(op.f("ix_session_user_id"), "session", ["user_id"], unique=False)

    op.add_column("token", sa.Column("expires_at", UtcDateTime(), nullable=True))
    op.add_column("token", sa.Column("last_used_at", UtcDateTime(), nullable=True))
