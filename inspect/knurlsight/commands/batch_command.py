"""``knurlsight batch``: every part of a tray photo, or every photo of a folder or list."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knurlsight.commands.inspect_command import (
    EXIT_STATUS,
    check_outputs,
    say,
    units_of,
    write_outputs,
)
from knurlsight.commands.job_options import KeepInOption, OpOption, RecordOption, StoreOption, WhoOption
from knurlsight.commands.scale_options import (
    CameraDistanceOption,
    ScaleHeightOption,
    ScaleOption,
    ScalePhotoOption,
    one_word,
)

if TYPE_CHECKING:
    import threading

    from knurlsight.batch.job import Ask, Job, Row
    from knurlsight.batch.lines import PartLine
    from knurlsight.batch.workers import Pool
    from knurlsight.inspection import Inspection
    from knurlsight.records.attach import Ticket
    from knurlsight.reporting.figures import Units

LIST_ENDINGS = (".csv", ".toml")
ROW_ENDING = ".jsonl"
SUMMARY_ENDINGS = (".html", ".csv", ".parquet")


def register(app: typer.Typer) -> None:
    """Add the command to an app."""

    @app.command()
    def batch(
        target: Annotated[
            Path,
            typer.Argument(
                metavar="TRAY.jpg|FOLDER|LIST.csv|ROWS.jsonl",
                help="A photo of many parts, a folder of photos, a job list (.csv, .toml), or rows to sum up again.",
            ),
        ],
        setup: Annotated[
            Path | None, typer.Option("--setup", metavar="S.toml", help="What was wanted of every part.")
        ] = None,
        scale: ScaleOption = None,
        scale_height: ScaleHeightOption = None,
        scale_photo: ScalePhotoOption = None,
        camera_distance: CameraDistanceOption = None,
        json_out: Annotated[
            Path | None,
            typer.Option("--json", metavar="OUT", help="Tray: write the result file; - is standard output."),
        ] = None,
        jsonl: Annotated[
            Path | None,
            typer.Option("--jsonl", metavar="OUT", help="Folder: one row a part, as they come; a second run goes on."),
        ] = None,
        report: Annotated[
            Path | None, typer.Option("--report", metavar="OUT.html", help="Tray: write a report of all parts.")
        ] = None,
        picture: Annotated[
            Path | None,
            typer.Option("--picture", metavar="OUT.png|jpg", help="Tray: the photo with every part marked."),
        ] = None,
        summary: Annotated[
            list[Path] | None,
            typer.Option(
                "--summary",
                metavar="OUT.html|csv|parquet",
                help="Verdicts, figures with Pp and Ppk, run charts and faults; may be repeated.",
            ),
        ] = None,
        tiles: Annotated[
            Path | None,
            typer.Option("--tiles", metavar="OUT.png|jpg", help="A tile of every part that failed or cannot be told."),
        ] = None,
        subgroup: Annotated[
            int, typer.Option("--subgroup", metavar="N", min=1, max=10, help="Parts to a point of the run charts.")
        ] = 1,
        tray: Annotated[
            Path | None,
            typer.Option("--tray", metavar="TRAY.toml", help="Tray: its places, the parts expected, their setups."),
        ] = None,
        tray_out: Annotated[
            Path | None,
            typer.Option("--tray-out", metavar="TRAY.toml", help="Tray: write a tray file from this full tray."),
        ] = None,
        group: Annotated[
            str | None,
            typer.Option(
                "--group",
                metavar="PATTERN",
                help="Folder: photos of one part by their names, such as '{part}_*' for a12_1.jpg, a12_2.jpg.",
            ),
        ] = None,
        watch: Annotated[
            bool, typer.Option("--watch", help="Folder: go on with every photo that arrives, until Ctrl-C.")
        ] = False,
        only_failed: Annotated[
            Path | None,
            typer.Option("--only-failed", metavar="ROWS.jsonl", help="Only what is not a pass in these earlier rows."),
        ] = None,
        limit: Annotated[
            int | None, typer.Option("--limit", min=1, metavar="N", help="Folder: the first N parts.")
        ] = None,
        fail_fast: Annotated[bool, typer.Option("--fail-fast", help="Folder: stop at the first fail.")] = False,
        jobs: Annotated[int, typer.Option("--jobs", metavar="N", min=0, help="Side by side; 0 is one a core.")] = 0,
        cluster: Annotated[
            str | None,
            typer.Option(
                "--cluster",
                metavar="tls://HOST:PORT",
                help="Measure on a Dask cluster. A scheduler runs code for anyone who reaches it: TLS with client "
                "certificates, or tcp:// on this machine, nothing else.",
            ),
        ] = None,
        send: Annotated[
            bool, typer.Option("--send", help="Send the photos to the cluster, whose machines do not see the files.")
        ] = False,
        units: Annotated[str, typer.Option("--units", metavar="mm|in", help="Units of lengths to read.")] = "mm",
        job: KeepInOption = None,
        op: OpOption = None,
        record: RecordOption = None,
        who: WhoOption = None,
        store: StoreOption = None,
    ) -> None:
        """Inspect every part of a tray photo, or every photo of a folder or list."""
        from knurlsight.batch.job import Ask
        from knurlsight.errors import KnurlsightError
        from knurlsight.records.attach import ticket
        from knurlsight.setup_math.setup import read_setup

        shown = units_of(units)
        ending = target.suffix.lower()
        is_tray = not target.is_dir() and ending not in (*LIST_ENDINGS, ROW_ENDING)
        given = {
            "--json": json_out, "--report": report, "--picture": picture, "--tray": tray, "--tray-out": tray_out,
        }  # fmt: skip
        if not is_tray and any(value is not None for value in given.values()):
            names = ", ".join(name for name, value in given.items() if value is not None)
            raise KnurlsightError(
                f"{target}: its rows go to --jsonl; {names} is for a tray photo",
                hint=f"knurlsight batch {target} --jsonl rows.jsonl",
            )
        if is_tray and jsonl is not None:
            raise KnurlsightError(f"{target}: a tray photo's result goes to --json", hint="--json tray.json")
        of_folder = {"--group": group, "--watch": watch or None}
        if not target.is_dir() and any(value is not None for value in of_folder.values()):
            names = ", ".join(name for name, value in of_folder.items() if value is not None)
            raise KnurlsightError(f"{target}: is no folder, and {names} is for one")
        if watch and group is not None:
            raise KnurlsightError("--watch and --group: a group may still be growing; give one of them")
        if send and cluster is None:
            raise KnurlsightError("--send is for --cluster; photos here are read where they are")
        if send and scale_photo is not None:
            raise KnurlsightError(
                "--send and --scale-photo: the scale photo is not sent; put it where every machine finds it"
            )
        wanted = Wanted(target, summary or [], tiles, subgroup, shown, ticket(job, op, store, who, record or ()))
        inputs = [p for p in (setup, scale_photo, tray, only_failed) if p is not None]
        wanted.check([*inputs, *([] if target.is_dir() else [target])], [p for p in (json_out, report, picture) if p])
        if ending == ROW_ENDING:
            if wanted.ticket is not None:
                raise KnurlsightError(f"{target}: rows are summed up, not measured; --job keeps what is measured")
            raise typer.Exit(_sum_up(wanted))
        words = one_word(scale), one_word(scale_height) or "bench"
        ask = Ask(read_setup(setup) if setup is not None else None, *words, scale_photo, camera_distance)
        ask.read()
        if is_tray:
            outputs = TrayOutputs(json_out, report, picture, tray_out)
            raise typer.Exit(_tray(wanted, ask, outputs, tray, inputs, jobs))
        run = Run(jsonl, limit, fail_fast, only_failed, watch, group)
        raise typer.Exit(_folder(wanted, ask, run, inputs, lambda see: _pool(cluster, send, jobs, see), send))


class Wanted:
    """What is made of all parts together, whichever way they came."""

    def __init__(
        self,
        target: Path,
        summaries: Sequence[Path],
        tiles: Path | None,
        subgroup: int,
        units: Units,
        ticket: Ticket | None,
    ) -> None:
        self.target, self.summaries, self.tiles = target, summaries, tiles
        self.subgroup, self.units, self.ticket = subgroup, units, ticket

    def check(self, inputs: list[Path], others: list[Path]) -> None:
        """Refuse outputs that could not be written, before anything is measured."""
        from knurlsight.errors import OutputError

        for path in self.summaries:
            if path.suffix.lower() not in SUMMARY_ENDINGS:
                raise OutputError(
                    f"{path}: a summary is written as {', '.join(SUMMARY_ENDINGS)}", hint="--summary batch.html"
                )
        outputs = [*self.summaries, *([self.tiles] if self.tiles is not None else []), *others]
        check_outputs(outputs, self.tiles, inputs)

    def write(self, lines: Sequence[PartLine], files: Callable[[str], Path]) -> None:
        """Make every output first, then write them all; where a line's photo is, `files` knows."""
        from knurlsight.output import write_bytes

        made: list[tuple[Path, bytes]] = []
        shown: list[tuple[PartLine, object]] = []
        if self.tiles is not None or any(p.suffix.lower() == ".html" for p in self.summaries):
            from knurlsight.batch.tiles import failed_lines, tiles

            failed = failed_lines(lines)
            shown = list(tiles(failed, {line.photo: files(line.photo) for line in failed}))
        for path in self.summaries:
            made.append((path, self._summary(path, lines, shown)))
        if self.tiles is not None:
            from knurlsight.batch.tiles import sheet
            from knurlsight.reporting.pictures import encoded

            made.append((self.tiles, encoded(sheet(shown), self.tiles.suffix)))  # type: ignore[arg-type]
        for path, data in made:
            write_bytes(path, data)
            typer.echo(f"written: {path}", err=True)

    def _summary(self, path: Path, lines: Sequence[PartLine], shown: Sequence[tuple[PartLine, object]]) -> bytes:
        from knurlsight.batch import summary_table

        if path.suffix.lower() == ".csv":
            return summary_table.csv_bytes(lines)
        if path.suffix.lower() == ".parquet":
            return summary_table.parquet_bytes(lines)
        from knurlsight.batch.summary import summarise
        from knurlsight.batch.summary_page import html

        whole = summarise(lines, self.subgroup)
        return html(whole, self.target.name, shown, self.units).encode()  # type: ignore[arg-type]


