"""``knurlsight inspect``: one part, one or more photos, or a film."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knurlsight.commands.job_options import KeepInOption, OpOption, RecordOption, StoreOption, WhoOption
from knurlsight.commands.scale_options import (
    CameraDistanceOption,
    ScaleHeightOption,
    ScaleOption,
    ScalePhotoOption,
    one_word,
)

if TYPE_CHECKING:
    from photoscale.quantity import Quantity

    from knurlsight.inspection import Inspection, ScaleRequest
    from knurlsight.records.attach import Ticket
    from knurlsight.reporting import figures
    from knurlsight.setup_math.setup_model import Setup

EXIT_STATUS = {"pass": 0, "fail": 1, "cannot_tell": 3, None: 0}

TURN_HELP = (
    "The photos show one part turned by this step before a fixed camera: 60deg, or 60+-0.1deg with its standard "
    "uncertainty; auto finds the step from the pattern."
)
LIKE_HELP = (
    "Photo of a sample that stands for the setup: what differs, and whether more than the photos can tell apart."
)
STRIP_HELP = "Of a film: write the circumference rolled out, one turn from top to bottom."
LIKE_SCALE_HELP = "The sample's scale, where it is not as --scale says; an od: holds for one part only."
U_DISTANCE_MM = 5.0  # the lens's own centre lies somewhere inside it


def register(app: typer.Typer) -> None:
    """Add the command to an app."""

    @app.command()
    def inspect(
        photos: Annotated[
            list[Path],
            typer.Argument(
                metavar="PHOTO...", help="Photos of one part; several are repeats, or turns of it with --turn."
            ),
        ],
        setup: Annotated[
            Path | None,
            typer.Option(
                "--setup",
                metavar="S.toml",
                help="What was wanted; else what is kept with --job and --op; else nothing is judged.",
            ),
        ] = None,
        turn: Annotated[str | None, typer.Option("--turn", metavar="ANGLE|auto", help=TURN_HELP)] = None,
        like: Annotated[Path | None, typer.Option("--like", metavar="SAMPLE", help=LIKE_HELP)] = None,
        like_scale: Annotated[str | None, typer.Option("--like-scale", metavar="SPEC", help=LIKE_SCALE_HELP)] = None,
        scale: ScaleOption = None,
        scale_height: ScaleHeightOption = None,
        scale_photo: ScalePhotoOption = None,
        camera_distance: CameraDistanceOption = None,
        json_out: Annotated[
            Path | None, typer.Option("--json", metavar="OUT", help="Write the result file; - is standard output.")
        ] = None,
        report: Annotated[
            Path | None, typer.Option("--report", metavar="OUT.html", help="Write a report to look at, print or send.")
        ] = None,
        picture: Annotated[
            Path | None,
            typer.Option("--picture", metavar="OUT.png|jpg", help="Write the photo with the findings drawn."),
        ] = None,
        strip: Annotated[Path | None, typer.Option("--strip", metavar="OUT.png", help=STRIP_HELP)] = None,
        units: Annotated[str, typer.Option("--units", metavar="mm|in", help="Units of lengths to read.")] = "mm",
        job: KeepInOption = None,
        op: OpOption = None,
        record: RecordOption = None,
        who: WhoOption = None,
        store: StoreOption = None,
    ) -> None:
        """Inspect one knurled part from a photo and say pass, fail or cannot tell."""
        from knurlsight.records.attach import keep_inspection, kept_words, ticket
        from knurlsight.reporting.terminal import has_colour, screen

        units_word = units_of(units)
        asked = ticket(job, op, store, who, record or ())
        outputs = [o for o in (json_out, report, picture, strip) if o is not None]
        check_outputs(outputs, picture, [*photos, *(p for p in (setup, scale_photo, like) if p is not None)])
        request = scale_request(one_word(scale), one_word(scale_height), scale_photo, camera_distance)
        check_films(photos, turn, like, strip)
        rolled: bytes | None = None
        if like is not None:
            check_like(setup, turn, one_word(scale), like_scale)
            inspection = run_likeness(photos, like, request, like_scale)
        else:
            wanted = wanted_setup(setup, asked)
            if is_one_film(photos):
                inspection, rolled = run_film(photos[0], wanted, request)
            else:
                inspection = run_inspection(photos, wanted, request, turn)
        write_outputs(inspection, json_out, report, picture, units_word)
        if strip is not None:
            write_strip(strip, rolled)
        if str(json_out) != "-" and str(report) != "-":
            say(screen(inspection, units_word, colour=has_colour()))
        for path in outputs:
            if str(path) != "-" and not (path is strip and rolled is None):
                typer.echo(f"written: {path}", err=True)
        if asked is not None:
            typer.echo(kept_words(keep_inspection(asked, inspection, units_word)), err=True)
        raise typer.Exit(EXIT_STATUS[inspection.verdict])


def units_of(word: str) -> figures.Units:
    """``mm`` or ``in``, as typed."""
    from knurlsight.errors import UnitError

    match word.strip().lower():
        case "mm":
            return "mm"
        case "in" | "inch":
            return "in"
    raise UnitError(f"--units {word!r} is not known; lengths are shown in mm or in", hint="--units in")


def check_outputs(outputs: list[Path], picture: Path | None, inputs: list[Path]) -> None:
    """Refuse outputs that could not be written, before anything is measured."""
    from knurlsight.errors import OutputError
    from knurlsight.output import STDOUT, check_writable

    if sum(str(o) == STDOUT for o in outputs) > 1:
        raise OutputError("- (standard output) can take one output only; give the others a file name")
    files = [o.resolve() for o in outputs if str(o) != STDOUT]
    if len(set(files)) < len(files):
        raise OutputError("two outputs have the same file name; give each its own")
    if picture is not None and picture.suffix.lower() not in (".png", ".jpg", ".jpeg"):
        raise OutputError(f"{picture}: a picture is written as .png or .jpg", hint=str(picture.with_suffix(".png")))
    for path in outputs:
        check_writable(path, inputs)


def scale_request(
    scale: str | None, scale_height: str | None, scale_photo: Path | None, camera_distance: str | None = None
) -> ScaleRequest:
    """The scale's words and photo, read."""
    from photoscale.photo import load_photo
    from photoscale.words import parse_height, parse_scale

    from knurlsight.inspection import ScaleRequest

    word = parse_scale(scale) if scale is not None else None
    height = parse_height(scale_height or "bench")
    distance = distance_of(camera_distance) if camera_distance is not None else None
    return ScaleRequest(word, height, load_photo(scale_photo) if scale_photo is not None else None, distance)


