"""Where Alembic begins: on the connection and in the transaction that it is given."""

from __future__ import annotations

from alembic import context

from service.persistence.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    transactional_ddl=True,
)
context.run_migrations()
