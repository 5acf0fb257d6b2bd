"""What the migration library runs for every upgrade; the connection comes from the caller."""

from typing import Any

from alembic import context

from service.storage.tables import Base

connection: Any = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=Base.metadata,
    version_table=context.config.attributes["version_table"],
    # SQLite changes a table by copying it.
    render_as_batch=connection.dialect.name == "sqlite",
)
context.run_migrations()
