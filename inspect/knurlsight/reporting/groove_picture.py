"""The mean groove of each family, folded on its pitch: one groove to a pitch, or one and a second between."""

from __future__ import annotations

import numpy as np

from knurlsight.model import MeanGroove, Pattern
from knurlsight.reporting.drawing import Drawing, Line, Mark, Text, rectangle
from knurlsight.verdict import HAND_WORDS

WIDTH_MM, HEIGHT_MM = 84.0, 44.0
PITCHES = 2
VERMILION = "#d55e00"


def groove_drawing(pattern: Pattern) -> Drawing | None:
    """Brightness over two pitches for each family; None where nothing was folded."""
    if not pattern.grooves:
        return None
    marks = [m for i, groove in enumerate(pattern.grooves) for m in _curve(i * WIDTH_MM, groove, pattern)]
    title = "mean brightness across the grooves over two pitches, in the spread of the pattern"
    return Drawing(WIDTH_MM * len(pattern.grooves), HEIGHT_MM, tuple(marks), title)


def _curve(x: float, groove: MeanGroove, pattern: Pattern) -> list[Mark]:
    left, top, wide, high = x + 3.0, 8.0, WIDTH_MM - 8.0, HEIGHT_MM - 19.0
    values = np.tile(groove.brightness, PITCHES)
    low, high_value = float(values.min()), float(values.max())
    share = (values - low) / max(high_value - low, 1e-6)
    at = (np.arange(len(values)) + 0.5) / len(groove.brightness)
    points = tuple((left + wide * a / PITCHES, top + high * (1 - s)) for a, s in zip(at, share, strict=True))
    marks: list[Mark] = [
        Text(x + 3.0, 5.0, f"mean groove, {HAND_WORDS[groove.hand]} family", 3.0, bold=True),
        rectangle(left, top, wide, high, "#f4f4f4"),
        Line(points, 0.4),
    ]
    for n in range(PITCHES + 1):
        u = left + wide * n / PITCHES
        marks += [Line(((u, top), (u, top + high)), 0.2), Text(u, top + high + 4.0, f"{n}", 2.6, "middle")]
    marks.append(Text(left + wide / 2, top + high + 7.2, "pitches from the middle of a groove", 2.6, "middle"))
    track = next((f.double_track for f in pattern.families if f.hand == groove.hand), None)
    if track is not None and track.present and track.offset_fraction is not None:
        for n in range(PITCHES):
            for away in (track.offset_fraction.value, 1 - track.offset_fraction.value):
                u = left + wide * (n + away) / PITCHES
                marks.append(Line(((u, top), (u, top + high)), 0.35, VERMILION))
        marks.append(
            Text(
                left + wide / 2, top + high + 10.4, "red: where the second track lies", 2.4, "middle", colour=VERMILION
            )
        )
    return marks
