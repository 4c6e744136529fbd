"""Sections, trays, checks and treatments; seed in store; what is packed and delivered; the house's log.

Suits the version before it, which neither fills nor reads them.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.records.types import UtcDateTime

revision = "0006"
down_revision = "0005"

ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
ENTRY_CHECKS = {
    "ck_entry_kind": "kind IN ('seeded', 'emergence_counted', 'leaves_counted', 'transplanted', 'moved', 'discarded',"
    " 'harvested', 'checked', 'treated')",
    "ck_entry_severity": "severity IN ('none', 'slight', 'severe')",
    "ck_entry_waiting_days": "waiting_days >= 0",
}


def upgrade() -> None:
    """Make the tables and add the columns."""
    op.create_table(
        "packed_lot",
        sa.Column("id", ID, nullable=False),
        sa.Column("farm_id", ID, nullable=False),
        sa.Column("house_id", ID, nullable=False),
        sa.Column("crop_id", ID, nullable=False),
        sa.Column("code", sa.String(length=20), nullable=False),
        sa.Column("packed_at", UtcDateTime(), nullable=False),
        sa.Column("heads", sa.Integer(), nullable=False),
        sa.Column("recorded_at", UtcDateTime(), nullable=False),
        sa.Column("recorded_by", sa.Text(), nullable=False),
        sa.Column("weight_kg", sa.Double(), nullable=True),
        sa.Column("gtin", sa.String(length=14), nullable=True),
        sa.Column("description", sa.Text(), nullable=True),
        sa.Column("cooled_at", UtcDateTime(), nullable=True),
        sa.Column("cooled_where", sa.Text(), nullable=True),
        sa.Column("packed_where", sa.Text(), nullable=True),
        sa.Column("reference", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["crop_id"], ["crop.id"], name=op.f("fk_packed_lot_crop_id_crop")),
        sa.ForeignKeyConstraint(["farm_id"], ["farm.id"], name=op.f("fk_packed_lot_farm_id_farm")),
        sa.ForeignKeyConstraint(["house_id"], ["house.id"], name=op.f("fk_packed_lot_house_id_house")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_packed_lot")),
        sa.UniqueConstraint("farm_id", "code", name=op.f("uq_packed_lot_farm_id_code")),
    )
    op.create_index(op.f("ix_packed_lot_farm_id"), "packed_lot", ["farm_id"], unique=False)

    op.create_table(
        "delivery",
        sa.Column("id", ID, nullable=False),
        sa.Column("farm_id", ID, nullable=False),
        sa.Column("packed_lot_id", ID, nullable=False),
        sa.Column("order_id", ID, nullable=True),
        sa.Column("for_on", sa.Date(), nullable=False),
        sa.Column("heads", sa.Integer(), nullable=False),
        sa.Column("recorded_at", UtcDateTime(), nullable=False),
        sa.Column("recorded_by", sa.Text(), nullable=False),
        sa.Column("weight_kg", sa.Double(), nullable=True),
        sa.Column("recipient", sa.Text(), nullable=True),
        sa.Column("reference", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["farm_id"], ["farm.id"], name=op.f("fk_delivery_farm_id_farm")),
        sa.ForeignKeyConstraint(["order_id"], ["order.id"], name=op.f("fk_delivery_order_id_order")),
        sa.ForeignKeyConstraint(
            ["packed_lot_id"], ["packed_lot.id"], name=op.f("fk_delivery_packed_lot_id_packed_lot")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_delivery")),
    )
    op.create_index(op.f("ix_delivery_farm_id"), "delivery", ["farm_id"], unique=False)
    op.create_index(op.f("ix_delivery_order_id"), "delivery", ["order_id"], unique=False)
    op.create_index(op.f("ix_delivery_packed_lot_id"), "delivery", ["packed_lot_id"], unique=False)

    op.create_table(
        "section",
        sa.Column("id", ID, nullable=False),
        sa.Column("zone_id", ID, nullable=False),
        sa.Column("code", sa.String(length=40), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("sites", sa.Integer(), nullable=False),
        sa.Column("latitude_deg", sa.Double(), nullable=True),
        sa.Column("longitude_deg", sa.Double(), nullable=True),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("sites > 0", name=op.f("ck_section_sites")),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_section_zone_id_zone")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_section")),
        sa.UniqueConstraint("zone_id", "code", name=op.f("uq_section_zone_id_code")),
    )
    op.create_table(
        "house_log_entry",
        sa.Column("id", ID, nullable=False),
        sa.Column("house_id", ID, nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("happened_at", UtcDateTime(), nullable=False),
        sa.Column("recorded_at", UtcDateTime(), nullable=False),
        sa.Column("recorded_by", sa.Text(), nullable=False),
        sa.Column("zone_id", ID, nullable=True),
        sa.Column("section_id", ID, nullable=True),
        sa.Column("ph", sa.Double(), nullable=True),
        sa.Column("ec_ms_cm", sa.Double(), nullable=True),
        sa.Column("temp_solution_c", sa.Double(), nullable=True),
        sa.Column("substance", sa.Text(), nullable=True),
        sa.Column("amount", sa.Double(), nullable=True),
        sa.Column("amount_unit", sa.String(length=10), nullable=True),
        sa.Column("what", sa.String(length=20), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("supersedes_id", ID, nullable=True),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('solution', 'addition', 'cleaning', 'note')", name=op.f("ck_house_log_entry_kind")
        ),
        sa.CheckConstraint(
            "what IN ('channels', 'trays', 'tank', 'table')", name=op.f("ck_house_log_entry_what")
        ),
        sa.ForeignKeyConstraint(["house_id"], ["house.id"], name=op.f("fk_house_log_entry_house_id_house")),
        sa.ForeignKeyConstraint(
            ["section_id"], ["section.id"], name=op.f("fk_house_log_entry_section_id_section")
        ),
        sa.ForeignKeyConstraint(
            ["supersedes_id"],
            ["house_log_entry.id"],
            name=op.f("fk_house_log_entry_supersedes_id_house_log_entry"),
        ),
        sa.ForeignKeyConstraint(["zone_id"], ["zone.id"], name=op.f("fk_house_log_entry_zone_id_zone")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_house_log_entry")),
        sa.UniqueConstraint("supersedes_id", name=op.f("uq_house_log_entry_supersedes_id")),
    )
    op.create_index(op.f("ix_house_log_entry_happened_at"), "house_log_entry", ["happened_at"], unique=False)
    op.create_index(op.f("ix_house_log_entry_house_id"), "house_log_entry", ["house_id"], unique=False)

    op.create_table(
        "seed_lot",
        sa.Column("id", ID, nullable=False),
        sa.Column("farm_id", ID, nullable=False),
        sa.Column("cultivar_id", ID, nullable=False),
        sa.Column("lot_number", sa.String(length=60), nullable=False),
        sa.Column("received_on", sa.Date(), nullable=False),
        sa.Column("seeds", sa.Integer(), nullable=False),
        sa.Column("supplier", sa.Text(), nullable=True),
        sa.Column("form", sa.String(length=10), nullable=False),
        sa.Column("germination_percent", sa.Double(), nullable=True),
        sa.Column("germination_tested_on", sa.Date(), nullable=True),
        sa.Column("germination_seeds", sa.Integer(), nullable=True),
        sa.Column("moisture_percent", sa.Double(), nullable=True),
        sa.Column("place", sa.Text(), nullable=True),
        sa.Column("sensor_id", ID, nullable=True),
        sa.Column("opened_on", sa.Date(), nullable=True),
        sa.Column("finished_on", sa.Date(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("form IN ('raw', 'pelleted', 'primed')", name=op.f("ck_seed_lot_form")),
        sa.CheckConstraint("seeds > 0", name=op.f("ck_seed_lot_seeds")),
        sa.ForeignKeyConstraint(
            ["cultivar_id"], ["cultivar.id"], name=op.f("fk_seed_lot_cultivar_id_cultivar")
        ),
        sa.ForeignKeyConstraint(["farm_id"], ["farm.id"], name=op.f("fk_seed_lot_farm_id_farm")),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name=op.f("fk_seed_lot_sensor_id_sensor")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_seed_lot")),
        sa.UniqueConstraint(
            "farm_id",
            "cultivar_id",
            "lot_number",
            "received_on",
            name=op.f("uq_seed_lot_farm_id_cultivar_id_lot_number_received_on"),
        ),
    )
    op.create_index(op.f("ix_seed_lot_cultivar_id"), "seed_lot", ["cultivar_id"], unique=False)
    op.create_index(op.f("ix_seed_lot_farm_id"), "seed_lot", ["farm_id"], unique=False)

    op.create_table(
        "batch_seed_lot",
        sa.Column("batch_id", ID, autoincrement=False, nullable=False),
        sa.Column("seed_lot_id", ID, autoincrement=False, nullable=False),
        sa.Column("seeds", sa.Integer(), nullable=False),
        sa.Column("cells", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["batch_id"], ["batch.id"], name=op.f("fk_batch_seed_lot_batch_id_batch")),
        sa.ForeignKeyConstraint(
            ["seed_lot_id"], ["seed_lot.id"], name=op.f("fk_batch_seed_lot_seed_lot_id_seed_lot")
        ),
        sa.PrimaryKeyConstraint("batch_id", "seed_lot_id", name=op.f("pk_batch_seed_lot")),
    )
    op.create_index(op.f("ix_batch_seed_lot_seed_lot_id"), "batch_seed_lot", ["seed_lot_id"], unique=False)

    op.create_table(
        "lot_trial",
        sa.Column("id", ID, nullable=False),
        sa.Column("farm_id", ID, nullable=False),
        sa.Column("new_lot_id", ID, nullable=False),
        sa.Column("old_lot_id", ID, nullable=False),
        sa.Column("sown_on", sa.Date(), nullable=False),
        sa.Column("new_sown", sa.Integer(), nullable=False),
        sa.Column("old_sown", sa.Integer(), nullable=False),
        sa.Column("new_good", sa.Integer(), nullable=True),
        sa.Column("old_good", sa.Integer(), nullable=True),
        sa.Column("counted_on", sa.Date(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["farm_id"], ["farm.id"], name=op.f("fk_lot_trial_farm_id_farm")),
        sa.ForeignKeyConstraint(
            ["new_lot_id"], ["seed_lot.id"], name=op.f("fk_lot_trial_new_lot_id_seed_lot")
        ),
        sa.ForeignKeyConstraint(
            ["old_lot_id"], ["seed_lot.id"], name=op.f("fk_lot_trial_old_lot_id_seed_lot")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lot_trial")),
    )
    op.create_index(op.f("ix_lot_trial_farm_id"), "lot_trial", ["farm_id"], unique=False)
    op.create_index(op.f("ix_lot_trial_new_lot_id"), "lot_trial", ["new_lot_id"], unique=False)
    op.create_index(op.f("ix_lot_trial_old_lot_id"), "lot_trial", ["old_lot_id"], unique=False)

    op.create_table(
        "seed_use",
        sa.Column("id", ID, nullable=False),
        sa.Column("seed_lot_id", ID, nullable=False),
        sa.Column("used_on", sa.Date(), nullable=False),
        sa.Column("seeds", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(length=20), nullable=False),
        sa.Column("recorded_at", UtcDateTime(), nullable=False),
        sa.Column("recorded_by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.CheckConstraint("reason IN ('test', 'trial', 'loss', 'count')", name=op.f("ck_seed_use_reason")),
        sa.ForeignKeyConstraint(
            ["seed_lot_id"], ["seed_lot.id"], name=op.f("fk_seed_use_seed_lot_id_seed_lot")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_seed_use")),
    )
    op.create_index(op.f("ix_seed_use_seed_lot_id"), "seed_use", ["seed_lot_id"], unique=False)

    op.create_table(
        "tray",
        sa.Column("id", ID, nullable=False),
        sa.Column("batch_id", ID, nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("cells", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["batch_id"], ["batch.id"], name=op.f("fk_tray_batch_id_batch")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tray")),
        sa.UniqueConstraint("batch_id", "number", name=op.f("uq_tray_batch_id_number")),
    )
    op.create_table(
        "packed_lot_harvest",
        sa.Column("packed_lot_id", ID, autoincrement=False, nullable=False),
        sa.Column("entry_id", ID, autoincrement=False, nullable=False),
        sa.Column("heads", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["entry.id"], name=op.f("fk_packed_lot_harvest_entry_id_entry")
        ),
        sa.ForeignKeyConstraint(
            ["packed_lot_id"], ["packed_lot.id"], name=op.f("fk_packed_lot_harvest_packed_lot_id_packed_lot")
        ),
        sa.PrimaryKeyConstraint("packed_lot_id", "entry_id", name=op.f("pk_packed_lot_harvest")),
    )
    op.create_index(op.f("ix_packed_lot_harvest_entry_id"), "packed_lot_harvest", ["entry_id"], unique=False)

    op.create_table(
        "picture",
        sa.Column("id", ID, nullable=False),
        sa.Column("entry_id", ID, nullable=False),
        sa.Column("media_type", sa.String(length=40), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("recorded_at", UtcDateTime(), nullable=False),
        sa.Column("recorded_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_picture_entry_id_entry")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_picture")),
    )
    op.create_index(op.f("ix_picture_entry_id"), "picture", ["entry_id"], unique=False)

    with op.batch_alter_table("entry") as batch_op:
        batch_op.drop_constraint(op.f("ck_entry_kind"), type_="check")
        batch_op.add_column(sa.Column("section_id", ID, nullable=True))
        batch_op.add_column(sa.Column("from_section_id", ID, nullable=True))
        batch_op.add_column(sa.Column("tray_id", ID, nullable=True))
        batch_op.add_column(sa.Column("leaves_each", sa.JSON(), nullable=True))
        batch_op.add_column(sa.Column("grade", sa.String(length=40), nullable=True))
        batch_op.add_column(sa.Column("finding", sa.String(length=20), nullable=True))
        batch_op.add_column(sa.Column("severity", sa.String(length=10), nullable=True))
        batch_op.add_column(sa.Column("product", sa.Text(), nullable=True))
        batch_op.add_column(sa.Column("waiting_days", sa.Double(), nullable=True))
        batch_op.create_index(batch_op.f("ix_entry_section_id"), ["section_id"], unique=False)
        batch_op.create_foreign_key(
            batch_op.f("fk_entry_section_id_section"), "section", ["section_id"], ["id"]
        )
        batch_op.create_foreign_key(batch_op.f("fk_entry_tray_id_tray"), "tray", ["tray_id"], ["id"])
        batch_op.create_foreign_key(
            batch_op.f("fk_entry_from_section_id_section"), "section", ["from_section_id"], ["id"]
        )
        for name, sql in ENTRY_CHECKS.items():
            batch_op.create_check_constraint(op.f(name), sql)

    with op.batch_alter_table("task") as batch_op:
        batch_op.add_column(sa.Column("assigned_to", sa.Text(), nullable=True))
        batch_op.add_column(sa.Column("section_id", ID, nullable=True))
        batch_op.add_column(sa.Column("minutes_estimated", sa.Double(), nullable=True))
        batch_op.add_column(sa.Column("minutes_taken", sa.Double(), nullable=True))
        batch_op.create_foreign_key(
            batch_op.f("fk_task_section_id_section"), "section", ["section_id"], ["id"]
        )
