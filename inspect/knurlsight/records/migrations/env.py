"""Run by Alembic: migrates on the connection that it is given, inside that connection's transaction."""

from __future__ import annotations

from alembic import context

from knurlsight.records.tables import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata, transactional_ddl=False)
context.run_migrations()