# --- a tray ----------------------------------------------------------------------------------------------------------


class TrayOutputs:
    """Files of a tray alone."""

    def __init__(self, json: Path | None, report: Path | None, picture: Path | None, tray: Path | None) -> None:
        self.json, self.report, self.picture, self.tray = json, report, picture, tray

    def files(self) -> list[Path]:
        """Those that were asked for."""
        return [p for p in (self.json, self.report, self.picture, self.tray) if p is not None]


def _tray(wanted: Wanted, ask: Ask, out: TrayOutputs, tray: Path | None, inputs: list[Path], jobs: int) -> int:
    from photoscale.photo import load_photo

    from knurlsight.batch.lines import lines_of_tray
    from knurlsight.batch.progress import Progress
    from knurlsight.batch.tray import inspect_tray, missing
    from knurlsight.batch.tray_file import read_tray
    from knurlsight.batch.workers import LocalPool, worker_count
    from knurlsight.output import write_text
    from knurlsight.result import result_of

    check_outputs(out.files(), out.picture, [wanted.target, *inputs])
    places = read_tray(tray) if tray is not None else None
    photo = load_photo(wanted.target)
    progress = Progress(None, "parts")

    def each(part: object, of: int) -> None:
        progress.total = of
        progress.show(getattr(part, "verdict", None))

    with LocalPool(worker_count(jobs)) as pool:
        inspection = inspect_tray(photo, ask.setup, ask.read(), pool, places, each)
    progress.end()
    write_outputs(inspection, out.json, out.report, out.picture, wanted.units)
    if out.tray is not None:
        write_text(out.tray, _tray_text(inspection, wanted.target.name))
    absent = [m for m in missing(places, [p.id for p in inspection.parts]) if m in inspection.reasons]
    result = result_of(inspection).model_dump(mode="json")
    photo_name = str(wanted.target)
    lines = lines_of_tray(result, photo_name, [tuple(line.split(": ", 1)) for line in absent])  # type: ignore[misc]
    if "-" not in (str(out.json), str(out.report)):
        say(tray_screen(inspection, lines, wanted.units))
    for path in out.files():
        if str(path) != "-":
            typer.echo(f"written: {path}", err=True)
    wanted.write(lines, Path)
    if wanted.ticket is not None:
        from knurlsight.records.attach import keep_inspection, kept_words

        typer.echo(kept_words(keep_inspection(wanted.ticket, inspection, wanted.units)), err=True)
    return EXIT_STATUS[inspection.verdict]


