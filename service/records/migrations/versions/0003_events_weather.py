"""House events, pushed weather forecasts and cultivars' seasons.

Suits the version before it, which neither fills nor reads them.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.records.types import UtcDateTime

revision = "0003"
down_revision = "0002"

ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
ONE_AT_A_TIME = sa.text("active AND kind IN ('shade', 'set_points', 'lamps')")


def upgrade() -> None:
    """Add the tables and the column."""
    op.create_table(
        "house_event",
        sa.Column("id", ID, nullable=False),
        sa.Column("house_id", ID, nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("starts_on", sa.Date(), nullable=False),
        sa.Column("ends_on", sa.Date(), nullable=True),
        sa.Column("light_factor", sa.Double(), nullable=True),
        sa.Column("temp_heat_day_c", sa.Double(), nullable=True),
        sa.Column("temp_heat_night_c", sa.Double(), nullable=True),
        sa.Column("temp_vent_c", sa.Double(), nullable=True),
        sa.Column("lamp_ppfd_umol", sa.Double(), nullable=True),
        sa.Column("lamp_start_h", sa.Double(), nullable=True),
        sa.Column("lamp_hours", sa.Double(), nullable=True),
        sa.Column("zone_id", ID, nullable=True),
        sa.Column("sites", sa.Integer(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('shade', 'set_points', 'lamps', 'cleaning', 'closed')", name=op.f("ck_house_event_kind")
        ),
        sa.CheckConstraint("ends_on >= starts_on", name=op.f("ck_house_event_days")),
        sa.ForeignKeyConstraint(["house_id"], ["house.id"], name=op.f("fk_house_event_house_id_house")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_house_event_zone_id_zone")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_house_event")),
    )
    op.create_index("ix_house_event_house_id_starts_on", "house_event", ["house_id", "starts_on"])
    op.create_index(op.f("ix_house_event_zone_id"), "house_event", ["zone_id"])
    op.create_index(
        "uq_house_event_start",
        "house_event",
        ["house_id", "kind", "starts_on"],
        unique=True,
        postgresql_where=ONE_AT_A_TIME,
        sqlite_where=ONE_AT_A_TIME,
    )
    op.create_table(
        "weather_forecast",
        sa.Column("house_id", ID, nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("issued_at", UtcDateTime(), nullable=False),
        sa.Column("global_w_m2", sa.Double(), nullable=True),
        sa.Column("temp_out_c", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["house_id"], ["house.id"], name=op.f("fk_weather_forecast_house_id_house")),
        sa.PrimaryKeyConstraint("house_id", "at", "issued_at", name=op.f("pk_weather_forecast")),
        sqlite_with_rowid=False,
    )
    op.add_column("cultivar", sa.Column("season_months", sa.JSON(), nullable=True))
