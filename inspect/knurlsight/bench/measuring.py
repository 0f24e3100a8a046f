"""What a worker process does: photos of one part in, the files of an answer out, a few words back.

The files are written to a folder of another name that is renamed in the end: an answer is there whole or not at all.
"""

from __future__ import annotations

import datetime
import json
import os
import shutil
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from photoscale.errors import PhotoError, PhotoscaleError

from knurlsight.bench.refusals import of_disk
from knurlsight.bench.submissions import ANSWER, MOST_PIXELS, PICTURE, REPORT, SHEET, THUMB, VIEW
from knurlsight.errors import KnurlsightError
from knurlsight.inner_threads import hold_to_one

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
    from photoscale.photo import Photo

MEMORY_BYTES = 8_000_000_000  # of address space, which is a few times what is used: 64 million pixels take 0.5 GB
THUMB_PX = 200


@dataclass(frozen=True)
class Task:
    """Photos to measure: their folder, file names and spoken names, the setup's text (empty: none) and the rest.

    `turned`, a ``--turn`` word: by which step the part was turned from one to the next; empty for repeats.
    """

    folder: Path
    photos: tuple[str, ...]
    named: tuple[str, ...]
    setup_text: str
    scale: str
    units: Literal["mm", "in"]
    turned: str = ""


@dataclass(frozen=True)
class Answered:
    """The answer's files are there."""

    verdict: str | None
    part: str
    why: str
    seconds: float


@dataclass(frozen=True)
class Refusal:
    """The photos could not be measured, and why: of the photo (`trouble`), or a bug of ours."""

    trouble: str


@dataclass(frozen=True)
class NoRoom:
    """The disk took no answer: the photos can be measured later."""

    trouble: str = "the disk of the bench computer is full; it is measured when there is space again"


def answer_folder(folder: Path) -> Path:
    """Where the files of an answer lie."""
    return folder / "answer"


def measure_photos(task: Task) -> Answered | Refusal | NoRoom:
    """Measure and write the answer; never raises for what is wrong with the photos."""
    start = time.monotonic()
    try:
        verdict, part, why = _answer(task)
    except PhotoscaleError as e:
        return Refusal(f"{e.what}; {e.hint}" if e.hint else e.what)
    except KnurlsightError as e:
        return Refusal(e.message)
    except MemoryError:
        return Refusal("the photo needs more memory than the bench allows; take it with fewer pixels")
    except Exception as e:
        if of_disk(e) is not None:
            return NoRoom()
        from knurlsight.bug_report import bug_words

        return Refusal(bug_words(e))
    return Answered(verdict, part, why, time.monotonic() - start)


def _answer(task: Task) -> tuple[str | None, str, str]:
    from photoscale.words import parse_scale

    from knurlsight.bench.verdict_view import view_of
    from knurlsight.exchange.inspected import Inspected
    from knurlsight.exchange.picture_note import note_of, with_note
    from knurlsight.exchange.report_pdf import report_pdf
    from knurlsight.inspection import ScaleRequest, inspect_part
    from knurlsight.joining.step_words import turn_step
    from knurlsight.joining.turns import inspect_turned
    from knurlsight.reporting import pictures, report
    from knurlsight.result import json_text, result_of
    from knurlsight.setup_math.setup import setup_from_text

    setup = setup_from_text(task.setup_text) if task.setup_text else None
    scale = ScaleRequest(parse_scale(task.scale) if task.scale else None)
    photos = [_photo(task.folder / file, name) for file, name in zip(task.photos, task.named, strict=True)]
    if task.turned and len(photos) > 1:
        inspection = inspect_turned(photos, turn_step(task.turned, len(photos)), setup, scale)
    else:
        inspection = inspect_part(photos, setup, scale)
    view = view_of(inspection)
    picture = pictures.annotated(inspection, task.units)
    result = result_of(inspection)
    plain = pictures.encoded(picture, ".jpg")
    when = datetime.datetime.now(datetime.UTC).astimezone().isoformat(timespec="seconds")
    done = Inspected(result, when=when, photo=photos[0].encoded, picture=plain)
    files = {
        ANSWER: json_text(result).encode(),
        VIEW: json.dumps(view, ensure_ascii=False).encode(),
        PICTURE: with_note(plain, note_of(done)),
        SHEET: report_pdf([done], units=task.units),
        THUMB: _small(picture),
        REPORT: report.html(inspection, task.units).encode(),
    }
    _write(answer_folder(task.folder), files)
    words = view[task.units]
    return inspection.verdict, view["part"], words["why"][0] if words["why"] else ""


def _photo(path: Path, name: str) -> Photo:
    """A photo under the name that its device gave it; what goes wrong is told under that name, never the path here."""
    from photoscale.photo import load_photo

    try:
        photo = replace(load_photo(path), name=name)
    except PhotoError as e:
        raise PhotoError(e.what.replace(str(path), name), e.hint) from e
    if photo.width_px * photo.height_px > MOST_PIXELS:
        raise PhotoError(
            f"{name}: {photo.width_px} x {photo.height_px} px, more than the {MOST_PIXELS // 1_000_000} million taken "
            "here",
            "choose a smaller picture size on the camera",
        )
    return photo


def _small(picture: NDArray[np.uint8]) -> bytes:
    """A small copy for lists, light enough that eight of them do not weigh on the first page."""
    import cv2

    k = THUMB_PX / max(picture.shape[:2])
    size = max(1, round(picture.shape[1] * k)), max(1, round(picture.shape[0] * k))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    return bytes(cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 70])[1])


def _write(target: Path, files: dict[str, bytes]) -> None:
    part = target.with_name("answer.part")
    for old in (part, target):
        shutil.rmtree(old, ignore_errors=True)
    part.mkdir()
    for name, data in files.items():
        with (part / name).open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
    part.rename(target)


def warm() -> None:
    """Load what measuring needs, so that the first photo does not wait for it; and bound the memory."""
    import importlib

    if sys.platform != "win32":
        import resource

        hard = resource.getrlimit(resource.RLIMIT_AS)[1]
        limit = MEMORY_BYTES if hard == resource.RLIM_INFINITY else min(MEMORY_BYTES, hard)
        resource.setrlimit(resource.RLIMIT_AS, (limit, hard))
    hold_to_one()  # before NumPy is loaded, below
    for name in ("cv2", "scipy.fft", "scipy.ndimage", "scipy.optimize", "GTC", "jinja2"):
        importlib.import_module(name)
    for name in (
        "inspection",
        "reporting.pictures",
        "reporting.report",
        "result",
        "bench.verdict_view",
        "exchange.report_pdf",
    ):
        importlib.import_module(f"knurlsight.{name}")
    cv2: Any = importlib.import_module("cv2")
    cv2.setNumThreads(1)
