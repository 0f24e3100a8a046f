"""A whole job as one .zip: a folder to read (report, photos, tables), and everything that another store needs to take
it over, each file with its hash in a manifest. The same job gives the same bytes, but for the date of export.
"""

from __future__ import annotations

import hashlib
import json
import re
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import PurePosixPath
from typing import Any

from knurlsight.errors import ExchangeError
from knurlsight.exchange.figures_csv import figures_csv
from knurlsight.exchange.picture_note import note_of, with_note, without_note
from knurlsight.exchange.qif import qif_results
from knurlsight.exchange.qif_write import qif_xml
from knurlsight.exchange.recorded import facts_shown, inspected, inspections_of
from knurlsight.exchange.report_pdf import report_pdf
from knurlsight.exchange.report_words import JobSheet
from knurlsight.exchange.strip_place import stripped
from knurlsight.records.chain import Book, Entry
from knurlsight.records.photos import Picture
from knurlsight.records.read import facts_now
from knurlsight.records.restore import entry_document, entry_from_document

MANIFEST, RECORD = "manifest.json", "record.json"
FORMAT, VERSION = "knurlsight job", 1
MOST_FILES = 20_000
MOST_BYTES = 4_000_000_000
MOST_FILE_BYTES = 400_000_000
#: Text packs to a hundredth at most; what unfolds further is made to fill a disk.
MOST_UNFOLDING = 200
#: A job is mostly photos, which do not pack: in all it unfolds to this many times its size, besides so many bytes.
MOST_TOTAL_UNFOLDING, PLAIN_BYTES = 20, 100_000_000
EARLIEST = (1980, 1, 1, 0, 0, 0)
README = """A job of knurlsight, as it stood on the day in manifest.json.

report.pdf    the inspections, a page a part, to read and to sign
photos/       the photos; pictures with the findings drawn say in their own data what they show
figures.csv   every figure, for spreadsheets (mm, degrees; standard uncertainties)
results.qif   the same as QIF 3.0 results
results/      each inspection's result file
record.json   every entry of the job as it was written, each with the hash of the one before it
manifest.json SHA-256 of every file here

knurlsight job import FILE.zip --store FOLDER takes it over into another store.
"""


@dataclass(frozen=True)
class Bundle:
    """What a .zip brought: the job's entries, those of its wheels, and the photos that they name."""

    job: tuple[Entry, ...]
    wheels: tuple[tuple[Entry, ...], ...]
    pictures: tuple[Picture, ...]


def export_bundle(
    job: Sequence[Entry],
    wheels: Sequence[Sequence[Entry]],
    photo: Callable[[str], bytes],
    exported_at: str,
    *,
    originals: bool = False,
) -> bytes:
    """A job as the bytes of a .zip file.

    Parameters
    ----------
    job : sequence of Entry
        All of its entries.
    wheels : sequence of sequence of Entry
        The books of the wheels that it names.
    photo : callable
        Gives the bytes of a kept photo by its hash.
    exported_at : str
        ISO 8601.
    originals : bool
        Hand photos on as they are, with place and owner; else what is stripped of them stands in for the original.

    Raises
    ------
    ExchangeError
        A photo from which place and owner cannot be taken.
    """
    files: dict[str, bytes] = {"README.txt": README.encode()}
    kept: dict[str, dict[str, str]] = {}
    for entry in job:
        if entry.kind != "inspection":
            continue
        files[f"results/{entry.number:04d}.json"] = _json(entry.body["result"])
        for named in entry.body["photos"]:
            if named["sha256"] in kept:
                continue
            data, how = _handed_on(photo(named["sha256"]), named, entry, originals)
            path = f"photos/{entry.number:04d}-{named['sha256'][:8]}-{_plain_name(named['name'])}"
            kept[named["sha256"]] = {"path": path, "as": how, "name": named["name"]}
            files[path] = data
    done = inspections_of(job, photo)
    if done:
        files["report.pdf"] = report_pdf(done, JobSheet(facts_shown(facts_now(job)), job[-1].hash))
        files["figures.csv"] = figures_csv(done)
        files["results.qif"] = qif_xml(qif_results(done))
    record = {"job": _book(job), "wheels": [_book(wheel) for wheel in wheels]}
    files[RECORD] = _json(record)
    manifest = {
        "format": FORMAT,
        "version": VERSION,
        "exported_at": exported_at,
        "head": job[-1].hash,
        "files": {name: hashlib.sha256(data).hexdigest() for name, data in sorted(files.items())},
        "photos": kept,
    }
    out = BytesIO()
    with zipfile.ZipFile(out, "w") as made:
        for name, data in [(MANIFEST, _json(manifest)), *sorted(files.items())]:
            info = zipfile.ZipInfo(name, EARLIEST)
            info.external_attr = 0o644 << 16
            packed = name.endswith((".json", ".csv", ".qif", ".txt"))
            info.compress_type = zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED
            made.writestr(info, data)
    return out.getvalue()


