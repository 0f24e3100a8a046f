"""This part beside the last one: which figures differ by more than their uncertainties allow."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from photoscale.quantity import Quantity

from knurlsight.reporting import figures
from knurlsight.reporting.figures import Units

FAMILY_FIGURES = ("normal_pitch", "transverse_pitch", "axial_pitch", "helix_angle", "fill")
PART_FIGURES = ("included_angle", "balance", "outside_diameter", "knurled_length", "full_form_length")
WORDS = {"fill": "form fill", "full_form_length": "length of full form"}


@dataclass(frozen=True)
class Difference:
    """A figure of two parts, written, and whether it differs: the k = 2 interval of the difference leaves out 0.

    Both are taken as independent. Photos with one scale share its error, so that a difference in a length is judged
    more carefully than it needs to be, never less.
    """

    name: str
    before: str
    now: str
    differs: bool


def differences(before: Mapping[str, Any], now: Mapping[str, Any], units: Units) -> tuple[Difference, ...]:
    """Figures that two results (as in the result file) have in common, first parts only."""
    if not before["parts"] or not now["parts"]:
        return ()
    old, new = dict(_figures(before["parts"][0])), dict(_figures(now["parts"][0]))
    return tuple(
        Difference(name, figures.measured(old[name], units), figures.measured(new[name], units),
                   abs(new[name].value - old[name].value) > 2 * math.hypot(new[name].u, old[name].u))
        for name in new
        if name in old
    )  # fmt: skip


def _figures(part: Mapping[str, Any]) -> Iterator[tuple[str, Quantity]]:
    for family in part["families"]:
        for key in FAMILY_FIGURES:
            if family[key] is not None and (key != "helix_angle" or family["hand"] in ("left", "right")):
                yield f"{_word(key)}, {family['hand']}", _quantity(family[key])
    for key in PART_FIGURES:
        if part[key] is not None:
            yield _word(key), _quantity(part[key])


def _word(key: str) -> str:
    return WORDS.get(key, key.replace("_", " "))


def _quantity(q: Mapping[str, Any]) -> Quantity:
    return Quantity(q["value"], q["u"], q["unit"])
