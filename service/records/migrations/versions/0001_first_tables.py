"""The first tables.

The key of the readings is ordered for each database: PostgreSQL reads along (sensor, time) and finds a span
of time by a block range index; SQLite, without rowid, takes them in the order of arrival, (time, sensor).
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.records.types import UtcDateTime

revision = "0001"
down_revision = None

ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make every table of the first version."""
    _the_place()
    _what_is_grown()
    _what_is_measured()
    _what_is_concluded()
    _who_may()


def _the_place() -> None:
    op.create_table(
        "farm",
        sa.Column("id", ID, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_farm")),
    )
    op.create_table(
        "house",
        sa.Column("id", ID, nullable=False),
        sa.Column("farm_id", ID, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("code", sa.String(length=40), nullable=False),
        sa.Column("latitude_deg", sa.Double(), nullable=False),
        sa.Column("longitude_deg", sa.Double(), nullable=False),
        sa.Column("elevation_m", sa.Double(), nullable=False),
        sa.Column("time_zone", sa.Text(), nullable=False),
        sa.Column("light_transmission", sa.Double(), nullable=False),
        sa.Column("co2_ppm", sa.Double(), nullable=False),
        sa.Column("temp_heat_day_c", sa.Double(), nullable=False),
        sa.Column("temp_heat_night_c", sa.Double(), nullable=False),
        sa.Column("temp_vent_c", sa.Double(), nullable=False),
        sa.Column("lamp_ppfd_umol", sa.Double(), nullable=False),
        sa.Column("lamp_start_h", sa.Double(), nullable=False),
        sa.Column("lamp_hours", sa.Double(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["farm_id"], ["farm.id"], name=op.f("fk_house_farm_id_farm")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_house")),
        sa.UniqueConstraint("farm_id", "code", name=op.f("uq_house_farm_id_code")),
    )
    op.create_index(op.f("ix_house_farm_id"), "house", ["farm_id"])
    op.create_table(
        "zone",
        sa.Column("id", ID, nullable=False),
        sa.Column("house_id", ID, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("code", sa.String(length=40), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("capacity", sa.Integer(), nullable=False),
        sa.Column("plants_m2", sa.Double(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("kind IN ('nursery', 'channels')", name=op.f("ck_zone_kind")),
        sa.ForeignKeyConstraint(["house_id"], ["house.id"], name=op.f("fk_zone_house_id_house")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_zone")),
        sa.UniqueConstraint("house_id", "code", name=op.f("uq_zone_house_id_code")),
    )
    op.create_index(op.f("ix_zone_house_id"), "zone", ["house_id"])


def _what_is_grown() -> None:
    op.create_table(
        "crop",
        sa.Column("id", ID, nullable=False),
        sa.Column("farm_id", ID, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("profile", sa.String(length=40), nullable=False),
        sa.Column("target_fresh_g", sa.Double(), nullable=True),
        sa.Column("window_open_leaves", sa.Double(), nullable=True),
        sa.Column("window_close_leaves", sa.Double(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["farm_id"], ["farm.id"], name=op.f("fk_crop_farm_id_farm")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_crop")),
        sa.UniqueConstraint("farm_id", "name", name=op.f("uq_crop_farm_id_name")),
    )
    op.create_index(op.f("ix_crop_farm_id"), "crop", ["farm_id"])
    op.create_table(
        "cultivar",
        sa.Column("id", ID, nullable=False),
        sa.Column("crop_id", ID, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["crop_id"], ["crop.id"], name=op.f("fk_cultivar_crop_id_crop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cultivar")),
        sa.UniqueConstraint("crop_id", "name", name=op.f("uq_cultivar_crop_id_name")),
    )
    op.create_index(op.f("ix_cultivar_crop_id"), "cultivar", ["crop_id"])
    op.create_table(
        "succession",
        sa.Column("id", ID, nullable=False),
        sa.Column("house_id", ID, nullable=False),
        sa.Column("crop_id", ID, nullable=False),
        sa.Column("cultivar_id", ID, nullable=True),
        sa.Column("nursery_zone_id", ID, nullable=False),
        sa.Column("channels_zone_id", ID, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("heads_per_harvest", sa.Integer(), nullable=False),
        sa.Column("harvest_interval_days", sa.Double(), nullable=False),
        sa.Column("seeding_interval_days", sa.Double(), nullable=False),
        sa.Column("seeding_weekdays", sa.JSON(), nullable=False),
        sa.Column("cells_per_seeding", sa.Integer(), nullable=False),
        sa.Column("keep_share", sa.Double(), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["channels_zone_id"], ["zone.id"], name=op.f("fk_succession_channels_zone_id_zone")
        ),
        sa.ForeignKeyConstraint(["crop_id"], ["crop.id"], name=op.f("fk_succession_crop_id_crop")),
        sa.ForeignKeyConstraint(
            ["cultivar_id"], ["cultivar.id"], name=op.f("fk_succession_cultivar_id_cultivar")
        ),
        sa.ForeignKeyConstraint(["house_id"], ["house.id"], name=op.f("fk_succession_house_id_house")),
        sa.ForeignKeyConstraint(
            ["nursery_zone_id"], ["zone.id"], name=op.f("fk_succession_nursery_zone_id_zone")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_succession")),
        sa.UniqueConstraint("house_id", "name", name=op.f("uq_succession_house_id_name")),
    )
    op.create_index(op.f("ix_succession_channels_zone_id"), "succession", ["channels_zone_id"])
    op.create_index(op.f("ix_succession_crop_id"), "succession", ["crop_id"])
    op.create_index(op.f("ix_succession_cultivar_id"), "succession", ["cultivar_id"])
    op.create_index(op.f("ix_succession_house_id"), "succession", ["house_id"])
    op.create_index(op.f("ix_succession_nursery_zone_id"), "succession", ["nursery_zone_id"])
    op.create_table(
        "batch",
        sa.Column("id", ID, nullable=False),
        sa.Column("house_id", ID, nullable=False),
        sa.Column("succession_id", ID, nullable=False),
        sa.Column("cultivar_id", ID, nullable=True),
        sa.Column("code", sa.String(length=60), nullable=False),
        sa.Column("seeded_on", sa.Date(), nullable=False),
        sa.Column("cells", sa.Integer(), nullable=False),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.Column("stage", sa.String(length=20), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("stage IN ('nursery', 'channels', 'finished')", name=op.f("ck_batch_stage")),
        sa.ForeignKeyConstraint(["cultivar_id"], ["cultivar.id"], name=op.f("fk_batch_cultivar_id_cultivar")),
        sa.ForeignKeyConstraint(["house_id"], ["house.id"], name=op.f("fk_batch_house_id_house")),
        sa.ForeignKeyConstraint(
            ["succession_id"], ["succession.id"], name=op.f("fk_batch_succession_id_succession")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_batch")),
        sa.UniqueConstraint("house_id", "code", name=op.f("uq_batch_house_id_code")),
    )
    op.create_index(op.f("ix_batch_cultivar_id"), "batch", ["cultivar_id"])
    op.create_index(op.f("ix_batch_house_id"), "batch", ["house_id"])
    op.create_index("ix_batch_house_id_stage", "batch", ["house_id", "stage"])
    op.create_index("ix_batch_succession_id_seeded_on", "batch", ["succession_id", "seeded_on"])
    op.create_table(
        "entry",
        sa.Column("id", ID, nullable=False),
        sa.Column("batch_id", ID, nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("happened_at", UtcDateTime(), nullable=False),
        sa.Column("recorded_at", UtcDateTime(), nullable=False),
        sa.Column("recorded_by", sa.Text(), nullable=False),
        sa.Column("plants", sa.Integer(), nullable=True),
        sa.Column("leaves", sa.Double(), nullable=True),
        sa.Column("weight_g", sa.Double(), nullable=True),
        sa.Column("zone_id", ID, nullable=True),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("supersedes_id", ID, nullable=True),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('seeded', 'emergence_counted', 'leaves_counted', 'transplanted', 'moved', 'discarded',"
            " 'harvested')",
            name=op.f("ck_entry_kind"),
        ),
        sa.ForeignKeyConstraint(["batch_id"], ["batch.id"], name=op.f("fk_entry_batch_id_batch")),
        sa.ForeignKeyConstraint(["supersedes_id"], ["entry.id"], name=op.f("fk_entry_supersedes_id_entry")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_entry_zone_id_zone")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_entry")),
        sa.UniqueConstraint("supersedes_id", name=op.f("uq_entry_supersedes_id")),
    )
    op.create_index(op.f("ix_entry_batch_id"), "entry", ["batch_id"])


def _what_is_measured() -> None:
    on_postgresql = op.get_bind().dialect.name == "postgresql"
    reading_key = ("sensor_id", "at") if on_postgresql else ("at", "sensor_id")
    op.create_table(
        "sensor",
        sa.Column("id", ID, nullable=False),
        sa.Column("house_id", ID, nullable=False),
        sa.Column("zone_id", ID, nullable=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("quantity", sa.String(length=30), nullable=False),
        sa.Column("unit", sa.String(length=30), nullable=False),
        sa.Column("topic", sa.String(length=255), nullable=False),
        sa.Column("value_pointer", sa.String(length=120), nullable=False),
        sa.Column("time_pointer", sa.String(length=120), nullable=False),
        sa.Column("sampling", sa.String(length=10), nullable=False),
        sa.Column("interval_s", sa.Double(), nullable=False),
        sa.Column("light_source", sa.String(length=30), nullable=False),
        sa.Column("factor", sa.Double(), nullable=False),
        sa.Column("valid_min", sa.Double(), nullable=True),
        sa.Column("valid_max", sa.Double(), nullable=True),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "sampling IN ('instant', 'mean', 'change', 'total')", name=op.f("ck_sensor_sampling")
        ),
        sa.ForeignKeyConstraint(["house_id"], ["house.id"], name=op.f("fk_sensor_house_id_house")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_sensor_zone_id_zone")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sensor")),
        sa.UniqueConstraint("topic", "value_pointer", name=op.f("uq_sensor_topic_value_pointer")),
    )
    op.create_index(op.f("ix_sensor_house_id"), "sensor", ["house_id"])
    op.create_index(op.f("ix_sensor_zone_id"), "sensor", ["zone_id"])
    op.create_table(
        "reading",
        sa.Column("sensor_id", ID, nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name=op.f("fk_reading_sensor_id_sensor")),
        sa.PrimaryKeyConstraint(*reading_key, name=op.f("pk_reading")),
        sqlite_with_rowid=False,
    )
    if on_postgresql:
        op.create_index(op.f("ix_reading_at"), "reading", ["at"], postgresql_using="brin")
    op.create_table(
        "hour",
        sa.Column("zone_id", ID, nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("temp_mean_c", sa.Double(), nullable=True),
        sa.Column("temp_min_c", sa.Double(), nullable=True),
        sa.Column("temp_max_c", sa.Double(), nullable=True),
        sa.Column("temp_coverage", sa.Double(), nullable=False),
        sa.Column("light_mol", sa.Double(), nullable=True),
        sa.Column("light_coverage", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_hour_zone_id_zone")),
        sa.PrimaryKeyConstraint("zone_id", "at", name=op.f("pk_hour")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "touched_hour",
        sa.Column("zone_id", ID, nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("times", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_touched_hour_zone_id_zone")),
        sa.PrimaryKeyConstraint("zone_id", "at", name=op.f("pk_touched_hour")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "dead_letter",
        sa.Column("id", ID, nullable=False),
        sa.Column("topic", sa.String(length=255), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        sa.Column("received_at", UtcDateTime(), nullable=False),
        sa.Column("reason", sa.String(length=30), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("sensor_id", ID, nullable=True),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name=op.f("fk_dead_letter_sensor_id_sensor")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_dead_letter")),
    )
    op.create_index(op.f("ix_dead_letter_received_at"), "dead_letter", ["received_at"])
    op.create_index(op.f("ix_dead_letter_sensor_id"), "dead_letter", ["sensor_id"])
    op.create_index(op.f("ix_dead_letter_topic"), "dead_letter", ["topic"])
    op.create_table(
        "unknown_topic",
        sa.Column("topic", sa.String(length=255), nullable=False),
        sa.Column("first_seen_at", UtcDateTime(), nullable=False),
        sa.Column("last_seen_at", UtcDateTime(), nullable=False),
        sa.Column("messages", sa.Integer(), nullable=False),
        sa.Column("last_payload", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("topic", name=op.f("pk_unknown_topic")),
    )


def _what_is_concluded() -> None:
    op.create_table(
        "forecast",
        sa.Column("id", ID, nullable=False),
        sa.Column("batch_id", ID, nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("input_key", sa.String(length=64), nullable=False),
        sa.Column("horizon_days", sa.Integer(), nullable=False),
        sa.Column("points", sa.JSON(), nullable=False),
        sa.Column("state", sa.JSON(), nullable=False),
        sa.Column("parameters", sa.JSON(), nullable=False),
        sa.Column("reasons", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["batch_id"], ["batch.id"], name=op.f("fk_forecast_batch_id_batch")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_forecast")),
    )
    op.create_index("ix_forecast_batch_id_made_at", "forecast", ["batch_id", "made_at"])
    op.create_table(
        "advice",
        sa.Column("id", ID, nullable=False),
        sa.Column("succession_id", ID, nullable=False),
        sa.Column("made_at", UtcDateTime(), nullable=False),
        sa.Column("input_key", sa.String(length=64), nullable=False),
        sa.Column("decision", sa.String(length=10), nullable=False),
        sa.Column("binding", sa.String(length=12), nullable=False),
        sa.Column("interval_days", sa.Double(), nullable=False),
        sa.Column("advised_interval_days", sa.Double(), nullable=False),
        sa.Column("cells_per_seeding", sa.Integer(), nullable=False),
        sa.Column("from_on", sa.Date(), nullable=False),
        sa.Column("probability", sa.Double(), nullable=False),
        sa.Column("seedings", sa.JSON(), nullable=False),
        sa.Column("outcome", sa.JSON(), nullable=False),
        sa.Column("reasons", sa.JSON(), nullable=False),
        sa.CheckConstraint("binding IN ('continuity', 'sites', 'window')", name=op.f("ck_advice_binding")),
        sa.CheckConstraint("decision IN ('hold', 'shorten', 'lengthen')", name=op.f("ck_advice_decision")),
        sa.ForeignKeyConstraint(
            ["succession_id"], ["succession.id"], name=op.f("fk_advice_succession_id_succession")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_advice")),
    )
    op.create_index("ix_advice_succession_id_made_at", "advice", ["succession_id", "made_at"])
    op.create_table(
        "alert",
        sa.Column("id", ID, nullable=False),
        sa.Column("house_id", ID, nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("subject", sa.String(length=60), nullable=False),
        sa.Column("severity", sa.String(length=10), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("next_step", sa.Text(), nullable=False),
        sa.Column("evidence", sa.JSON(), nullable=False),
        sa.Column("opened_at", UtcDateTime(), nullable=False),
        sa.Column("updated_at", UtcDateTime(), nullable=False),
        sa.Column("closed_at", UtcDateTime(), nullable=True),
        sa.CheckConstraint("severity IN ('info', 'warning', 'urgent')", name=op.f("ck_alert_severity")),
        sa.ForeignKeyConstraint(["house_id"], ["house.id"], name=op.f("fk_alert_house_id_house")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alert")),
    )
    op.create_index(op.f("ix_alert_house_id"), "alert", ["house_id"])
    op.create_index(
        "uq_alert_open",
        "alert",
        ["house_id", "kind", "subject"],
        unique=True,
        postgresql_where=sa.text("closed_at IS NULL"),
        sqlite_where=sa.text("closed_at IS NULL"),
    )


def _who_may() -> None:
    op.create_table(
        "token",
        sa.Column("id", ID, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("secret_hash", sa.String(length=64), nullable=False),
        sa.Column("scopes", sa.JSON(), nullable=False),
        sa.Column("created_at", UtcDateTime(), nullable=False),
        sa.Column("farm_id", ID, nullable=True),
        sa.Column("revoked_at", UtcDateTime(), nullable=True),
        sa.ForeignKeyConstraint(["farm_id"], ["farm.id"], name=op.f("fk_token_farm_id_farm")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_token")),
        sa.UniqueConstraint("secret_hash", name=op.f("uq_token_secret_hash")),
    )
    op.create_index(op.f("ix_token_farm_id"), "token", ["farm_id"])
