"""Whether the body of an entry from elsewhere is one that this version could have written."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from knurlsight.errors import KnurlsightError, RecordError
from knurlsight.exchange.inspected import read_result
from knurlsight.records.chain import Entry
from knurlsight.records.facts import (
    BenchFacts,
    CorrectionFacts,
    DispositionFacts,
    Facts,
    JobFacts,
    OperationFacts,
    WheelFacts,
    facts_from,
)
from knurlsight.records.history import settings_of
from knurlsight.records.search import search_row
from knurlsight.records.wording import long_text

_FACTS: dict[str, type[Facts]] = {
    "job": JobFacts,
    "operation": OperationFacts,
    "disposition": DispositionFacts,
    "wheel": WheelFacts,
}


def check_shape(made: Entry) -> None:
    """Refuse a body that would trip those who read it later.

    Raises
    ------
    RecordError
        Names the entry.
    """
    try:
        right = _is_right(made.kind, made.body) and all(map(_is_line, _lines(made)))
        search_row(made)
        if made.kind == "inspection":
            settings_of(made.body)
    except (KnurlsightError, KeyError, TypeError, ValueError, AttributeError, RecursionError):
        right = False
    if not right:
        raise RecordError(
            f"{made.book.kind} {made.book.name} entry {made.number}: is no {made.kind or 'entry'} as it is kept here"
        )


def _is_right(kind: str, body: Mapping[str, Any]) -> bool:
    if kind in _FACTS:
        facts_from(_FACTS[kind], body)
        return True
    if kind == "note":
        return (
            body["text"] == long_text("the note", body["text"])
            and _is_number(body.get("about", 1))
            and set(body) <= {"text", "about"}
        )
    if kind == "correction":
        facts_from(CorrectionFacts, {key: value for key, value in body.items() if key != "about"})
        return _is_number(body["about"]) and {"values", "withdrawn", "why", "about"} == set(body)
    if kind == "inspection":
        read_result(body["result"], "the result")
        facts_from(BenchFacts, body["bench"])
        note = body["note"] == "" or body["note"] == long_text("the note", body["note"])
        named = {"result", "photos", "bench", "note"} == set(body)
        return note and named and all(_is_photo(photo) for photo in body["photos"])
    return False


def _lines(made: Entry) -> tuple[str, ...]:
    return made.op, made.who, made.at, made.zone, made.verdict, made.words


def _is_line(text: str) -> bool:
    """What a screen can show as it is: no line breaks, no control characters."""
    return len(text) <= 400 and text.isprintable()


def _is_photo(photo: Mapping[str, Any]) -> bool:
    return (
        photo["role"] in ("photo", "annotated")
        and _is_line(photo["name"])
        and re.fullmatch(r"[0-9a-f]{64}", photo["sha256"]) is not None
        and _is_number(photo["bytes"])
    )


def _is_number(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 < value < 2**31
