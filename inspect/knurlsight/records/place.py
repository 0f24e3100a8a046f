"""Where the records are kept: ``--store``, else KNURLSIGHT_STORE, else the user's data folder.

A folder holds one SQLite file and the photos beside it. Several benches share a PostgreSQL database, named by its URL,
and a folder that all of them reach for the photos: ``postgresql://name@host/records?photos=/srv/knurls/photos``.
"""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from knurlsight.errors import StoreError

if TYPE_CHECKING:
    from sqlalchemy import URL

ENVIRONMENT = "KNURLSIGHT_STORE"
DATABASE_FILE = "records.sqlite"
PHOTO_FOLDER = "photos"
_POSTGRES_HINT = "postgresql://name@host/records?photos=/srv/knurls/photos"


@dataclass(frozen=True)
class Place:
    """A place for records.

    Attributes
    ----------
    url : sqlalchemy.URL
        Of the database; may hold a password, so that it is never shown.
    photos : Path
        Folder of the photos.
    words : str
        The place as it may be shown: without a password.
    file : Path or None
        The SQLite file; None for a server.
    """

    url: URL = field(repr=False)
    photos: Path
    words: str
    file: Path | None


def find_place(word: str | Path | None = None) -> Place:
    """The place that `word` names, else the environment, else the platform's data folder. Nothing is opened or made.

    Raises
    ------
    StoreError
        A URL that names no PostgreSQL database with a folder for photos.
    """
    named = str(word) if word is not None else os.environ.get(ENVIRONMENT) or str(data_folder())
    if not named.strip() or "\0" in named:
        raise StoreError("--store: names no folder", hint="--store records")
    if "://" in named:
        return _server(named)
    from sqlalchemy import URL

    folder = Path(named).expanduser()
    if folder.name == DATABASE_FILE:
        folder = folder.parent
    file = folder / DATABASE_FILE
    return Place(URL.create("sqlite", database=str(file)), folder / PHOTO_FOLDER, str(folder), file)


def data_folder() -> Path:
    """The folder for records where none is named: what the platform keeps for a user's data."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "knurlsight" / "records"


def _server(named: str) -> Place:
    from sqlalchemy import make_url
    from sqlalchemy.exc import ArgumentError

    try:
        url = make_url(named)
    except (ArgumentError, ValueError) as e:  # ValueError: a port that is no number
        # the words may hold a password: they are not repeated
        raise StoreError("--store: the URL of the database cannot be read", hint=_POSTGRES_HINT) from e
    if url.drivername not in ("postgresql", "postgres", "postgresql+psycopg"):
        raise StoreError(
            f"--store: {url.drivername!r} databases are not known here; name a folder, or a PostgreSQL database",
            hint=_POSTGRES_HINT,
        )
    photos = url.query.get("photos")
    if not isinstance(photos, str) or not photos:
        raise StoreError(
            "--store: the URL names no folder for the photos, which all benches reach", hint=_POSTGRES_HINT
        )
    url = url.difference_update_query(["photos"]).set(drivername="postgresql+psycopg")
    shown = url.set(drivername="postgresql", query={}).render_as_string(hide_password=True)
    return Place(url, Path(photos).expanduser(), shown, None)
