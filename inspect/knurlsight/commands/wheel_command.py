"""``knurlsight wheel``: read a wheel's ink print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from photoscale.quantity import Quantity

    from knurlsight.setup_math.setup_model import WheelSetup
    from knurlsight.wheel_prints.wheel_print import WheelPrint


def register(app: typer.Typer) -> None:
    """Add the command to an app."""

    @app.command()
    def wheel(
        print_photo: Annotated[
            Path, typer.Argument(metavar="PRINT", help="Photo of the print on white paper, from above.")
        ],
        scale: Annotated[
            str, typer.Option(metavar="SPEC", help="The scale on the paper: card, card:9.87mm, rule:1mm, rule:1/32in.")
        ] = "card",
        scale_height: Annotated[
            str | None,
            typer.Option(metavar=LENGTH, help="Its face over the paper; 0mm for a card printed on the same sheet."),
        ] = None,
        wheel_diameter: Annotated[
            str | None, typer.Option(metavar=LENGTH, help="Outside diameter of the wheel, by caliper; gives the teeth.")
        ] = None,
        out: Annotated[
            Path | None,
            typer.Option("--out", metavar="OUT.toml", help="Write the [[wheel]] table; - is standard output."),
        ] = None,
        json_out: Annotated[
            Path | None, typer.Option("--json", metavar="OUT", help="Write the figures as JSON; - is standard output.")
        ] = None,
        unit: Annotated[str, typer.Option(metavar="mm|in", help="Of the output.")] = "mm",
    ) -> None:
        """Read a wheel's ink print: its pitch, helix, hand and teeth, and the standard pitches that fit."""
        from knurlsight.errors import PlanError
        from knurlsight.output import check_writable, write_text

        if unit not in ("mm", "in"):
            raise PlanError(f"--unit {unit!r} is not mm or in", hint="--unit in")
        for path in (out, json_out):
            if path is not None:
                check_writable(path, [print_photo])
        prints = prints_of_photo(print_photo, scale, scale_height, wheel_diameter)
        if out is not None:
            write_text(out, wheel_toml(prints))
        if json_out is not None:
            import json

            write_text(json_out, json.dumps(prints_json(prints), ensure_ascii=False, indent=2) + "\n")
        if not any(str(path) == "-" for path in (out, json_out)):
            typer.echo(prints_text(prints, unit), nl=False)
            for path in (out, json_out):
                if path is not None:
                    typer.echo(f"written: {path}", err=True)


LENGTH = "LENGTH"


def prints_of_photo(
    photo: Path, scale: str, scale_height: str | None, wheel_diameter: str | None
) -> tuple[WheelPrint, ...]:
    """Read the prints of a photo.

    Parameters
    ----------
    photo : Path
    scale : str
        The ``--scale`` word.
    scale_height, wheel_diameter : str, optional
        Lengths with or without ``+-``.

    Raises
    ------
    PlanError, PhotoscaleError
        With what is wrong and what to do.
    """
    from photoscale.card import find_card
    from photoscale.photo import load_photo
    from photoscale.rule import find_rule
    from photoscale.words import CardWord, PlainWord, RuleWord, parse_scale

    from knurlsight.errors import PlanError
    from knurlsight.wheel_prints.wheel_plane import flatten, paper_scale
    from knurlsight.wheel_prints.wheel_print import read_prints

    word = parse_scale(scale)
    height = _quantity("--scale-height", scale_height, 0.1)
    diameter = _quantity("--wheel-diameter", wheel_diameter, 0.02)
    if diameter is not None and not 2.0 <= diameter.value <= 200.0:
        raise PlanError(f"--wheel-diameter: {diameter.value:g} mm is no knurling wheel", hint="--wheel-diameter 20mm")
    shot = load_photo(photo)
    reading: Any
    if isinstance(word, CardWord):
        reading = find_card(shot.grey, word)
    elif isinstance(word, RuleWord):
        reading = find_rule(shot.grey, word)
    elif isinstance(word, PlainWord):
        from photoscale.reading import PlainReading

        reading = PlainReading(word.mm_per_px)
    else:
        raise PlanError(
            f"--scale {scale!r}: a print on paper is scaled by a card, a rule or mm/px", hint="--scale card"
        )
    plane = paper_scale(shot, reading, height)
    return read_prints(flatten(shot, plane), plane.u_relative, plane.budget, diameter, plane.u_shape)


def _quantity(option: str, text: str | None, u_default: float) -> Quantity | None:
    from photoscale.quantity import Quantity

    from knurlsight.errors import PlanError, UnitError
    from knurlsight.units import parse_with_plus_minus

    if text is None:
        return None
    try:
        value, room = parse_with_plus_minus(text)
    except UnitError as error:
        raise PlanError(f"{option}: {error.message}", hint=f"{option} 20.02mm") from None
    if value < 0:
        raise PlanError(f"{option}: {text!r} is less than nought", hint=f"{option} 20.02mm")
    return Quantity(value, room if room is not None else u_default, "mm")


