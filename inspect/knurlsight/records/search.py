"""Finding entries by part, wheel, fault, verdict, date and free words.

On SQLite by FTS5, where a word finds all words that begin with it; on PostgreSQL by ILIKE, where it finds them
anywhere.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from knurlsight.errors import RecordError
from knurlsight.records.chain import Entry
from knurlsight.records.store import Store
from knurlsight.records.tables import SEARCH_COLUMNS, book, entry, search
from knurlsight.records.wording import first_line, shown


@dataclass(frozen=True)
class Wanted:
    """What is looked for; all that is given must hold.

    Attributes
    ----------
    words : str
        In any of the texts of an entry: notes, reasons, names.
    part : str
        Name, number or drawing of the part, as its job or its setup says.
    wheel : str
        Label of a wheel, whole: W1 does not find W12.
    fault : str
        Kind of fault or name of a failed limit.
    verdict : str
        ``pass``, ``fail``, ``cannot_tell``, or a decision: ``accept``, ``rework``, ``scrap``, ``concession``.
    since, until : str
        Days, ``2026-03-02``, both included, in UTC.
    """

    words: str = ""
    part: str = ""
    wheel: str = ""
    fault: str = ""
    verdict: str = ""
    since: str = ""
    until: str = ""


@dataclass(frozen=True)
class Line:
    """An entry in one line."""

    job: str
    number: int
    kind: str
    op: str
    who: str
    at: str
    verdict: str
    words: str


@dataclass(frozen=True)
class Found:
    """The newest entries that match, and how many do in all."""

    lines: tuple[Line, ...]
    total: int


VERDICTS = ("pass", "fail", "cannot_tell", "accept", "rework", "scrap", "concession")


def find(store: Store, wanted: Wanted, limit: int = 50) -> Found:
    """The newest entries of jobs that match.

    Raises
    ------
    RecordError
        Words without a letter or digit, an unknown verdict, a date that is none.
    StoreError
    """
    conditions = [book.c.kind == "job", *_plain_conditions(wanted)]
    with_text = store.place.file is not None
    match = _fts if with_text else _ilike
    own = [(column, words) for column, words in (("fault", wanted.fault), ("", wanted.words)) if words]
    if wanted.wheel:
        conditions.append(entry.c.id.in_(_with_wheel(wanted.wheel, match([("wheel", wanted.wheel)]))))
    if own:
        conditions.append(entry.c.id.in_(match(own)))
    if wanted.part:  # said when a job is opened, or by a setup: all entries of such a job count
        about = sa.select(entry.c.book_id).where(entry.c.id.in_(match([("part", wanted.part)])))
        conditions.append(entry.c.book_id.in_(about))
    matching = sa.and_(*conditions)
    count = sa.select(sa.func.count()).select_from(entry.join(book)).where(matching)
    query = (
        sa.select(
            book.c.name,
            *(entry.c[name] for name in ("number", "kind", "op", "who", "at", "verdict", "words")),
        )
        .join_from(entry, book)
        .where(matching)
        .order_by(entry.c.at.desc(), entry.c.id.desc())
        .limit(limit)
    )
    with store.reading() as connection:
        lines = tuple(Line(*row) for row in connection.execute(query))
        total = len(lines) if len(lines) < limit else connection.execute(count).scalar_one()
    return Found(lines, total)


def search_row(made: Entry) -> dict[str, str]:
    """What the search holds of an entry, by column of `tables.search`."""
    result = made.body.get("result") or {}
    setups = [result.get("setup"), made.body.get("setup")]
    contents: list[Mapping[str, Any]] = [s.get("content") or {} for s in setups if isinstance(s, Mapping)]
    part = [made.body.get(key) for key in ("part", "drawing")] if made.kind in ("job", "correction") else []
    values = made.body.get("values") if made.kind == "correction" else None
    if isinstance(values, Mapping):
        part += [values.get("part"), values.get("drawing")]
    part += [c.get("part", {}).get(key) for c in contents for key in ("name", "number")]
    wheel = [w.get("label") for c in contents for w in c.get("wheel", ())]
    bench = made.body.get("bench") or {}
    wheel += list(bench.get("wheels_rolled") or ())
    parts = result.get("parts") or ()
    fault = [f.get("kind") for p in parts for f in p.get("faults", ())]
    fault += [c.get("name") for p in parts for c in p.get("checks", ()) if c.get("verdict") == "fail"]
    plain = {key: value for key, value in made.body.items() if key not in ("result", "photos", "setup", "expected")}
    words = [made.words, made.op, made.who, *_texts(plain), *map(str, result.get("reasons") or ())]
    return dict(zip(SEARCH_COLUMNS, (_joined(part), _joined(wheel), _joined(fault), _joined(words)), strict=True))


def _texts(value: Any) -> Iterator[str]:
    """All texts inside a JSON value; numbers are not looked for."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            if key == "wheels_rolled":
                yield from map(str, inner)
            yield from _texts(inner)
    elif isinstance(value, Sequence):
        for inner in value:
            yield from _texts(inner)


