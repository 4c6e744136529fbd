"""Run by Alembic for every command, in a transaction that service.records.migrate hands in."""

from __future__ import annotations

from alembic import context
from sqlalchemy import Connection

from service.records.migrate import in_tables
from service.records.tables import metadata

connection: Connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=metadata,
    include_object=in_tables,
    compare_server_default=True,
    user_module_prefix="",  # the template imports our types by name
    # SQLite cannot alter a column: batch mode copies the table.
    render_as_batch=connection.dialect.name == "sqlite",
    # The caller's transaction holds all of it; SQLite, too, undoes what it did to the tables.
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
