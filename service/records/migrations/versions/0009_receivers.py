"""Receivers, their outbox and calendars; limits of a zone; the log of changes; alerts acknowledged and snoozed.

Suits the version before it, which neither fills nor reads them.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.records.types import UtcDateTime

revision = "0009"
down_revision = "0008"


ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables and add the columns."""
    op.create_table(
        "change",
        sa.Column("id", ID, nullable=False),
        sa.Column("farm_id", ID, nullable=False),
        sa.Column("kind", sa.String(length=30), nullable=False),
        sa.Column("row_id", ID, nullable=False),
        sa.Column("what", sa.String(length=10), nullable=False),
        sa.Column("house_id", ID, nullable=True),
        sa.Column("batch_id", ID, nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_change")),
    )
    op.create_table(
        "receiver",
        sa.Column("id", ID, nullable=False),
        sa.Column("farm_id", ID, nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("target", sa.Text(), nullable=False),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.Column("time_zone", sa.Text(), nullable=False),
        sa.Column("house_ids", sa.JSON(), nullable=True),
        sa.Column("alert_kinds", sa.JSON(), nullable=True),
        sa.Column("min_severity", sa.String(length=10), nullable=False),
        sa.Column("news", sa.JSON(), nullable=False),
        sa.Column("quiet_from", sa.String(length=5), nullable=True),
        sa.Column("quiet_to", sa.String(length=5), nullable=True),
        sa.Column("digest_at", sa.String(length=5), nullable=True),
        sa.Column("last_digest_on", sa.Date(), nullable=True),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("secret", sa.Text(), nullable=True),
        sa.Column("old_secret", sa.Text(), nullable=True),
        sa.Column("old_secret_until", UtcDateTime(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("kind IN ('webhook', 'mail', 'mqtt')", name=op.f("ck_receiver_kind")),
        sa.CheckConstraint(
            "min_severity IN ('info', 'warning', 'urgent')", name=op.f("ck_receiver_min_severity")
        ),
        sa.CheckConstraint("(quiet_from IS NULL) = (quiet_to IS NULL)", name=op.f("ck_receiver_quiet")),
        sa.ForeignKeyConstraint(["farm_id"], ["farm.id"], name=op.f("fk_receiver_farm_id_farm")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_receiver")),
        sa.UniqueConstraint("farm_id", "name", name=op.f("uq_receiver_farm_id_name")),
    )
    with op.batch_alter_table("receiver") as batch_op:
        batch_op.create_index(batch_op.f("ix_receiver_farm_id"), ["farm_id"], unique=False)

    op.create_table(
        "calendar_feed",
        sa.Column("id", ID, nullable=False),
        sa.Column("farm_id", ID, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("secret_hash", sa.String(length=64), nullable=False),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.Column("house_id", ID, nullable=True),
        sa.Column("revoked_at", UtcDateTime(), nullable=True),
        sa.ForeignKeyConstraint(["farm_id"], ["farm.id"], name=op.f("fk_calendar_feed_farm_id_farm")),
        sa.ForeignKeyConstraint(["house_id"], ["house.id"], name=op.f("fk_calendar_feed_house_id_house")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calendar_feed")),
        sa.UniqueConstraint("secret_hash", name=op.f("uq_calendar_feed_secret_hash")),
    )
    with op.batch_alter_table("calendar_feed") as batch_op:
        batch_op.create_index(batch_op.f("ix_calendar_feed_farm_id"), ["farm_id"], unique=False)

    op.create_table(
        "retained_topic",
        sa.Column("receiver_id", ID, autoincrement=False, nullable=False),
        sa.Column("topic", sa.String(length=255), nullable=False),
        sa.Column("house_id", ID, nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["house_id"], ["house.id"], name=op.f("fk_retained_topic_house_id_house")),
        sa.ForeignKeyConstraint(
            ["receiver_id"], ["receiver.id"], name=op.f("fk_retained_topic_receiver_id_receiver")
        ),
        sa.PrimaryKeyConstraint("receiver_id", "topic", name=op.f("pk_retained_topic")),
    )
    with op.batch_alter_table("retained_topic") as batch_op:
        batch_op.create_index(batch_op.f("ix_retained_topic_house_id"), ["house_id"], unique=False)

    op.create_table(
        "notice",
        sa.Column("id", ID, nullable=False),
        sa.Column("receiver_id", ID, nullable=False),
        sa.Column("event_id", sa.String(length=40), nullable=False),
        sa.Column("type", sa.String(length=60), nullable=False),
        sa.Column("source", sa.String(length=80), nullable=False),
        sa.Column("subject", sa.String(length=255), nullable=False),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.Column("due_at", UtcDateTime(), nullable=False),
        sa.Column("expires_at", UtcDateTime(), nullable=False),
        sa.Column("data", sa.JSON(), nullable=True),
        sa.Column("alert_id", ID, nullable=True),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("leased_until", UtcDateTime(), nullable=True),
        sa.Column("lease", sa.String(length=40), nullable=True),
        sa.Column("sent_at", UtcDateTime(), nullable=True),
        sa.Column("last_error", sa.Text(), nullable=True),
        sa.CheckConstraint(
            "state IN ('waiting', 'held', 'sent', 'dead', 'replaced')", name=op.f("ck_notice_state")
        ),
        sa.ForeignKeyConstraint(["alert_id"], ["alert.id"], name=op.f("fk_notice_alert_id_alert")),
        sa.ForeignKeyConstraint(
            ["receiver_id"], ["receiver.id"], name=op.f("fk_notice_receiver_id_receiver")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notice")),
    )
    with op.batch_alter_table("notice") as batch_op:
        batch_op.create_index(batch_op.f("ix_notice_alert_id"), ["alert_id"], unique=False)
        batch_op.create_index("ix_notice_receiver_id_state", ["receiver_id", "state", "id"], unique=False)

    op.create_table(
        "zone_limit",
        sa.Column("zone_id", ID, autoincrement=False, nullable=False),
        sa.Column("quantity", sa.String(length=30), nullable=False),
        sa.Column("low", sa.Double(), nullable=True),
        sa.Column("high", sa.Double(), nullable=True),
        sa.Column("urgent_low", sa.Double(), nullable=True),
        sa.Column("urgent_high", sa.Double(), nullable=True),
        sa.Column("after_minutes", sa.Double(), nullable=False),
        sa.CheckConstraint("after_minutes >= 0", name=op.f("ck_zone_limit_after_minutes")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_zone_limit_zone_id_zone")),
        sa.PrimaryKeyConstraint("zone_id", "quantity", name=op.f("pk_zone_limit")),
    )
    op.create_table(
        "forecast_day",
        sa.Column("batch_id", ID, autoincrement=False, nullable=False),
        sa.Column("event", sa.String(length=20), nullable=False),
        sa.Column("told_day", sa.Date(), nullable=False),
        sa.Column("changed_at", UtcDateTime(), nullable=False),
        sa.Column("day", sa.Date(), nullable=True),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["batch_id"], ["batch.id"], name=op.f("fk_forecast_day_batch_id_batch")),
        sa.PrimaryKeyConstraint("batch_id", "event", name=op.f("pk_forecast_day")),
    )
    with op.batch_alter_table("alert") as batch_op:
        batch_op.add_column(sa.Column("onset_at", UtcDateTime(), nullable=True))
        batch_op.add_column(sa.Column("size", sa.Double(), nullable=True))
        batch_op.add_column(sa.Column("size_unit", sa.String(length=20), nullable=True))
        batch_op.add_column(sa.Column("acknowledged_at", UtcDateTime(), nullable=True))
        batch_op.add_column(sa.Column("acknowledged_by", sa.Text(), nullable=True))
        batch_op.add_column(sa.Column("snoozed_until", UtcDateTime(), nullable=True))
