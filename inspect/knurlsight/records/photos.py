"""Photos by their content: each once, under its SHA-256, never changed.

A file is written under a temporary name and fsynced; it gets its name inside the transaction that records it. After an
interruption there may be a photo that no entry names, never an entry without its photo, and never half a photo.

A job that is handed on leaves with photos stripped of place and owner, whose bytes are not those that the record knows.
Such a photo is kept as a stand-in: under the original's hash and, behind it, its own. It can be held against its own
hash, and nobody can prove that it shows what the original showed.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from knurlsight.errors import RecordError, StoreError

MAX_BYTES = 400_000_000
_INCOMING = "incoming"
_STAND_IN = ".without-place."
_STALE_S = 3600


@dataclass(frozen=True)
class Picture:
    """A file to be kept: its name without folder, its bytes, and the hash of the original that it stands in for."""

    name: str
    data: bytes = field(repr=False)
    instead_of: str = ""

    @property
    def sha256(self) -> str:
        """Of the bytes."""
        return hashlib.sha256(self.data).hexdigest()

    @property
    def named_as(self) -> str:
        """The hash by which entries name it."""
        return self.instead_of or self.sha256

    @property
    def kept_as(self) -> str:
        """Its name in the store."""
        return f"{self.instead_of}{_STAND_IN}{self.sha256}" if self.instead_of else self.sha256


def read_picture(path: Path) -> Picture:
    """A file as it is.

    Raises
    ------
    RecordError
        Missing, no regular file, empty, too big, or unreadable.
    """
    try:
        if not path.is_file():
            raise RecordError(f"{path}: no such file")
        size = path.stat().st_size
        if not 0 < size <= MAX_BYTES:
            raise RecordError(f"{path}: {size} bytes; 1 to {MAX_BYTES // 1_000_000} million can be kept")
        return Picture(path.name, path.read_bytes())
    except (OSError, ValueError) as e:
        raise RecordError(f"{path}: cannot be read ({getattr(e, 'strerror', None) or e})") from e


def photo_path(folder: Path, sha256: str) -> Path:
    """Where the photo with this hash is kept."""
    return folder / sha256[:2] / sha256


def stand_in(folder: Path, sha256: str) -> Path | None:
    """The file that stands in for the photo with this hash; None where there is none."""
    return min((folder / sha256[:2]).glob(f"{sha256}{_STAND_IN}*"), default=None)


def own_hash(kept_as: str) -> str:
    """The hash that a kept file must have, by its name."""
    return kept_as.rpartition(_STAND_IN)[2]


def original_hash(kept_as: str) -> str:
    """The hash by which entries name a kept file, by its name."""
    return kept_as.partition(_STAND_IN)[0]


@dataclass(frozen=True)
class Incoming:
    """Files on disk under temporary names, waiting for their own."""

    folder: Path
    waiting: tuple[tuple[Path, str], ...]

    def settle(self) -> None:
        """Give each its name; to be called inside the transaction that records them.

        Raises
        ------
        OSError
        """
        for temporary, name in self.waiting:
            target = photo_path(self.folder, name)
            target.parent.mkdir(exist_ok=True)
            temporary.chmod(0o444)
            temporary.replace(target)
            _sync_folder(target.parent)

    def discard(self) -> None:
        """Drop what has not been settled."""
        for temporary, _ in self.waiting:
            temporary.unlink(missing_ok=True)


def bring_in(folder: Path, pictures: Sequence[Picture]) -> Incoming:
    """Write pictures to temporary names in a store's folder, each whole on disk; what is kept already is skipped.

    Raises
    ------
    OSError
        No space, no permission.
    StoreError
        A kept photo has lost bytes; the file of the same content that is brought is not put over it.
    """
    incoming = folder / _INCOMING
    incoming.mkdir(parents=True, exist_ok=True)
    _sweep(incoming)
    waiting: list[tuple[Path, str]] = []
    try:
        for picture in {p.kept_as: p for p in pictures}.values():
            kept = photo_path(folder, picture.kept_as)
            if kept.exists():
                if kept.stat().st_size != len(picture.data):
                    raise StoreError(f"{kept}: the photo kept here is damaged", hint="knurlsight job verify")
                continue
            handle, name = tempfile.mkstemp(prefix=picture.sha256[:16] + ".", dir=incoming)
            waiting.append((Path(name), picture.kept_as))
            with os.fdopen(handle, "wb") as file:
                file.write(picture.data)
                file.flush()
                os.fsync(file.fileno())
    except BaseException:
        Incoming(folder, tuple(waiting)).discard()
        raise
    return Incoming(folder, tuple(waiting))


def kept_photos(folder: Path) -> dict[str, int]:
    """Name (its hash, or that of a stand-in) and size in bytes of every file kept."""
    kept = {}
    for path in folder.glob("??/*"):
        kept[path.name] = path.stat().st_size
    return kept


def file_hash(path: Path) -> str:
    """SHA-256 of a file.

    Raises
    ------
    OSError
    """
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _sweep(incoming: Path) -> None:
    """Remove what an interrupted run left an hour ago or more."""
    old = time.time() - _STALE_S
    for path in incoming.iterdir():
        try:
            if path.stat().st_mtime < old:
                path.unlink()
        except OSError:
            continue


def _sync_folder(folder: Path) -> None:
    """Make a new name last; folders cannot be opened everywhere."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
