"""``knurlsight rig``: measure a fixed camera set-up once, then use it as the scale (``--scale rig:NAME``)."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from photoscale.card import CardReading
    from photoscale.photo import Photo

CARD_HELP = "The card in the photos, with its square by caliper: card:9.87mm."


def register(app: typer.Typer) -> None:
    """Add the command, with commands of its own, to an app."""
    rig = typer.Typer(rich_markup_mode=None, no_args_is_help=True, help="Measure and keep a fixed camera set-up.")
    app.add_typer(rig, name="rig")

    @app.callback()
    def alone() -> None:
        """Holds the group where it is the only command."""

    @rig.command()
    def make(
        name: Annotated[str, typer.Argument(metavar="NAME", help="What to call it: letters, digits, - and _.")],
        photos: Annotated[
            list[Path], typer.Argument(metavar="PHOTO...", help="The card: first flat on the bench, then tilted.")
        ],
        card: Annotated[str, typer.Option("--card", metavar="SPEC", help=CARD_HELP)] = "card",
        coverage: Annotated[
            Path | None,
            typer.Option("--coverage", metavar="OUT.png", help="Picture of where in the frame corners were seen."),
        ] = None,
    ) -> None:
        """Measure a camera stand from photos of the card and keep it under a name."""
        from photoscale.errors import RigError
        from photoscale.photo import load_photo
        from photoscale.rig import save_rig, solve_rig
        from photoscale.rig_coverage import coverage_png

        from knurlsight.errors import OutputError
        from knurlsight.output import check_writable, write_bytes

        if coverage is not None:
            if coverage.suffix.lower() != ".png":
                raise OutputError(f"{coverage}: the picture is written as .png", hint="--coverage corners.png")
            check_writable(coverage, photos)
        loaded = [load_photo(p) for p in photos]
        sizes = {(p.width_px, p.height_px) for p in loaded}
        if len(sizes) > 1:
            raise RigError("the photos differ in size", "take all with the same camera, neither zoomed nor turned")
        size, cards = sizes.pop(), [_card_in(p, card) for p in loaded]
        if coverage is not None:  # also where the photos make no rig: it shows what they lack
            write_bytes(coverage, coverage_png(size, cards))
            typer.echo(f"written: {coverage}", err=True)
        made = solve_rig(name, size, cards)
        path = save_rig(made)
        typer.echo(f"rig {name}: corners fit to {made.rms_px:.2f} px over {100 * made.coverage:.0f} % of the frame")
        for note in made.notes:
            typer.echo(f"note: {note}")
        typer.echo(f"written: {path}; use it with --scale rig:{name}", err=True)

    @rig.command()
    def check(
        name: Annotated[str, typer.Argument(metavar="NAME", help="Of the rig.")],
        photo: Annotated[Path, typer.Argument(metavar="PHOTO", help="The card flat on the bench again.")],
        card: Annotated[str, typer.Option("--card", metavar="SPEC", help=CARD_HELP)] = "card",
    ) -> None:
        """See whether the stand has moved since; status 1 when it has."""
        from photoscale.photo import load_photo
        from photoscale.rig import check_rig, load_rig

        seen = load_photo(photo)
        checked = check_rig(load_rig(name), (seen.width_px, seen.height_px), _card_in(seen, card))
        typer.echo(f"rig {name}: {checked.words}")
        raise typer.Exit(0 if checked.holds else 1)

    @rig.command(name="list")
    def list_all() -> None:
        """Print the names of the rigs kept here."""
        from photoscale.rig import list_rigs, rig_folder

        names = list_rigs()
        typer.echo("\n".join(names) if names else f"no rig is kept in {rig_folder()}")

    @rig.command()
    def show(name: Annotated[str, typer.Argument(metavar="NAME", help="Of the rig.")]) -> None:
        """Print what a rig knows of its camera, with k = 2."""
        from photoscale.rig import load_rig

        kept = load_rig(name)
        lens = kept.camera
        typer.echo(f"rig {name}: photos of {kept.width_px} x {kept.height_px} px")
        typer.echo(f"focal length {lens.focal_px:.1f} ± {2 * lens.u_focal_rel * lens.focal_px:.1f} px")
        typer.echo(f"centre ({lens.centre_px[0]:.1f}, {lens.centre_px[1]:.1f}) ± {2 * kept.u_centre_px:.1f} px")
        figures = zip(("k1", "k2", "p1", "p2"), lens.distortion, kept.u_distortion, strict=True)
        typer.echo("distortion " + ", ".join(f"{word} {k:+.4f} ± {2 * u:.4f}" for word, k, u in figures))
        typer.echo(f"corners fit to {kept.rms_px:.2f} px over {100 * kept.coverage:.0f} % of the frame")
        out = ", ".join(f"{r:.2f}" for r in kept.left_out_px)
        typer.echo(f"each photo against a camera made without it: {out} px")
        for note in kept.notes:
            typer.echo(f"note: {note}")

    @rig.command()
    def delete(name: Annotated[str, typer.Argument(metavar="NAME", help="Of the rig.")]) -> None:
        """Forget a rig."""
        from photoscale.rig import delete_rig

        delete_rig(name)
        typer.echo(f"deleted: rig {name}", err=True)


def _card_in(photo: Photo, word: str) -> CardReading:
    """The card in a photo; unlike in an inspection, without it there is nothing to go on with."""
    from photoscale.card import find_card
    from photoscale.errors import ScaleNotFound, ScaleWordError
    from photoscale.words import CardWord, parse_scale

    parsed = parse_scale(word)
    if not isinstance(parsed, CardWord):
        raise ScaleWordError(f"--card {word!r}: a rig is measured with the card", "write card or card:9.87mm")
    try:
        return find_card(photo.grey, parsed)
    except ScaleNotFound as e:
        raise ScaleNotFound(f"{photo.name}: {e.what}", e.hint) from e