def _joined(words: Sequence[Any]) -> str:
    return "\n".join(dict.fromkeys(" ".join(str(w).split()) for w in words if w))


def _plain_conditions(wanted: Wanted) -> list[sa.ColumnElement[bool]]:
    conditions = []
    if wanted.verdict:
        verdict = wanted.verdict.strip().lower().replace(" ", "_").replace("-", "_")
        if verdict not in VERDICTS:
            raise RecordError(f"--verdict {shown(wanted.verdict)}: one of {', '.join(VERDICTS)}", hint="--verdict fail")
        conditions.append(entry.c.verdict == verdict)
    if wanted.since:
        conditions.append(entry.c.at >= _day("--since", wanted.since))
    if wanted.until:
        conditions.append(
            entry.c.at < _day("--until", wanted.until) + "U"
        )  # U comes after the T of every time that day
    return conditions


def _day(what: str, words: str) -> str:
    from datetime import date

    try:
        return date.fromisoformat(words.strip()).isoformat()
    except ValueError as e:
        raise RecordError(f"{what} {shown(words)}: is no day", hint=f"{what} 2026-03-02") from e


def _words(text: str) -> list[str]:
    words = [w for w in text.split() if re.search(r"[^\W_]", w)]
    if not words:
        raise RecordError(f"{first_line(shown(text))}: nothing to look for; give a word or a number")
    return words[:20]


def _with_wheel(label: str, candidates: sa.Select[Any]) -> sa.Select[Any]:
    """Of the candidates those that have exactly this label, upper or lower case, on a line of its own."""
    lines = sa.literal("\n").concat(search.c.wheel).concat("\n")
    return candidates.where(lines.icontains("\n" + " ".join(label.split()) + "\n", autoescape=True))


def _fts(wanted: Sequence[tuple[str, str]]) -> sa.Select[Any]:
    """Entry ids by FTS5: every word as a quoted prefix, so that nothing typed is read as its query language."""
    parts = []
    for column, text in wanted:
        quoted = " AND ".join('"' + w.replace('"', '""') + '"*' for w in _words(text))
        parts.append(f"{column} : ({quoted})" if column else f"({quoted})")
    table: sa.ColumnElement[str] = sa.literal_column("search", sa.Text)
    return sa.select(search.c.rowid).where(table.op("MATCH")(" AND ".join(parts)))


def _ilike(wanted: Sequence[tuple[str, str]]) -> sa.Select[Any]:
    """Entry ids by ILIKE on the same columns."""
    conditions = []
    for column, text in wanted:
        where = search.c[column] if column else sa.func.concat_ws("\n", *(search.c[c] for c in SEARCH_COLUMNS))
        conditions += [where.icontains(w, autoescape=True) for w in _words(text)]
    return sa.select(search.c.rowid).where(*conditions)
