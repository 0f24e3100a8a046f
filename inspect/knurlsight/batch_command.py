"""``knurlsight batch``: every part of a tray photo, or every photo of a folder."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from knurlsight.inspect_command import (
    EXIT_STATUS,
    HEIGHT_HELP,
    SCALE_HELP,
    check_outputs,
    say,
    scale_request,
    units_of,
    write_outputs,
)

if TYPE_CHECKING:
    from knurlsight.folder import Row
    from knurlsight.inspection import Inspection, ScaleRequest
    from knurlsight.setup_model import Setup

WORDS = {"pass": "pass", "fail": "FAIL", "cannot_tell": "cannot tell", "unreadable": "unreadable", None: "measured"}


def register(app: typer.Typer) -> None:
    """Add the command to an app."""

    @app.command()
    def batch(
        target: Annotated[
            Path, typer.Argument(metavar="TRAY.jpg|FOLDER", help="A photo of many parts, or a folder of photos.")
        ],
        setup: Annotated[
            Path | None, typer.Option("--setup", metavar="S.toml", help="What was wanted of every part.")
        ] = None,
        scale: Annotated[str | None, typer.Option("--scale", metavar="SPEC", help=SCALE_HELP)] = None,
        scale_height: Annotated[
            str, typer.Option("--scale-height", metavar="bench|axis|crest|MM", help=HEIGHT_HELP)
        ] = "bench",
        json_out: Annotated[
            Path | None,
            typer.Option("--json", metavar="OUT", help="Tray: write the result file; - is standard output."),
        ] = None,
        jsonl: Annotated[
            Path | None,
            typer.Option("--jsonl", metavar="OUT", help="Folder: one row a photo, as they come; a second run goes on."),
        ] = None,
        report: Annotated[
            Path | None, typer.Option("--report", metavar="OUT.html", help="Tray: write a report of all parts.")
        ] = None,
        picture: Annotated[
            Path | None,
            typer.Option("--picture", metavar="OUT.png|jpg", help="Tray: the photo with every part marked."),
        ] = None,
        units: Annotated[str, typer.Option("--units", metavar="mm|in", help="Units of lengths to read.")] = "mm",
        jobs: Annotated[int, typer.Option("--jobs", metavar="N", min=0, help="Side by side; 0 is one a core.")] = 0,
        limit: Annotated[
            int | None, typer.Option("--limit", min=1, metavar="N", help="Folder: the first N photos.")
        ] = None,
        fail_fast: Annotated[bool, typer.Option("--fail-fast", help="Folder: stop at the first fail.")] = False,
    ) -> None:
        """Inspect every part of a tray photo, or every photo of a folder."""
        from knurlsight.errors import KnurlsightError

        if target.is_dir():
            if json_out is not None or report is not None or picture is not None:
                raise KnurlsightError(
                    f"{target}: is a folder, its rows go to --jsonl; --json, --report, --picture are for a tray photo",
                    hint=f"knurlsight batch {target} --jsonl rows.jsonl",
                )
            words = [scale or "", scale_height]
            raise typer.Exit(_folder(target, setup, words, jsonl, jobs, limit, fail_fast))
        if jsonl is not None:
            raise KnurlsightError(f"{target}: a tray photo's result goes to --json", hint="--json tray.json")
        raise typer.Exit(_tray(target, setup, scale, scale_height, json_out, report, picture, units, jobs))


def _tray(
    target: Path,
    setup: Path | None,
    scale: str | None,
    scale_height: str,
    json_out: Path | None,
    report: Path | None,
    picture: Path | None,
    units: str,
    jobs: int,
) -> int:
    from photoscale.photo import load_photo

    from knurlsight.setup import read_setup
    from knurlsight.tray import inspect_tray
    from knurlsight.workers import worker_count, workers

    units_word = units_of(units)
    outputs = [o for o in (json_out, report, picture) if o is not None]
    check_outputs(outputs, picture, [target, *([setup] if setup is not None else [])])
    request = scale_request(scale, scale_height, None)
    wanted = read_setup(setup) if setup is not None else None
    photo = load_photo(target)
    with workers(worker_count(jobs)) as executor:
        inspection = inspect_tray(photo, wanted, request, executor)
    write_outputs(inspection, json_out, report, picture, units_word)
    if "-" not in (str(json_out), str(report)):
        say(tray_screen(inspection))
    for path in outputs:
        if str(path) != "-":
            typer.echo(f"written: {path}", err=True)
    return EXIT_STATUS[inspection.verdict]


def tray_screen(inspection: Inspection) -> str:
    """The verdict over the tray, then one line a part, the failed first."""
    from knurlsight.terminal import HEADS, seen_words

    counts = Counter(p.verdict for p in inspection.parts)
    summary = ", ".join(f"{counts[v]} {WORDS[v]}" for v in ("fail", "cannot_tell", "pass", None) if counts[v])
    arc = seen_words([p.pattern for p in inspection.parts])
    lines = [
        f"  {HEADS[inspection.verdict]}   {arc}".rstrip(),
        f"  {len(inspection.parts)} parts: {summary or 'none'}",
        "",
    ]
    if not inspection.parts:
        lines += [f"  {r}" for r in inspection.reasons]
    order = {"fail": 0, "cannot_tell": 1, "pass": 2, None: 3}
    for part in sorted(inspection.parts, key=lambda p: order[p.verdict]):
        why = part.reasons[0] if part.reasons else ""
        more = f" (and {len(part.reasons) - 1} more)" if len(part.reasons) > 1 else ""
        lines.append(f"  {part.id:4s} {WORDS[part.verdict]:12s} {why}{more}".rstrip())
    if inspection.scale is not None:
        lines += ["", f"  scale: {inspection.scale.source}"]
    elif inspection.parts and inspection.parts[0].no_lengths:
        lines += ["", f"  scale: none; {inspection.parts[0].no_lengths}"]
    return "\n".join(lines)


def _folder(
    target: Path,
    setup: Path | None,
    words: Sequence[str],
    jsonl: Path | None,
    jobs: int,
    limit: int | None,
    fail_fast: bool,
) -> int:
    from dataclasses import replace
    from functools import partial

    from knurlsight.folder import photos_below, read_rows, request_hash, run_folder
    from knurlsight.output import check_writable
    from knurlsight.setup import read_setup
    from knurlsight.workers import worker_count, workers

    wanted = read_setup(setup) if setup is not None else None
    request = scale_request(words[0] or None, words[1], None)
    found = photos_below(target)[:limit]
    asked = request_hash(wanted.content_hash if wanted is not None else "", words)
    if jsonl is not None:
        check_writable(jsonl, [setup] if setup is not None else [])
    done = read_rows(jsonl, asked) if jsonl is not None and str(jsonl) != "-" else {}

    inspect = partial(inspect_file, setup=wanted, request=request)
    rows: list[Row] = []
    progress = Progress(len(found))
    count = worker_count(jobs)
    with workers(count) as executor, Appender(jsonl) as appender:
        for row, is_new in run_folder(found, inspect, asked, executor, count, done):
            if is_new:
                appender.append(row)
            # the file has it all; the summary needs no more than why
            rows.append(replace(row, result={"reasons": row.result["reasons"][:1]}) if row.result else row)
            progress.show(row.verdict, is_new)
            if fail_fast and row.verdict == "fail":
                break
    progress.end()
    if str(jsonl) != "-":
        say(folder_screen(rows, len(found)))
    return folder_status(rows)


def inspect_file(path: Path, setup: Setup | None, request: ScaleRequest) -> tuple[str | None, dict[str, Any]]:
    """One photo from file to verdict and result; runs in a worker."""
    import json

    from photoscale.photo import load_photo

    from knurlsight.inspection import inspect_part
    from knurlsight.result import json_line, result_of

    inspection = inspect_part([load_photo(path)], setup, request)
    return inspection.verdict, json.loads(json_line(result_of(inspection)))


def folder_status(rows: Sequence[Row]) -> int:
    """1 if any part fails, else 3 if any cannot be told or read, else 0."""
    verdicts = {row.verdict for row in rows}
    if "fail" in verdicts:
        return 1
    return 3 if verdicts & {"cannot_tell", "unreadable"} else 0


def folder_screen(rows: Sequence[Row], wanted: int) -> str:
    """Counts, then one line a photo that is not a pass."""
    counts = Counter(row.verdict for row in rows)
    order = ("fail", "cannot_tell", "unreadable", "pass", None)
    summary = ", ".join(f"{counts[v]} {WORDS[v]}" for v in order if counts[v])
    lines = [f"  {len(rows)} of {wanted} photos: {summary}", ""]
    for row in sorted(rows, key=lambda r: (order.index(r.verdict), r.photo)):
        if row.verdict in ("pass", None):
            continue
        reasons = (row.result or {}).get("reasons") or []
        lines.append(f"  {row.photo}  {WORDS[row.verdict]}  {row.error or (reasons[0] if reasons else '')}".rstrip())
    return "\n".join(lines).rstrip()


class Appender:
    """Appends rows to a file, each on disk before the next; standard output for ``-``, nowhere for None."""

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self.file: Any = None

    def __enter__(self) -> Appender:
        if self.path is not None and str(self.path) != "-":
            self.file = self.path.open("ab")
        return self

    def __exit__(self, *_: object) -> None:
        if self.file is not None:
            self.file.close()

    def append(self, row: Row) -> None:
        """Write one row.

        Raises
        ------
        OutputError
            The disk is full or gone; what was written before stays.
        """
        import contextlib
        import os

        from knurlsight.errors import OutputError

        if self.path is None:
            return
        if self.file is None:
            say(row.line().rstrip("\n"))
            return
        begin = self.file.tell()
        try:
            self.file.write(row.line().encode())
            self.file.flush()
            os.fsync(self.file.fileno())
        except OSError as e:
            with contextlib.suppress(OSError):  # if this fails too, the next run cuts the broken line off
                self.file.truncate(begin)
            raise OutputError(
                f"{self.path}: cannot be written ({e.strerror or e}); the rows before stay",
                hint="make room, then give the same command again",
            ) from e


class Progress:
    """How far it is, on stderr: a line that is rewritten on a terminal, now and then a line elsewhere."""

    def __init__(self, total: int) -> None:
        import sys
        import time

        self.clock = time.monotonic
        self.total, self.seen, self.measured, self.fails = total, 0, 0, 0
        self.begin = self.said = self.clock()
        self.stream = sys.stderr

    def show(self, verdict: str | None, is_new: bool) -> None:
        """Count one photo."""
        self.seen += 1
        self.measured += is_new
        self.fails += verdict == "fail"
        now = self.clock()
        on_terminal = self.stream.isatty()
        if not on_terminal and now - self.said < 10 and self.seen < self.total:
            return
        self.said = now
        rate = self.measured / max(now - self.begin, 1e-6)
        left = (self.total - self.seen) / rate if rate else 0.0
        text = f"{self.seen} of {self.total}, {rate:.2f} a second, {left:.0f} s left, {self.fails} failed"
        self.stream.write(f"\r{text}\x1b[K" if on_terminal else f"{text}\n")
        self.stream.flush()

    def end(self) -> None:
        """Leave the line."""
        if self.stream.isatty():
            self.stream.write("\n")