def wheel_setup(one: WheelPrint) -> WheelSetup:
    """The [[wheel]] table of a print.

    A whole count with a diameter goes in as the measured wheel; the pitch from the print always does.
    """
    from knurlsight.setup_math.setup_model import WheelSetup
    from knurlsight.units import pitch_from_length

    first = next((line for line in one.lines if line.hand_on_paper != "ring"), one.lines[0])
    slanting = first.hand_of_wheel in ("left", "right")
    crossed = len(one.lines) == 2
    code = None if crossed else {"left": "BL", "right": "BR", "axial": "AA"}.get(first.hand_of_wheel)
    return WheelSetup(
        label="from its ink print",
        code=code,  # type: ignore[arg-type]
        hand=first.hand_of_wheel if slanting and not crossed else None,  # type: ignore[arg-type]
        pitch=pitch_from_length(round(first.normal_pitch.value, 5)),
        helix_deg=round(first.helix.value, 2) if slanting and not crossed else None,
        teeth=one.teeth_whole,
        diameter_mm=round(one.diameter.value, 4) if one.diameter is not None and one.teeth_whole else None,
    )


def wheel_toml(prints: tuple[WheelPrint, ...]) -> str:
    """The [[wheel]] tables as a file that `plan --wheels` reads."""
    from knurlsight.setup_math.setup_model import Setup, setup_text

    comments = {"file": "Wheel as read from its ink print by knurlsight; hand and code are those of the wheel itself."}
    text = setup_text(Setup(wheels=tuple(wheel_setup(one) for one in prints)), "mm", comments)
    for one in prints:
        if len(one.lines) == 2:
            text += "# Crossed teeth: add code = GE or GV (KE or KV) by whether the wheel's own points stand up.\n"
    return text


def prints_text(prints: tuple[WheelPrint, ...], unit: Any = "mm") -> str:
    """What the terminal shows: a figure with ± is k = 2."""
    import textwrap

    from knurlsight.reporting.figures import measured

    lines: list[str] = []
    for number, one in enumerate(prints, 1):
        lines.append(f"Print {number}: {one.length_mm:.0f} mm long, {one.width_mm:.1f} mm wide")
        for line in one.lines:
            lines.append(f"  pitch across the teeth   {measured(line.normal_pitch, unit)}")
            if line.transverse_pitch is not None:
                lines.append(f"  pitch around the wheel   {measured(line.transverse_pitch, unit)}")
            lines.append(f"  helix                    {measured(line.helix)}")
            lines.append(f"  hand                     {_hand_words(line.hand_on_paper, line.hand_of_wheel)}")
        if one.teeth_whole is not None:
            lines.append(f"  teeth                    {one.teeth_whole} (from the {one.teeth_from})")
        elif one.teeth is not None:
            lines.append(f"  teeth                    {measured(one.teeth)}: no whole count for sure")
        else:
            lines.append("  teeth                    not known: give --wheel-diameter, or count them")
        if one.diameter is not None and one.teeth_from == "nick":
            lines.append(f"  diameter, from the nick  {measured(one.diameter, unit)}")
        for sentence in (one.fitting.sentence, *one.notes):
            lines += textwrap.wrap(sentence, 96, initial_indent="  ", subsequent_indent="  ")
        parts = ", ".join(f"{name} {100 * share:.2f} %" for name, share in one.budget)
        lines += textwrap.wrap(
            f"Uncertainty of the pitch (k = 1): {parts}.", 96, initial_indent="  ", subsequent_indent="  "
        )
    return "\n".join(lines) + "\n"


def _hand_words(on_paper: str, of_wheel: str) -> str:
    if on_paper in ("axial", "ring"):
        return {"axial": "none: straight teeth", "ring": "none: rings around the wheel"}[on_paper]
    return f"{on_paper}-hand on paper (mirrored), so the wheel is {of_wheel}-hand and rolls {on_paper}-hand ridges"


def prints_json(prints: tuple[WheelPrint, ...]) -> dict[str, Any]:
    """The figures as plain values; an uncertainty is a standard one."""

    def q(quantity: Quantity | None) -> dict[str, Any] | None:
        return None if quantity is None else {"value": quantity.value, "u": quantity.u, "unit": quantity.unit}

    return {
        "prints": [
            {
                "length_mm": one.length_mm,
                "width_mm": one.width_mm,
                "lines": [
                    {
                        "hand_on_paper": line.hand_on_paper,
                        "hand_of_wheel": line.hand_of_wheel,
                        "hand_on_work": line.hand_on_work,
                        "normal_pitch": q(line.normal_pitch),
                        "transverse_pitch": q(line.transverse_pitch),
                        "helix_angle": q(line.helix),
                    }
                    for line in one.lines
                ],
                "teeth": q(one.teeth),
                "teeth_whole": one.teeth_whole,
                "teeth_from": one.teeth_from,
                "diameter": q(one.diameter),
                "fitting": [{"designation": f.designation, "difference": f.difference} for f in one.fitting.fitting],
                "words": one.fitting.sentence,
                "budget": [{"part": name, "share": share} for name, share in one.budget],
                "notes": list(one.notes),
            }
            for one in prints
        ]
    }
