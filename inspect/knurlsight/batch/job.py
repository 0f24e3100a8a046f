"""One job of a batch: the photos of one part, what is asked of them, and the row that comes of it."""

from __future__ import annotations

import functools
import hashlib
import json
import tempfile
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from photoscale.errors import PhotoscaleError

from knurlsight.bug_report import bug_words
from knurlsight.errors import KnurlsightError

if TYPE_CHECKING:
    from knurlsight.inspection import ScaleRequest
    from knurlsight.setup_math.setup_model import Setup


@dataclass(frozen=True)
class Ask:
    """What is asked of a photo: the setup, and the words that name the scale.

    Words travel to the workers, not what is read from them: a scale photo is then read once in each worker.
    """

    setup: Setup | None = None
    scale: str | None = None
    scale_height: str = "bench"
    scale_photo: Path | None = None
    camera_distance: str | None = None

    @functools.cached_property
    def request(self) -> str:
        """Identity of what is asked, by content: setup, scale and version."""
        parts = [
            version("knurlsight"),
            self.setup.content_hash if self.setup is not None else "",
            self.scale or "",
            self.scale_height,
            file_sha256(self.scale_photo) if self.scale_photo is not None else "",
            self.camera_distance or "",
        ]
        return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]

    def read(self) -> ScaleRequest:
        """The words read.

        Raises
        ------
        KnurlsightError, PhotoscaleError
            They make no sense, or the scale photo cannot be read.
        """
        return _scale_request(self.scale, self.scale_height, self.scale_photo, self.camera_distance)


@functools.lru_cache(maxsize=4)
def _scale_request(
    scale: str | None, height: str, scale_photo: Path | None, camera_distance: str | None
) -> ScaleRequest:
    from knurlsight.commands.inspect_command import scale_request

    return scale_request(scale, height, scale_photo, camera_distance)


@dataclass(frozen=True)
class Job:
    """Photos of one part to inspect.

    Attributes
    ----------
    id : str
        Name of the part in the rows: the photo's path below the folder, or as a list or a name pattern says.
    photos : tuple of Path
        Several are repeats of the one part.
    ask : Ask
    """

    id: str
    photos: tuple[Path, ...]
    ask: Ask


@dataclass(frozen=True)
class Row:
    """One part's answer.

    Attributes
    ----------
    id : str
    photos : tuple of str
        As given.
    sizes : tuple of (int, int)
        Bytes and time of change (ns) of each photo; empty where one could not be read.
    sha256 : str
        Of the file (of the several files' hashes together); empty when it could not be read.
    request : str
        Hash of what was asked.
    verdict : str or None
        ``"pass"``, ``"fail"``, ``"cannot_tell"``, ``"unreadable"``, or None without a setup.
    error : str
        Why it is unreadable.
    result : dict or None
        The result file.
    """

    id: str
    photos: tuple[str, ...]
    sizes: tuple[tuple[int, int], ...]
    sha256: str
    request: str
    verdict: str | None
    error: str
    result: dict[str, Any] | None

    def line(self) -> str:
        """The row as one line of JSON."""
        return json.dumps(vars(self), ensure_ascii=False, separators=(",", ":")) + "\n"


def inspect_job(job: Job, sent: tuple[bytes, ...] = ()) -> Row:
    """Inspect one part, from files to a row; runs in a worker.

    Whatever happens is a row: a photo that cannot be read, a machine out of memory and a bug of ours each cost this
    part, not the thousand behind it.

    Parameters
    ----------
    job : Job
    sent : tuple of bytes
        The photos' content, where the worker cannot read the files.
    """
    from knurlsight.batch.workers import one_thread

    one_thread()
    sizes = sizes_of(job.photos)
    try:
        verdict, result = _inspect(job, sent)
    except (PhotoscaleError, KnurlsightError) as e:
        return no_row(job, str(e), sizes)
    except MemoryError:
        # not a bug, and the next photo may be smaller
        return no_row(job, "the machine ran out of memory")
    except Exception as e:
        return no_row(job, bug_words(e), sizes)
    digest = together([photo["sha256"] for photo in result["photos"]])
    return Row(job.id, tuple(map(str, job.photos)), sizes, digest, job.ask.request, verdict, "", result)


def no_row(job: Job, error: str, sizes: tuple[tuple[int, int], ...] = ()) -> Row:
    """The row of a part that could not be inspected."""
    digest = job_sha256(job) if sizes else ""
    return Row(job.id, tuple(map(str, job.photos)), sizes, digest, job.ask.request, "unreadable", error, None)


def _inspect(job: Job, sent: tuple[bytes, ...]) -> tuple[str | None, dict[str, Any]]:
    from photoscale.photo import load_photo

    from knurlsight.inspection import inspect_part
    from knurlsight.result import json_line, result_of

    if sent:
        with tempfile.TemporaryDirectory() as folder:
            photos = []
            for number, (path, data) in enumerate(zip(job.photos, sent, strict=True)):
                copy = Path(folder) / str(number) / path.name
                copy.parent.mkdir()
                copy.write_bytes(data)
                photos.append(load_photo(copy))
    else:
        photos = [load_photo(path) for path in job.photos]
    inspection = inspect_part(photos, job.ask.setup, job.ask.read())
    return inspection.verdict, json.loads(json_line(result_of(inspection)))


def sizes_of(photos: tuple[Path, ...]) -> tuple[tuple[int, int], ...]:
    """Bytes and time of change of each photo; empty when one of them is not there."""
    try:
        return tuple((s.st_size, s.st_mtime_ns) for s in (path.stat() for path in photos))
    except OSError:
        return ()


def job_sha256(job: Job) -> str:
    """Hash of a job's photos; empty when one of them cannot be read."""
    hashes = [file_sha256(path) for path in job.photos]
    return together(hashes) if all(hashes) else ""


def together(hashes: list[str]) -> str:
    """One hash of several, a single one unchanged."""
    return hashes[0] if len(hashes) == 1 else hashlib.sha256("\n".join(hashes).encode()).hexdigest()


def file_sha256(path: Path) -> str:
    """Hash of a regular file's bytes; empty when it cannot be read."""
    try:
        if not path.is_file():
            return ""
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""