def _handed_on(data: bytes, named: Mapping[str, Any], entry: Entry, originals: bool) -> tuple[bytes, str]:
    """The bytes of a photo for the bundle, and what was done to them."""
    if named["role"] == "annotated":
        noted = with_note(data, note_of(inspected(entry)))
        return (noted, "noted") if without_note(noted) == data else (data, "kept")
    clean = data if originals else stripped(data, named["name"])
    return clean, "kept" if hashlib.sha256(clean).hexdigest() == named["sha256"] else "stripped"


def _book(written: Sequence[Entry]) -> dict[str, Any]:
    at = written[0].book
    return {"kind": at.kind, "name": at.name, "entries": [entry_document(e) for e in written]}


def _json(value: Any) -> bytes:
    return (json.dumps(value, ensure_ascii=False, indent=1, sort_keys=True) + "\n").encode()


def _plain_name(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9._-]+", "_", name).lstrip(".")[-80:] or "photo"


# --- taking it in ----------------------------------------------------------------------------------------------------


def read_bundle(data: bytes, source: str) -> Bundle:
    """What a .zip file brings; every file is held against its hash, and nothing is unpacked to the disk.

    Whether the entries' chain is whole is for the store to see, which takes them in.

    Raises
    ------
    ExchangeError
        It is no bundle, names climb out of it, it unfolds without bounds, or a file was changed.
    """
    try:
        with zipfile.ZipFile(BytesIO(data)) as opened:
            files = _checked_files(opened, len(data), source)
            manifest = _object(_unpacked(opened, files, MANIFEST, source), MANIFEST, source)
            hashes = manifest.get("files")
            right = manifest.get("format") == FORMAT and isinstance(hashes, dict)
            if not right or not isinstance(hashes, dict):
                raise ExchangeError(f"{source}: is not a job that knurlsight exported")
            if manifest.get("version") != VERSION:
                raise ExchangeError(f"{source}: is of version {manifest.get('version')!r}; version {VERSION} is read")
            if set(hashes) != set(files) - {MANIFEST}:
                odd = sorted(set(hashes) ^ (set(files) - {MANIFEST}))
                raise ExchangeError(f"{source}: {odd[0][:80]!r} is missing, or is not in the manifest")
            content = {name: _unpacked(opened, files, name, source) for name in hashes}
    except (zipfile.BadZipFile, zipfile.LargeZipFile, NotImplementedError, EOFError, OSError, ValueError) as e:
        raise ExchangeError(f"{source}: is not a .zip file that can be read ({e})") from None
    for name, wanted in hashes.items():
        if hashlib.sha256(content[name]).hexdigest() != wanted:
            raise ExchangeError(f"{source}: {name[:80]} was changed since it was exported; its hash does not fit")
    record = _object(content.get(RECORD, b""), RECORD, source)
    pictures = _pictures(manifest.get("photos"), content, source)
    try:
        wheels = tuple(_entries(book, source) for book in record["wheels"])
        return Bundle(_entries(record["job"], source), wheels, pictures)
    except (KeyError, TypeError, AttributeError):
        raise ExchangeError(f"{source}: {RECORD} is not the record of a job") from None


