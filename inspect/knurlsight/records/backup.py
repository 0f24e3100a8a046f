"""A copy of the whole store while it is in use: a folder that is a store itself."""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from pathlib import Path

from knurlsight.errors import RecordError, StoreError
from knurlsight.records.photos import kept_photos, photo_path
from knurlsight.records.place import DATABASE_FILE, PHOTO_FOLDER
from knurlsight.records.store import Store, outside_transactions, told


@dataclass(frozen=True)
class Backup:
    """What was copied: photos new to the folder, photos in all, and the database's size in bytes."""

    new_photos: int
    photos: int
    database_bytes: int


def back_up(store: Store, folder: Path) -> Backup:
    """Copy the store to a folder; photos that are there already are not copied again.

    The database is one moment of the store, copied by SQLite itself. It takes its name last: after an interruption the
    folder holds the backup before.

    Raises
    ------
    RecordError
        The folder is the store's own, a file, or holds other things.
    StoreError
        The copy cannot be written; a store on a server.
    """
    file = store.place.file
    if file is None:
        raise StoreError(
            f"{store.place.words}: a server's database is backed up by its own tool",
            hint=f"pg_dump, and copy {store.photos}",
        )
    target, photos = folder / DATABASE_FILE, folder / PHOTO_FOLDER
    if folder.exists() and not folder.is_dir():
        raise RecordError(f"{folder}: is a file; name a folder for the backup")
    if folder.exists() and (folder.resolve() == file.parent.resolve() or photos.resolve() == store.photos.resolve()):
        raise RecordError(f"{folder}: is the store itself; name another folder for the backup")
    if folder.exists() and not target.exists() and any(folder.iterdir()):
        raise RecordError(
            f"{folder}: holds other things; name a new folder or one with a backup", hint=f"{folder}/backup"
        )
    if target.with_name(DATABASE_FILE + "-wal").exists():
        raise RecordError(f"{folder}: is a store in use; name another folder for the backup")
    temporary = folder / f".{DATABASE_FILE}.part"
    with told(store.place):
        photos.mkdir(parents=True, exist_ok=True)
        temporary.unlink(missing_ok=True)
        try:
            with outside_transactions(store) as raw:
                raw.execute("VACUUM INTO ?", (str(temporary),))
            # every photo of that moment is in its place by now: photos come before their entries
            kept = kept_photos(store.photos)
            new = [sha256 for sha256, size in kept.items() if not _is_there(photo_path(photos, sha256), size)]
            for sha256 in new:
                _copy(photo_path(store.photos, sha256), photo_path(photos, sha256))
            _sync(temporary)
            size = temporary.stat().st_size
            temporary.replace(target)
        finally:
            temporary.unlink(missing_ok=True)
    return Backup(len(new), len(kept), size)


def _is_there(path: Path, size: int) -> bool:
    return path.is_file() and path.stat().st_size == size


def _copy(source: Path, target: Path) -> None:
    target.parent.mkdir(exist_ok=True)
    temporary = target.with_name(target.name + ".part")
    shutil.copyfile(source, temporary)
    _sync(temporary)
    temporary.replace(target)


def _sync(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())