def _tray_text(inspection: Inspection, photo: str) -> str:
    from knurlsight.batch.tray_file import tray_text
    from knurlsight.measuring.trace import zone_corners

    places = [(p.id, zone_corners(p.pattern.outline).mean(axis=0).tolist()) for p in inspection.parts]
    return tray_text(places, "photo", photo)


def tray_screen(inspection: Inspection, lines: Sequence[PartLine], units: Units = "mm") -> str:
    """The verdict over the tray, then one line a part, the failed first."""
    from knurlsight.batch.screen import counts_words, loud, spread_table
    from knurlsight.batch.summary import VERDICTS, summarise
    from knurlsight.reporting.terminal import HEADS, seen_words

    whole = summarise(lines)
    arc = seen_words([p.pattern for p in inspection.parts])
    text = [
        f"  {HEADS[inspection.verdict]}   {arc}".rstrip(),
        f"  {len(inspection.parts)} parts: {counts_words(whole)}",
        *spread_table(whole, units),
        "",
    ]
    said = {f"{line.id}: {why}" for line in lines for why in line.why}
    text += [f"  {r}" for r in inspection.reasons if r not in said and (r not in lines[0].why if lines else True)]
    width = max([4, *(len(line.id) for line in lines)])
    for line in sorted(lines, key=lambda p: VERDICTS.index(p.verdict)):
        more = f" (and {len(line.why) - 1} more)" if len(line.why) > 1 else ""
        why = line.why[0] if line.why else ""
        text.append(f"  {line.id:{width}s} {loud(line.verdict):12s} {why}{more}".rstrip())
    if inspection.scale is not None:
        text += ["", f"  scale: {inspection.scale.source}"]
    elif inspection.parts and inspection.parts[0].no_lengths:
        text += ["", f"  scale: none; {inspection.parts[0].no_lengths}"]
    return "\n".join(text)