def distance_of(words: str) -> Quantity:
    """A measured camera distance, ``300mm`` or ``300+-2mm``; 5 mm standard uncertainty when none is stated."""
    from photoscale.quantity import Quantity

    from knurlsight.errors import UnitError
    from knurlsight.units import parse_with_plus_minus

    value, u = parse_with_plus_minus(words)
    if not 20 <= value <= 5000:
        raise UnitError(
            f"--camera-distance {words!r}: {value:g} mm is outside 20 to 5000 mm", hint="--camera-distance 300mm"
        )
    return Quantity(value, u if u is not None else U_DISTANCE_MM, "mm")


def wanted_setup(setup: Path | None, asked: Ticket | None) -> Setup | None:
    """The setup named, else the one kept with the operation of the job, which is said."""
    from knurlsight.records.attach import setup_of
    from knurlsight.setup_math.setup import read_setup

    if setup is not None:
        return read_setup(setup)
    kept = setup_of(asked) if asked is not None else None
    if kept is not None and asked is not None:
        typer.echo(f"setup: as kept with job {asked.job}, operation {asked.op}", err=True)
    return kept


def run_inspection(
    photos: list[Path], wanted: Setup | None, request: ScaleRequest, turn: str | None = None
) -> Inspection:
    """Read the photos, then inspect."""
    from photoscale.photo import load_photo

    from knurlsight.inspection import inspect_part

    if turn is not None:
        from knurlsight.joining.step_words import turn_step
        from knurlsight.joining.turns import inspect_turned

        step = turn_step(turn, len(photos))
        return inspect_turned([load_photo(p) for p in photos], step, wanted, request)
    return inspect_part([load_photo(p) for p in photos], wanted, request)


def is_one_film(photos: list[Path]) -> bool:
    """Whether a film was named; told by the name, so that no video code is loaded for photos."""
    from knurlsight.joining.film_reading import is_film

    return len(photos) == 1 and is_film(photos[0])


