"""Options that `inspect` and `batch` have in common: what gives the size, and how far away the camera was."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

ScaleOption = Annotated[
    list[str] | None,
    typer.Option(
        "--scale",
        metavar="SPEC",
        help="What gives the size: od:25.02mm (caliper over the crests, the best), card, card:9.87mm, rule:1mm, "
        "rule:0.5mm, rule:1/32in, rule:1/64in, pin:6mm, 0.0512mm/px. Without it: whatever card or rule is found. Given "
        "twice: both must agree.",
    ),
]
ScaleHeightOption = Annotated[
    list[str] | None,
    typer.Option(
        "--scale-height",
        metavar="bench|axis|crest|MM",
        help="Height of the scale's face above the surface under the part: bench (it lies there; the default), axis, "
        "crest, or 16mm. Given twice: that of the second scale.",
    ),
]
ScalePhotoOption = Annotated[
    Path | None,
    typer.Option("--scale-photo", metavar="PHOTO", help="The scale stands in this photo by the same fixed camera."),
]
CameraDistanceOption = Annotated[
    str | None,
    typer.Option(
        "--camera-distance",
        metavar="LENGTH",
        help="Lens to the nearest crest, where you measured it: 300mm or 300+-2mm; helps a rule on the bench.",
    ),
]


def one_word(given: list[str] | None) -> str | None:
    """An option given once or twice as the one word that job lists and records have: ``rule:1mm; od:20.03mm``."""
    return "; ".join(given) if given else None
