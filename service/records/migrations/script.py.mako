"""${message}.

Must suit the version of Evenleaf before it, which still runs while this one starts.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
${imports if imports else ""}
from service.records.types import UtcDateTime

revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}


def upgrade() -> None:
    """Upgrade."""
    ${upgrades if upgrades else "pass"}
