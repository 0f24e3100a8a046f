"""What a store holds, in numbers: jobs, inspections by verdict, the faults seen most, bytes on disk."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import sqlalchemy as sa

from knurlsight.records.photos import kept_photos
from knurlsight.records.store import Store, told
from knurlsight.records.tables import book, entry, search


@dataclass(frozen=True)
class Statistics:
    """Counts over a store.

    Attributes
    ----------
    jobs, wheels, entries : int
    verdicts : tuple of (str, int)
        Inspections by verdict, withdrawn ones too; "" for those without a setup.
    decisions : tuple of (str, int)
    faults : tuple of (str, int)
        Kinds of fault and names of failed limits, the most frequent first, with the number of inspections that show it.
    photos, photo_bytes : int
    database_bytes : int or None
        None on a server.
    """

    jobs: int
    wheels: int
    entries: int
    verdicts: tuple[tuple[str, int], ...]
    decisions: tuple[tuple[str, int], ...]
    faults: tuple[tuple[str, int], ...]
    photos: int
    photo_bytes: int
    database_bytes: int | None


def statistics(store: Store) -> Statistics:
    """Count.

    Raises
    ------
    StoreError
    """
    with store.reading() as connection:
        named = connection.execute(sa.select(book.c.kind, sa.func.count()).group_by(book.c.kind)).all()
        books = Counter({kind: n for kind, n in named})
        counted = connection.execute(
            sa.select(entry.c.kind, entry.c.verdict, sa.func.count()).group_by(entry.c.kind, entry.c.verdict)
        ).all()
        seen = connection.execute(sa.select(search.c.fault).where(search.c.fault != "")).scalars()
        faults = Counter(fault for text in seen for fault in text.split("\n"))
    with told(store.place):
        kept = kept_photos(store.photos)
        file = store.place.file
        wal = file.with_name(file.name + "-wal") if file is not None else None
        sizes = [f.stat().st_size for f in (file, wal) if f is not None and f.exists()]
    return Statistics(
        jobs=books["job"],
        wheels=books["wheel"],
        entries=sum(n for _, _, n in counted),
        verdicts=tuple((v, n) for kind, v, n in counted if kind == "inspection"),
        decisions=tuple((v, n) for kind, v, n in counted if kind == "disposition"),
        faults=tuple(sorted(faults.items(), key=lambda item: (-item[1], item[0]))),
        photos=len(kept),
        photo_bytes=sum(kept.values()),
        database_bytes=sum(sizes) if file is not None else None,
    )