def _checked_files(opened: zipfile.ZipFile, size: int, source: str) -> dict[str, zipfile.ZipInfo]:
    files: dict[str, zipfile.ZipInfo] = {}
    infos = opened.infolist()
    total = sum(info.file_size for info in infos)
    if len(infos) > MOST_FILES or total > min(MOST_BYTES, PLAIN_BYTES + MOST_TOTAL_UNFOLDING * size):
        raise ExchangeError(f"{source}: unfolds to {len(infos)} files of {total} bytes, which no job does")
    for info in infos:
        name = info.filename
        path = PurePosixPath(name)
        if path.is_absolute() or ".." in path.parts or "\\" in name or ":" in name or "\0" in name or not path.name:
            raise ExchangeError(f"{source}: {name[:80]!r} climbs out of the folder it should stand in")
        if name in files:
            raise ExchangeError(f"{source}: {name[:80]!r} is in it twice")
        unfolding = info.file_size > 1_000_000 and info.file_size > MOST_UNFOLDING * max(1, info.compress_size)
        if info.file_size > MOST_FILE_BYTES or unfolding:
            raise ExchangeError(
                f"{source}: {name[:80]!r} unfolds to {info.file_size} bytes, which no file of a job does"
            )
        if info.flag_bits & 1:
            raise ExchangeError(f"{source}: {name[:80]!r} is encrypted")
        files[name] = info
    return files


def _unpacked(opened: zipfile.ZipFile, files: Mapping[str, zipfile.ZipInfo], name: str, source: str) -> bytes:
    """One file's bytes, never more than its header promises."""
    import zlib

    if name not in files:
        raise ExchangeError(f"{source}: has no {name}; it is not a job that knurlsight exported")
    try:
        with opened.open(files[name]) as file:
            return file.read(files[name].file_size + 1)
    except (zlib.error, RuntimeError) as e:
        raise ExchangeError(f"{source}: {name[:80]!r} is damaged ({e})") from None


def _object(data: bytes, name: str, source: str) -> dict[str, Any]:
    try:
        value = json.loads(data)
    except (ValueError, RecursionError):
        value = None
    if not isinstance(value, dict):
        raise ExchangeError(f"{source}: {name} is not a JSON object")
    return value


def _pictures(kept: object, content: Mapping[str, bytes], source: str) -> tuple[Picture, ...]:
    pictures = []
    if not isinstance(kept, dict):
        raise ExchangeError(f"{source}: {MANIFEST} names no photos")
    for sha256, told in kept.items():
        try:
            path, how, name = str(told["path"]), told["as"], str(told["name"])
            data = content[path]
        except (KeyError, TypeError):
            raise ExchangeError(f"{source}: the photo {str(sha256)[:16]} is not in it") from None
        if how == "stripped":
            if not re.fullmatch("[0-9a-f]{64}", str(sha256)):
                raise ExchangeError(f"{source}: {str(sha256)[:16]!r} is not the hash of a photo")
            pictures.append(Picture(name, data, str(sha256)))
            continue
        if how == "noted":
            data = without_note(data)
        if hashlib.sha256(data).hexdigest() != sha256:
            raise ExchangeError(f"{source}: the photo {path[:80]} is not the one of the record")
        pictures.append(Picture(name, data))
    return tuple(pictures)


def _entries(book: Mapping[str, Any], source: str) -> tuple[Entry, ...]:
    kind, name = book["kind"], book["name"]
    if kind not in ("job", "wheel") or not isinstance(name, str) or not book["entries"]:
        raise ExchangeError(f"{source}: {RECORD} is not the record of a job")
    return tuple(entry_from_document(Book(kind, name), document) for document in book["entries"])
