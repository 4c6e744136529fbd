"""What sensors need to be trusted: calibrations, clocks, hours of their own, and from when on readings are kept."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.records.types import UtcDateTime

revision = "0011"
down_revision = "0010"

ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables, and the sensor's clock correction."""
    op.add_column("sensor", sa.Column("clock_correction_s", sa.Double(), nullable=True))
    op.create_table(
        "sensor_calibration",
        sa.Column("id", ID, nullable=False),
        sa.Column("sensor_id", ID, nullable=False),
        sa.Column("from_at", UtcDateTime(), nullable=False),
        sa.Column("until_at", UtcDateTime(), nullable=True),
        sa.Column("factor", sa.Double(), nullable=False),
        sa.Column("offset", sa.Double(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("recorded_at", UtcDateTime(), nullable=False),
        sa.Column("recorded_by", sa.Text(), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("until_at > from_at", name=op.f("ck_sensor_calibration_span")),
        sa.CheckConstraint("factor > 0", name=op.f("ck_sensor_calibration_factor")),
        sa.ForeignKeyConstraint(
            ["sensor_id"], ["sensor.id"], name=op.f("fk_sensor_calibration_sensor_id_sensor")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sensor_calibration")),
    )
    op.create_index(
        op.f("ix_sensor_calibration_sensor_id"), "sensor_calibration", ["sensor_id"], unique=False
    )
    op.create_table(
        "sensor_lag",
        sa.Column("sensor_id", ID, nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("low_s", sa.Double(), nullable=False),
        sa.Column("high_s", sa.Double(), nullable=False),
        sa.Column("messages", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name=op.f("fk_sensor_lag_sensor_id_sensor")),
        sa.PrimaryKeyConstraint("sensor_id", "at", name=op.f("pk_sensor_lag")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "sensor_hour",
        sa.Column("sensor_id", ID, nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("mean", sa.Double(), nullable=False),
        sa.Column("minimum", sa.Double(), nullable=False),
        sa.Column("maximum", sa.Double(), nullable=False),
        sa.Column("readings", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name=op.f("fk_sensor_hour_sensor_id_sensor")),
        sa.PrimaryKeyConstraint("sensor_id", "at", name=op.f("pk_sensor_hour")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "retention",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("readings_from", UtcDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_retention")),
    )
    op.create_table(
        "zone_day",
        sa.Column("zone_id", ID, nullable=False),
        sa.Column("begins_at", UtcDateTime(), nullable=False),
        sa.Column("ends_at", UtcDateTime(), nullable=False),
        sa.Column("light_mol", sa.Double(), nullable=True),
        sa.Column("light_covered_h", sa.Double(), nullable=True),
        sa.Column("temp_sum", sa.Double(), nullable=True),
        sa.Column("temp_covered_h", sa.Double(), nullable=True),
        sa.Column("temp_min_c", sa.Double(), nullable=True),
        sa.Column("temp_max_c", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_zone_day_zone_id_zone")),
        sa.PrimaryKeyConstraint("zone_id", "begins_at", "ends_at", name=op.f("pk_zone_day")),
        sqlite_with_rowid=False,
    )
