"""The tables, as SQLAlchemy Core sees them; `migrations` makes them.

Entries are never changed or deleted: triggers refuse it. `search` is made from the entries and can be made anew; on
SQLite it is an FTS5 table, whose rowid is the entry's id, on PostgreSQL a plain one with the same columns.
"""

from __future__ import annotations

import sqlalchemy as sa

#: The newest migration; `migrate.py` compares it with the store's.
HEAD = "0001"
#: Marks an SQLite file as ours: "Knrl" in ASCII.
APPLICATION_ID = 0x4B6E726C

metadata = sa.MetaData()

book = sa.Table(
    "book",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("name", sa.Text, nullable=False),
    sa.UniqueConstraint("kind", "name", name="uq_book"),
)

entry = sa.Table(
    "entry",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("book_id", sa.Integer, sa.ForeignKey("book.id", name="fk_entry_book"), nullable=False),
    sa.Column("number", sa.Integer, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("op", sa.Text, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("zone", sa.Text, nullable=False),
    sa.Column("verdict", sa.Text, nullable=False),
    sa.Column("words", sa.Text, nullable=False),
    sa.Column("body", sa.Text, nullable=False),
    sa.Column("previous", sa.Text, nullable=False),
    sa.Column("hash", sa.Text, nullable=False),
    sa.UniqueConstraint("book_id", "number", name="uq_entry"),
    # lists and counts are answered from here, without touching the long rows
    sa.Index("ix_entry_overview", "book_id", "kind", "verdict", "at"),
    sa.Index("ix_entry_at", "at"),
)

#: Columns of `search`, in the order in which FTS5 has them.
SEARCH_COLUMNS = ("part", "wheel", "fault", "words")

search = sa.Table(
    "search",
    sa.MetaData(),  # its making differs between databases, so that it stands apart
    sa.Column("rowid", sa.Integer, primary_key=True),
    *(sa.Column(name, sa.Text, nullable=False) for name in SEARCH_COLUMNS),
)
