"""Which photos stand in a folder, and which of them show the same part."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from knurlsight.batch.job import Ask, Job
from knurlsight.errors import KnurlsightError

SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")


@dataclass(frozen=True)
class Folder:
    """Photos found, sorted by name, and folders that could not be looked into, each with the reason."""

    photos: tuple[Path, ...]
    closed: tuple[tuple[Path, str], ...] = ()


def photos_below(folder: Path) -> Folder:
    """As `scan`, but a folder without photos is refused.

    Raises
    ------
    KnurlsightError
        There is none.
    """
    found = scan(folder)
    if not found.photos:
        why = "".join(f"; {path} cannot be looked into ({reason})" for path, reason in found.closed[:1])
        raise KnurlsightError(
            f"{folder}: no photo in it ({', '.join(SUFFIXES)}){why}", hint="name the folder of the photos"
        )
    return found


def scan(folder: Path) -> Folder:
    """Every photo in a folder and the folders below, by name; hidden ones and links to folders are left out."""
    photos: list[Path] = []
    closed: list[tuple[Path, str]] = []

    def refused(e: OSError) -> None:
        closed.append((Path(e.filename), e.strerror or str(e)))

    for here, folders, files in os.walk(folder, onerror=refused, followlinks=False):
        folders[:] = sorted(f for f in folders if not f.startswith("."))
        photos += [Path(here) / name for name in sorted(files) if is_photo_name(name)]
    return Folder(tuple(photos), tuple(closed))


def is_photo_name(name: str) -> bool:
    """Whether a file is taken for a photo: by the end of its name, unless it is hidden."""
    return name.lower().endswith(SUFFIXES) and not name.startswith(".")


def jobs_of(folder: Path, photos: Sequence[Path], ask: Ask, group: str | None = None) -> tuple[Job, ...]:
    """One job a photo, or one a part where a name pattern says which photos belong together.

    Parameters
    ----------
    folder : Path
        Ids are paths below it.
    photos : sequence of Path
    ask : Ask
    group : str, optional
        Pattern of the names without folder and ending, such as ``{part}_*``: photos whose ``{part}`` is the same, in
        the same folder, are repeats of one part. ``*`` stands for anything, ``?`` for one character. A photo that does
        not fit is a part of its own.

    Raises
    ------
    KnurlsightError
        The pattern does not hold ``{part}`` once.
    """
    names = [path.relative_to(folder).as_posix() for path in photos]
    if group is None:
        return tuple(Job(name, (path,), ask) for name, path in zip(names, photos, strict=True))
    pattern = _compiled(group)
    grouped: dict[str, list[Path]] = {}
    for name, path in zip(names, photos, strict=True):
        fits = pattern.fullmatch(path.stem)
        part = (path.parent.relative_to(folder) / fits["part"]).as_posix() if fits else name
        grouped.setdefault(part, []).append(path)
    return tuple(Job(part, tuple(paths), ask) for part, paths in grouped.items())


def _compiled(group: str) -> re.Pattern[str]:
    if group.count("{part}") != 1:
        raise KnurlsightError(
            f"--group {group!r}: {{part}} must stand in it once, for what photos of one part have in common",
            hint="--group '{part}_*'",
        )
    words = {"*": ".*", "?": ".", "{part}": "(?P<part>.+?)"}
    return re.compile("".join(words.get(w, re.escape(w)) for w in re.split(r"(\{part\}|\*|\?)", group)))
