"""Heads that are weighed and stay on their sites, and tasks to weigh them.

Suits the version before it as long as nothing is weighed: that one cannot read the ledger of a batch with a weighing,
and then lists and forecasts nothing of its house.
"""

from __future__ import annotations

from alembic import op

revision = "0017"
down_revision = "0016"


def upgrade() -> None:
    """Take the new kinds of entries and tasks."""
    with op.batch_alter_table("entry") as batch_op:
        batch_op.drop_constraint(op.f("ck_entry_kind"), type_="check")
        batch_op.create_check_constraint(
            op.f("ck_entry_kind"),
            "kind IN ('seeded', 'emergence_counted', 'leaves_counted', 'transplanted', 'moved', 'discarded',"
            " 'harvested', 'checked', 'weighed', 'treated')",
        )
    with op.batch_alter_table("task") as batch_op:
        batch_op.drop_constraint(op.f("ck_task_kind"), type_="check")
        batch_op.create_check_constraint(
            op.f("ck_task_kind"),
            "kind IN ('seed', 'wet', 'count', 'weigh', 'transplant', 'harvest', 'discard', 'order', 'clean',"
            " 'check')",
        )
