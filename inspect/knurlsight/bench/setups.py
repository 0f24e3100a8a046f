"""The setups that this bench knows: typed in from a drawing, handed in as a file, or those of a job's operations."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from knurlsight.bench.refusals import RefusedError
from knurlsight.bench.state import BenchFolder
from knurlsight.setup_math.setup import setup_from_document, setup_from_text, setup_text
from knurlsight.setup_math.setup_model import Setup, setup_title

MOST_SETUPS = 500
DRAWING_KEYS = {"name": "part", "outside_diameter": "part", "form": "pattern", "normal_pitch": "pattern",
                "helix": "pattern"}  # fmt: skip


@dataclass(frozen=True)
class KnownSetup:
    """A setup by its content hash and name."""

    hash: str
    name: str


def known_setups(folder: BenchFolder) -> tuple[KnownSetup, ...]:
    """All of them, the last used first."""
    with folder.look() as db:
        rows = db.execute("SELECT hash, name FROM setup ORDER BY used DESC, name").fetchall()
    return tuple(KnownSetup(row["hash"], row["name"]) for row in rows)


def setup_text_of(folder: BenchFolder, content_hash: str) -> str:
    """The text of a setup; empty for none.

    Raises
    ------
    RefusedError
        It is not known here.
    """
    if not content_hash:
        return ""
    with folder.look() as db:
        row = db.execute("SELECT text FROM setup WHERE hash = ?", (content_hash,)).fetchone()
    if row is None:
        raise RefusedError(422, "no-setup", "that setup is not known to this bench", "choose another, or hand it in")
    return str(row["text"])


def name_of(folder: BenchFolder, content_hash: str) -> str:
    """The name of a setup; empty for one that is not known."""
    with folder.look() as db:
        row = db.execute("SELECT name FROM setup WHERE hash = ?", (content_hash,)).fetchone()
    return str(row["name"]) if row is not None else ""


def take_in(folder: BenchFolder, setup: Setup) -> KnownSetup:
    """Know a setup from now on; the same content is kept once."""
    known = KnownSetup(setup.content_hash, setup_title(setup)[:80])
    with folder.open() as db:
        db.execute(
            "INSERT INTO setup (hash, name, text, used) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (hash) DO UPDATE SET used = excluded.used",
            (known.hash, known.name, setup_text(setup), time.time()),
        )
        db.execute(
            "DELETE FROM setup WHERE hash IN (SELECT hash FROM setup ORDER BY used DESC LIMIT -1 OFFSET ?) "
            "AND hash NOT IN (SELECT json_extract(asked, '$.setup') FROM submission WHERE state IN "
            "('waiting', 'working'))",
            (MOST_SETUPS,),
        )
    return known


def from_file(folder: BenchFolder, text: str, name: str) -> KnownSetup:
    """Know a setup by the text of its file.

    Raises
    ------
    SetupError
        With every fault of it.
    """
    return take_in(folder, setup_from_text(text, name))


def from_document(folder: BenchFolder, content: Mapping[str, Any], name: str) -> KnownSetup:
    """Know a setup by its content, as an operation of a job has it.

    Raises
    ------
    SetupError
    """
    return take_in(folder, setup_from_document(content, name))


def from_drawing(folder: BenchFolder, typed: Mapping[str, str]) -> KnownSetup:
    """Know a setup by the numbers of a drawing: `name`, `outside_diameter`, `form`, `normal_pitch`, `helix`.

    Raises
    ------
    SetupError
        With every number that cannot be.
    """
    document: dict[str, dict[str, str]] = {"part": {}, "pattern": {}}
    for key, section in DRAWING_KEYS.items():
        if value := typed.get(key, "").strip():
            document[section][key] = value
    return take_in(folder, setup_from_document(document, "drawing"))
