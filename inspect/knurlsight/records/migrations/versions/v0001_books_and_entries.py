"""Books, their entries, and the search over them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

_SQLITE_TRIGGERS = [
    f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
    f"BEGIN SELECT RAISE(ABORT, 'records are never changed'); END"
    for table in ("book", "entry")
    for verb in ("UPDATE", "DELETE")
]
_POSTGRES_TRIGGERS = [
    "CREATE FUNCTION records_are_never_changed() RETURNS trigger LANGUAGE plpgsql AS "
    "$$ BEGIN RAISE EXCEPTION 'records are never changed'; END $$",
    *(
        f"CREATE TRIGGER {table}_unchanged BEFORE UPDATE OR DELETE ON {table} "
        f"FOR EACH ROW EXECUTE FUNCTION records_are_never_changed()"
        for table in ("book", "entry")
    ),
]


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "book",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.UniqueConstraint("kind", "name", name="uq_book"),
    )
    op.create_table(
        "entry",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("book_id", sa.Integer, sa.ForeignKey("book.id", name="fk_entry_book"), nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        *(
            sa.Column(name, sa.Text, nullable=False)
            for name in ("kind", "op", "who", "at", "zone", "verdict", "words", "body", "previous", "hash")
        ),
        sa.UniqueConstraint("book_id", "number", name="uq_entry"),
    )
    op.create_index("ix_entry_overview", "entry", ["book_id", "kind", "verdict", "at"])
    op.create_index("ix_entry_at", "entry", ["at"])
    if op.get_context().dialect.name == "sqlite":
        op.execute("CREATE VIRTUAL TABLE search USING fts5(part, wheel, fault, words)")
        triggers = _SQLITE_TRIGGERS
    else:
        op.create_table(
            "search",
            sa.Column("rowid", sa.Integer, primary_key=True),
            *(sa.Column(name, sa.Text, nullable=False) for name in ("part", "wheel", "fault", "words")),
        )
        triggers = _POSTGRES_TRIGGERS
    for statement in triggers:
        op.execute(statement)
