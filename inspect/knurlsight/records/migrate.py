"""Bring a store's tables to the form that this version knows, by Alembic, in one transaction."""

from __future__ import annotations

from pathlib import Path

import sqlalchemy as sa

from knurlsight.errors import StoreError
from knurlsight.records.tables import HEAD


def stored_version(connection: sa.Connection) -> str | None:
    """The migration that the store is at; None where it has no tables of ours yet."""
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    found: str | None = connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
    return found


def upgrade(connection: sa.Connection, place: str) -> None:
    """Run the migrations that are missing, inside the transaction of `connection`.

    Raises
    ------
    StoreError
        The store was made by a newer version, whose tables are not known here.
    """
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    config.attributes["connection"] = connection
    at = stored_version(connection)
    if at is not None and at not in {
        script.revision for script in ScriptDirectory.from_config(config).walk_revisions()
    }:
        raise StoreError(
            f"{place}: written by a newer version of knurlsight (tables {at}; this one knows {HEAD})",
            hint="pip install --upgrade knurlsight",
        )
    command.upgrade(config, "head")
