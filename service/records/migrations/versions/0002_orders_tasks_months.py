"""Orders and tasks; on PostgreSQL the readings by month.

Every reading is copied into its month's partition: about a minute for ten million, during which none can be
stored or read. Suits the version before it, which still runs while this one starts.
"""

from __future__ import annotations

from datetime import UTC, date

import sqlalchemy as sa
from alembic import op

from service.records.types import UtcDateTime

revision = "0002"
down_revision = "0001"

ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
MONTHS_AHEAD = 3


def upgrade() -> None:
    """Make the tables of what is wanted and to be done, and divide the readings."""
    _orders()
    _tasks()
    if op.get_bind().dialect.name == "postgresql":
        _months()


def _orders() -> None:
    op.create_table(
        "order",
        sa.Column("id", ID, nullable=False),
        sa.Column("farm_id", ID, nullable=False),
        sa.Column("crop_id", ID, nullable=False),
        sa.Column("buyer", sa.Text(), nullable=False),
        sa.Column("heads", sa.Integer(), nullable=True),
        sa.Column("weight_kg", sa.Double(), nullable=True),
        sa.Column("weekdays", sa.JSON(), nullable=True),
        sa.Column("starts_on", sa.Date(), nullable=True),
        sa.Column("ends_on", sa.Date(), nullable=True),
        sa.Column("dates", sa.JSON(), nullable=True),
        sa.Column("price", sa.Double(), nullable=True),
        sa.Column("price_currency", sa.String(length=3), nullable=True),
        sa.Column("price_unit", sa.String(length=10), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("(heads IS NULL) <> (weight_kg IS NULL)", name=op.f("ck_order_amount")),
        sa.CheckConstraint("(weekdays IS NULL) <> (dates IS NULL)", name=op.f("ck_order_days")),
        sa.CheckConstraint("price_unit IN ('head', 'kg')", name=op.f("ck_order_price_unit")),
        sa.ForeignKeyConstraint(["crop_id"], ["crop.id"], name=op.f("fk_order_crop_id_crop")),
        sa.ForeignKeyConstraint(["farm_id"], ["farm.id"], name=op.f("fk_order_farm_id_farm")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_order")),
    )
    op.create_index(op.f("ix_order_crop_id"), "order", ["crop_id"])
    op.create_index(op.f("ix_order_farm_id"), "order", ["farm_id"])


def _tasks() -> None:
    op.create_table(
        "task",
        sa.Column("id", ID, nullable=False),
        sa.Column("house_id", ID, nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("due_on", sa.Date(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("succession_id", ID, nullable=True),
        sa.Column("batch_id", ID, nullable=True),
        sa.Column("cells", sa.Integer(), nullable=True),
        sa.Column("plants", sa.Integer(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("done_at", UtcDateTime(), nullable=True),
        sa.Column("done_by", sa.Text(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("(done_at IS NULL) = (done_by IS NULL)", name=op.f("ck_task_done")),
        sa.CheckConstraint(
            "kind IN ('seed', 'wet', 'count', 'transplant', 'harvest', 'discard', 'order', 'clean', 'check')",
            name=op.f("ck_task_kind"),
        ),
        sa.ForeignKeyConstraint(["batch_id"], ["batch.id"], name=op.f("fk_task_batch_id_batch")),
        sa.ForeignKeyConstraint(["house_id"], ["house.id"], name=op.f("fk_task_house_id_house")),
        sa.ForeignKeyConstraint(
            ["succession_id"], ["succession.id"], name=op.f("fk_task_succession_id_succession")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_task")),
    )
    op.create_index(op.f("ix_task_batch_id"), "task", ["batch_id"])
    op.create_index("ix_task_house_id_due_on", "task", ["house_id", "due_on"])
    op.create_index(op.f("ix_task_succession_id"), "task", ["succession_id"])


def _months() -> None:
    # Copying takes the time it takes.
    op.execute("SET LOCAL statement_timeout = 0")
    op.rename_table("reading", "reading_undivided")
    op.create_table(
        "reading",
        sa.Column("sensor_id", ID, nullable=False),
        sa.Column("at", UtcDateTime(), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        postgresql_partition_by="RANGE (at)",
    )
    op.execute("CREATE TABLE reading_default PARTITION OF reading DEFAULT")
    present = op.get_bind().scalars(
        sa.text("SELECT DISTINCT date_trunc('month', at, 'UTC') FROM reading_undivided")
    )
    today = op.get_bind().scalar(sa.text("SELECT now()"))
    coming = [_month_after(today.astimezone(UTC).date(), n) for n in range(MONTHS_AHEAD + 1)]
    for month in sorted({*coming, *(moment.astimezone(UTC).date() for moment in present)}):
        op.execute(
            f"CREATE TABLE reading_{month:%Y_%m} PARTITION OF reading"
            f" FOR VALUES FROM ('{month}Z') TO ('{_month_after(month)}Z')"
        )
    op.execute("INSERT INTO reading SELECT sensor_id, at, value FROM reading_undivided")
    op.drop_table("reading_undivided")
    # After the rows: several times faster than to keep keys and check references row by row.
    op.create_primary_key(op.f("pk_reading"), "reading", ["sensor_id", "at"])
    op.create_foreign_key(op.f("fk_reading_sensor_id_sensor"), "reading", "sensor", ["sensor_id"], ["id"])
    op.create_index(op.f("ix_reading_at"), "reading", ["at"], postgresql_using="brin")


def _month_after(day: date, months: int = 1) -> date:
    years, index = divmod(day.month - 1 + months, 12)
    return date(day.year + years, index + 1, 1)