# --- a folder or a list ----------------------------------------------------------------------------------------------


class Run:
    """How a folder or list is gone through."""

    def __init__(
        self,
        jsonl: Path | None,
        limit: int | None,
        fail_fast: bool,
        only_failed: Path | None,
        watch: bool,
        group: str | None,
    ) -> None:
        self.jsonl, self.limit, self.fail_fast = jsonl, limit, fail_fast
        self.only_failed, self.watch, self.group = only_failed, watch, group


def _folder(
    wanted: Wanted, ask: Ask, run: Run, inputs: list[Path], open_pool: Callable[[Path | None], Pool], send: bool
) -> int:
    from knurlsight.batch.job import no_row
    from knurlsight.batch.lines import line_of_row
    from knurlsight.batch.progress import Progress
    from knurlsight.batch.rows import RowFile, read_done
    from knurlsight.batch.run import run_jobs
    from knurlsight.batch.screen import batch_screen
    from knurlsight.batch.summary import summarise
    from knurlsight.output import check_writable

    if run.jsonl is not None:
        check_writable(run.jsonl, [*inputs, *([] if wanted.target.is_dir() else [wanted.target])])
    found, closed = _jobs(wanted.target, ask, run)
    lines: dict[str, PartLine] = {}

    def keep(row: Row) -> None:
        lines[row.id] = line_of_row(row)

    keep_with_job = _keeper(wanted.ticket)
    is_file = run.jsonl is not None and str(run.jsonl) != "-"
    requests = {job.ask.request for job in found} | {ask.request}
    # locked before it is read: two runs on one file would measure everything twice
    with RowFile(run.jsonl) as rows, _stop_on_signals(run.watch) as stop:
        done = read_done(run.jsonl, requests, keep) if is_file and run.jsonl is not None else None
        earlier, lines = lines, {}
        progress = Progress(None if run.watch else len(found))
        every = _arrivals(wanted.target, ask, run, stop) if run.watch else iter(found)
        pool = open_pool(found[0].photos[0] if found else None)
        with pool:
            for path, why in closed:
                keep(no_row(_closed_job(path, ask), f"{path}: cannot be looked into ({why})"))
            for row, is_new in run_jobs(every, pool, done, send=send):
                if is_new:
                    rows.append(row)
                    keep(row)
                else:
                    lines[row.id] = earlier[row.id]
                keep_with_job(row)
                progress.show(row.verdict, is_new)
                if run.fail_fast and row.verdict == "fail":
                    break
        progress.end()
    ordered = list(lines.values()) if run.watch else _in_order(lines, found)
    if str(run.jsonl) != "-":
        total = len(lines) if run.watch else len(found) + len(closed)
        say(batch_screen(summarise(ordered, wanted.subgroup), total, wanted.units))
    wanted.write(ordered, Path)
    return status_of(ordered)


