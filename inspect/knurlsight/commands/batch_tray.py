"""`batch` on a photo of many parts: measured, written, said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import typer
from photoscale.photo import load_photo

from knurlsight.batch.job import Ask
from knurlsight.batch.lines import lines_of_tray
from knurlsight.batch.progress import Progress
from knurlsight.batch.screen import tray_screen
from knurlsight.batch.tray import inspect_tray, missing
from knurlsight.batch.tray_file import read_tray, tray_text
from knurlsight.batch.workers import LocalPool, worker_count
from knurlsight.commands import batch_outputs
from knurlsight.commands.batch_outputs import Wanted
from knurlsight.commands.inspect_command import EXIT_STATUS, check_outputs, say, write_outputs
from knurlsight.inspection import Inspection, PartInspection
from knurlsight.measuring.trace import zone_corners
from knurlsight.output import write_text
from knurlsight.records.attach import keep_inspection, kept_words
from knurlsight.result import result_of


@dataclass(frozen=True)
class TrayOutputs:
    """Files that only a tray has."""

    json: Path | None = None
    report: Path | None = None
    picture: Path | None = None
    tray: Path | None = None

    @property
    def files(self) -> list[Path]:
        """Those that were asked for."""
        return [p for p in (self.json, self.report, self.picture, self.tray) if p is not None]


def batch_tray(wanted: Wanted, ask: Ask, out: TrayOutputs, tray: Path | None, inputs: Sequence[Path], jobs: int) -> int:
    """Inspect a tray photo and write what was asked for; the exit status."""
    check_outputs(out.files, out.picture, [wanted.target, *inputs])
    places = read_tray(tray) if tray is not None else None
    photo = load_photo(wanted.target)
    progress = Progress(None, "parts")

    def each(part: PartInspection, of: int) -> None:
        progress.total = of
        progress.show(part.verdict)

    with LocalPool(worker_count(jobs)) as pool:
        inspection = inspect_tray(photo, ask.setup, ask.read(), pool, places, each)
    progress.end()
    write_outputs(inspection, out.json, out.report, out.picture, wanted.units)
    if out.tray is not None:
        write_text(out.tray, _tray_text(inspection, wanted.target.name))
    absent = [m for m in missing(places, [p.id for p in inspection.parts]) if m in inspection.reasons]
    split = [(part, why) for part, _, why in (line.partition(": ") for line in absent)]
    lines = lines_of_tray(result_of(inspection).model_dump(mode="json"), str(wanted.target), split)
    if "-" not in (str(out.json), str(out.report)):
        say(tray_screen(inspection, lines, wanted.units))
    for path in out.files:
        if str(path) != "-":
            typer.echo(f"written: {path}", err=True)
    batch_outputs.write(wanted, lines)
    if wanted.ticket is not None:
        typer.echo(kept_words(keep_inspection(wanted.ticket, inspection, wanted.units)), err=True)
    return EXIT_STATUS[inspection.verdict]


def _tray_text(inspection: Inspection, photo: str) -> str:
    places = [(p.id, zone_corners(p.pattern.outline).mean(axis=0).tolist()) for p in inspection.parts]
    return tray_text(places, "photo", photo)
