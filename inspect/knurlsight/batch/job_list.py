"""A job list: a CSV or TOML file that names each part's photos, setup and scale. Every fault of it is told at once."""

from __future__ import annotations

import csv
import difflib
import io
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from photoscale.errors import PhotoscaleError

from knurlsight.batch.job import Ask, Job
from knurlsight.errors import KnurlsightError
from knurlsight.setup_math.setup import read_setup
from knurlsight.setup_math.setup_model import Setup

KEYS = ("photo", "id", "setup", "scale", "scale_height", "scale_photo", "camera_distance")
MAX_BYTES = 500_000_000
MOST_FAULTS = 20


def read_job_list(path: Path, ask: Ask) -> tuple[Job, ...]:
    """Jobs of a list.

    A CSV file has a line of column names; a TOML file has one ``[[job]]`` a part. Names are those of `KEYS`; only
    ``photo`` is needed. Several photos of one part stand with semicolons between, or as a TOML array. Files are named
    from the list's own folder. What a job leaves out is as in `ask`.

    Parameters
    ----------
    path : Path
        Ending in .csv or .toml.
    ask : Ask
        From the command line.

    Raises
    ------
    KnurlsightError
        With every fault of the list. A photo that is not there is no fault: it becomes a row that says so.
    """
    tables = _tables(path)
    faults: list[str] = []
    setups: dict[str, Setup | None] = {}
    jobs: list[Job] = []
    where_id: dict[str, str] = {}
    for where, table in tables:
        job = _job(path, where, table, ask, setups, faults)
        if job is None:
            continue
        if job.id in where_id:
            faults.append(f"{where}: id {job.id!r} stands at {where_id[job.id]} already; give each part its own")
        where_id.setdefault(job.id, where)
        jobs.append(job)
    if not tables:
        faults.append("no job in it")
    if faults:
        more = [f"{path}: and {len(faults) - MOST_FAULTS} more"] if len(faults) > MOST_FAULTS else []
        lines = [f"{path}: {fault}" for fault in dict.fromkeys(faults[:MOST_FAULTS])]
        raise KnurlsightError("\n".join([*lines, *more]), hint="columns: " + ", ".join(KEYS))
    return tuple(jobs)


def _tables(path: Path) -> Sequence[tuple[str, Mapping[str, Any]]]:
    """The jobs as they stand, each with where."""
    try:
        if path.stat().st_size > MAX_BYTES:
            raise KnurlsightError(f"{path}: is over {MAX_BYTES // 1_000_000} MB long; split the list")
        text = path.read_text(encoding="utf-8-sig")
    except OSError as e:
        raise KnurlsightError(f"{path}: cannot be read ({e.strerror or e})", hint="check the name") from e
    except UnicodeDecodeError as e:
        raise KnurlsightError(f"{path}: is not UTF-8 text", hint="save the table as CSV UTF-8") from e
    return _toml(path, text) if path.suffix.lower() == ".toml" else _csv(path, text)


def _toml(path: Path, text: str) -> Sequence[tuple[str, Mapping[str, Any]]]:
    try:
        document = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as e:
        raise KnurlsightError(f"{path}: is not TOML: {e}", hint='[[job]]\nphoto = "a.jpg"') from e
    tables = document.get("job")
    others = [key for key in document if key != "job"]
    if others or not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
        found = ", ".join(others) or "something else"
        raise KnurlsightError(f"{path}: a list has [[job]] tables only, found {found}", hint="[[job]] on its own line")
    return [(f"[[job]] {number}", table) for number, table in enumerate(tables, 1)]


def _csv(path: Path, text: str) -> Sequence[tuple[str, Mapping[str, Any]]]:
    # spreadsheets of half the world write semicolons between columns
    head = text.split("\n", 1)[0]
    between = ";" if head.count(";") > head.count(",") else "\t" if "\t" in head else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=between, strict=True)
    tables: list[tuple[str, Mapping[str, Any]]] = []
    try:
        names = [name.strip() for name in next(reader, [])]
        if "photo" not in names:
            raise KnurlsightError(
                f"{path}: the first line must name the columns, photo among them; found "
                f"{', '.join(names) or 'nothing'}",
                hint="photo,setup,scale,id",
            )
        for cells in reader:
            where = f"line {reader.line_num}"
            if len(cells) > len(names):
                raise KnurlsightError(f"{path}: {where} has {len(cells)} columns, the first line {len(names)}")
            filled = {n: c.strip() for n, c in zip(names, cells, strict=False) if c.strip()}
            if filled:
                tables.append((where, filled))
    except csv.Error as e:
        raise KnurlsightError(f"{path}: line {reader.line_num} is not CSV: {e}") from e
    return tables


def _job(
    path: Path, where: str, table: Mapping[str, Any], ask: Ask, setups: dict[str, Setup | None], faults: list[str]
) -> Job | None:
    before = len(faults)
    for key, value in table.items():
        if key not in KEYS:
            nearest = max(KEYS, key=lambda k: difflib.SequenceMatcher(None, key, k).ratio())
            faults.append(f"{where}: {key} is not known; the nearest is {nearest}")
        elif not isinstance(value, str) and not (key == "photo" and _is_words(value)):
            faults.append(f"{where}: {key} = {value!r}: text in quotes is wanted")
    if len(faults) > before:
        return None
    given = table.get("photo", "")
    photos = [p.strip() for p in given.split(";")] if isinstance(given, str) else list(given)
    photos = [p for p in photos if p]
    if not photos:
        faults.append(f"{where}: names no photo")
        return None
    changes: dict[str, Any] = {key: table[key] for key in ("scale", "scale_height", "camera_distance") if key in table}
    if "scale_photo" in table:
        changes["scale_photo"] = path.parent / table["scale_photo"]
    if "setup" in table:
        changes["setup"] = _setup(path.parent / table["setup"], where, setups, faults)
    asked = replace(ask, **changes)
    try:
        asked.read()
    except (KnurlsightError, PhotoscaleError) as e:
        faults.append(f"{where}: {e}")
    return Job(table.get("id", photos[0]), tuple(path.parent / p for p in photos), asked)


def _is_words(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(v, str) for v in value)


def _setup(path: Path, where: str, setups: dict[str, Setup | None], faults: list[str]) -> Setup | None:
    """The setup, read once however many jobs name it."""
    key = str(path)
    if key not in setups:
        try:
            setups[key] = read_setup(path)
        except KnurlsightError as e:
            faults += [f"{where}: {line}" for line in e.message.splitlines()]
            setups[key] = None
    return setups[key]