def _keeper(asked: Ticket | None) -> Callable[[Row], None]:
    """What keeps a row with the job, once: also one that an interrupted run measured but did not keep."""
    if asked is None:
        return lambda row: None
    from knurlsight.records.attach import keep_result, kept_photos

    kept = kept_photos(asked)

    def keep(row: Row) -> None:
        if row.result is not None and not kept.issuperset(p["sha256"] for p in row.result["photos"]):
            keep_result(asked, row.result, [Path(photo) for photo in row.photos])

    return keep


def _jobs(target: Path, ask: Ask, run: Run) -> tuple[tuple[Job, ...], tuple[tuple[Path, str], ...]]:
    """What there is to do, and folders that could not be looked into."""
    from knurlsight.batch.folder import jobs_of, photos_below, scan
    from knurlsight.batch.job_list import read_job_list
    from knurlsight.batch.rows import rows_in
    from knurlsight.errors import KnurlsightError

    closed: tuple[tuple[Path, str], ...] = ()
    if target.is_dir():
        folder = scan(target) if run.watch else photos_below(target)
        found, closed = jobs_of(target, folder.photos, ask, run.group), folder.closed
    else:
        found = read_job_list(target, ask)
    if run.only_failed is not None:
        verdicts = {row.id: row.verdict for row in rows_in(run.only_failed)}
        found = tuple(job for job in found if verdicts.get(job.id) in ("fail", "cannot_tell", "unreadable"))
        closed = ()
        if not found:
            raise KnurlsightError(f"{run.only_failed}: no part of {target} is in it that is not a pass")
    return found[: run.limit], closed


def _closed_job(path: Path, ask: Ask) -> Job:
    from knurlsight.batch.job import Job

    return Job(f"{path}/", (path,), ask)


def _arrivals(folder: Path, ask: Ask, run: Run, stop: threading.Event) -> Iterator[Job | None]:
    """What is there already, then what arrives."""
    from knurlsight.batch.folder import jobs_of
    from knurlsight.batch.watch import arriving

    count = 0
    typer.echo(f"watching {folder}; Ctrl-C ends it", err=True)
    for path in arriving(folder, stop):
        if stop.is_set():
            return
        if path is None:
            yield None
            continue
        yield from jobs_of(folder, [path], ask)
        count += 1
        if run.limit is not None and count >= run.limit:
            return


@contextlib.contextmanager
def _stop_on_signals(wanted: bool) -> Iterator[threading.Event]:
    """While a folder is watched, Ctrl-C and SIGTERM are its normal end; a second one interrupts what still goes on."""
    import signal
    import threading

    stop = threading.Event()
    if not wanted:
        yield stop
        return

    def handle(number: int, frame: object) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()

    before = {number: signal.signal(number, handle) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _pool(cluster: str | None, send: bool, jobs: int, must_see: Path | None) -> Pool:
    if cluster is not None:
        from knurlsight.batch.cluster import ClusterPool

        return ClusterPool(cluster, None if send or must_see is None else must_see.resolve())
    from knurlsight.batch.workers import LocalPool, worker_count

    return LocalPool(worker_count(jobs))


def _in_order(lines: dict[str, PartLine], jobs: Iterable[Job]) -> list[PartLine]:
    """Lines in the order of the jobs; what belongs to none, such as a closed folder, last."""
    ordered = [lines[job.id] for job in jobs if job.id in lines]
    known = {line.id for line in ordered}
    return ordered + [line for line in lines.values() if line.id not in known]


def status_of(lines: Sequence[PartLine]) -> int:
    """1 if any part fails, else 3 if any cannot be told or read or is missing, else 0."""
    verdicts = {line.verdict for line in lines}
    if "fail" in verdicts:
        return 1
    return 3 if verdicts & {"cannot_tell", "unreadable", "missing"} else 0


def _sum_up(wanted: Wanted) -> int:
    """The summary again, from rows that were written before."""
    from knurlsight.batch.lines import line_of_row
    from knurlsight.batch.rows import rows_in
    from knurlsight.batch.screen import batch_screen
    from knurlsight.batch.summary import summarise

    by_id = {row.id: line_of_row(row) for row in rows_in(wanted.target)}
    lines = [by_id[part_id] for part_id in sorted(by_id)]
    say(batch_screen(summarise(lines, wanted.subgroup), len(lines), wanted.units, "parts"))
    wanted.write(lines, Path)
    return status_of(lines)
