"""Frames of a film, one at a time, from a regular file only.

OpenCV would open network addresses and patterns of file names as readily; both are refused before it sees the name.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from knurlsight.errors import FilmError

SUFFIXES = (".mp4", ".mov", ".m4v", ".avi", ".mkv", ".webm")
MAX_BYTES = 2_000_000_000
MAX_PIXELS = 4096 * 2304
MIN_SIDE_PX = 200
MAX_FRAMES = 1800  # a minute at 30 frames a second


def is_film(path: Path) -> bool:
    """Whether a name is that of a film."""
    return path.suffix.lower() in SUFFIXES


def film_hash(path: Path) -> str:
    """SHA-256 of the file.

    Raises
    ------
    FilmError
        It is missing, not a regular file, empty or too big.
    """
    _check(path)
    digest = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
    except OSError as e:
        raise FilmError(f"{path}: cannot be read ({e.strerror}); check the permissions") from e
    return digest.hexdigest()


def frames(path: Path) -> Iterator[NDArray[np.uint8]]:
    """The frames in grey, (h, w) each, in order.

    Raises
    ------
    FilmError
        As `film_hash`; or it is no film, too large, too small, too long, or cut short before its second frame.
    """
    import cv2

    _check(path)
    film = cv2.VideoCapture(str(path.resolve()), cv2.CAP_FFMPEG)
    try:
        width, height = int(film.get(cv2.CAP_PROP_FRAME_WIDTH)), int(film.get(cv2.CAP_PROP_FRAME_HEIGHT))
        if not film.isOpened() or width <= 0 or height <= 0:
            raise FilmError(f"{path}: no film that can be read; save it as MP4 (H.264)")
        if width * height > MAX_PIXELS:
            raise FilmError(f"{path}: {width} x {height} px, more than 4096 x 2304; film it smaller")
        if min(width, height) < MIN_SIDE_PX:
            raise FilmError(f"{path}: only {width} x {height} px; a film needs {MIN_SIDE_PX} px each way")
        count = 0
        while True:
            good, frame = film.read()
            if not good:
                break
            count += 1
            if count > MAX_FRAMES:
                raise FilmError(f"{path}: more than {MAX_FRAMES} frames; cut it to one turn of the part")
            yield np.asarray(cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY), np.uint8)
    finally:
        film.release()
    if count < 2:
        raise FilmError(f"{path}: {count} frame could be read; it is no film, or damaged")


def _check(path: Path) -> None:
    if not path.exists():
        raise FilmError(f"{path}: no such file; check the name and the folder")
    if not path.is_file():
        raise FilmError(f"{path}: is not a regular file; copy the film to a file first")
    if "%" in str(path.resolve()):
        raise FilmError(f"{path}: a % in the name stands for a row of pictures; rename the film")
    size = path.stat().st_size
    if size == 0:
        raise FilmError(f"{path}: the file is empty; copy it from the camera again")
    if size > MAX_BYTES:
        most = f"{MAX_BYTES / 1e6:.0f} MB"
        raise FilmError(f"{path}: {size / 1e6:.0f} MB, more than {most}; cut it to one turn of the part")