def check_films(photos: list[Path], turn: str | None, like: Path | None, strip: Path | None) -> None:
    """Refuse what does not go with a film, or only with one."""
    from knurlsight.errors import RequestError
    from knurlsight.joining.film_reading import is_film

    films = [p for p in photos if is_film(p)]
    if films and len(photos) > 1:
        raise RequestError(f"{films[0]}: a film is inspected alone; name it without other photos or films")
    if films and (turn is not None or like is not None):
        other = "--turn" if turn is not None else "--like"
        raise RequestError(f"{films[0]}: {other} is for photos; a film shows by itself how the part turned")
    if strip is not None and not films:
        raise RequestError("--strip is rolled out from a film; name a film of the part turning")
    if strip is not None and strip.suffix.lower() != ".png":
        raise RequestError(f"{strip}: the strip is written as .png", hint=f"--strip {strip.with_suffix('.png')}")


def run_film(film: Path, wanted: Setup | None, request: ScaleRequest) -> tuple[Inspection, bytes | None]:
    """Read and inspect a film; the strip as PNG, None where nothing could be rolled out."""
    from knurlsight.joining.film import inspect_film
    from knurlsight.reporting.pictures import encoded

    seen = inspect_film(film, wanted, request)
    return seen.inspection, encoded(seen.strip, ".png") if seen.strip is not None else None


def write_strip(path: Path, rolled: bytes | None) -> None:
    """The strip, where there is one; its absence is said, not a fault."""
    from knurlsight.output import write_bytes

    if rolled is None:
        typer.echo(f"not written: {path}: no pattern was found to roll out", err=True)
    else:
        write_bytes(path, rolled)


def check_like(setup: Path | None, turn: str | None, scale: str | None, like_scale: str | None) -> None:
    """Refuse what does not go with a sample."""
    from photoscale.words import DiameterWord, each_word, parse_scale

    from knurlsight.errors import RequestError

    if setup is not None or turn is not None:
        other = "--setup" if setup is not None else "--turn"
        raise RequestError(
            f"--like and {other} do not go together: the sample stands for the setup of one side of a part"
        )
    words = each_word(parse_scale(scale) if scale is not None else None)
    if like_scale is None and any(isinstance(word, DiameterWord) for word in words):
        raise RequestError("an od: is of one part only; give the sample's own diameter", hint="--like-scale od:25.02mm")


def run_likeness(photos: list[Path], like: Path, request: ScaleRequest, like_scale: str | None) -> Inspection:
    """Read part and sample, then hold the one against the other."""
    from photoscale.photo import load_photo
    from photoscale.words import parse_scale

    from knurlsight.inspection import ScaleRequest
    from knurlsight.joining.likeness import inspect_like

    word = parse_scale(like_scale) if like_scale is not None else request.word
    # a scale in another photo, a height or a distance are of the part's own picture
    own = ScaleRequest(word) if like_scale is not None else request
    return inspect_like([load_photo(p) for p in photos], load_photo(like), request, own)


def write_outputs(
    inspection: Inspection, json_out: Path | None, report: Path | None, picture: Path | None, units: figures.Units
) -> None:
    """Make every output first, then write them all: a failure leaves none half done."""
    from knurlsight.output import write_bytes

    made: list[tuple[Path, bytes]] = []
    if json_out is not None:
        from knurlsight.result import json_text, result_of

        made.append((json_out, json_text(result_of(inspection)).encode()))
    if picture is not None:
        from knurlsight.exchange.inspected import Inspected
        from knurlsight.exchange.picture_note import note_of, with_note
        from knurlsight.reporting.pictures import annotated, encoded
        from knurlsight.result import result_of

        drawn = encoded(annotated(inspection, units), picture.suffix)
        made.append((picture, with_note(drawn, note_of(Inspected(result_of(inspection))))))
    if report is not None:
        from knurlsight.reporting.report import html

        made.append((report, html(inspection, units).encode()))
    for path, data in made:
        write_bytes(path, data)


def say(text: str) -> None:
    """Text to standard output; a reader that hangs up (`| head`) does not change the verdict."""
    import os
    import sys

    try:
        sys.stdout.write(text + "\n")
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
