"""The maps of a zone as four small pictures: local pitch, helix, depth of the pattern, and what it leaves unexplained.

Light and dark tell the value in any colour vision and in a grey print (the colour map is cividis: Nuñez, Anderton and
Renslow 2018). Cells too near the border to be judged are left white.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from knurlsight.model import LocalMaps, Pattern
from knurlsight.reporting.drawing import Drawing, Line, Mark, Picture, Text, rectangle

Array = NDArray[np.float64]

SEEN = 0.5  # share of the window that must lie in the zone
SMOOTH_PITCHES = 1.2  # over which the slopes of the phases are smoothed
WIDTH_MM, HEIGHT_MM = 84.0, 50.0
BAR_STEPS = 48


def local_lines(maps: LocalMaps) -> tuple[Array, Array]:
    """Local normal pitch over the fitted one and helix less the fitted one (deg), each (rows, columns).

    Means over the families.
    """
    from scipy.ndimage import gaussian_filter

    step_theta, step_z = (float(np.mean(np.diff(a))) for a in (maps.theta, maps.z))
    sigma = SMOOTH_PITCHES * maps.pitch / abs(step_z)
    pitches, turns = [], []
    for shift, (around, along) in zip(maps.shifts, maps.lines, strict=True):
        down, across = (gaussian_filter(s, sigma, mode="nearest") for s in np.gradient(shift, step_theta, step_z))
        here = around - down, along - across
        pitches.append(np.hypot(around, along) / np.hypot(*here))
        # the helix grows with the share that goes along the part
        turns.append(np.degrees(np.arctan2(np.abs(here[1]), np.abs(here[0])) - np.arctan2(abs(along), abs(around))))
    return np.mean(pitches, axis=0), np.mean(turns, axis=0)


def map_drawing(pattern: Pattern, inches: bool = False) -> Drawing | None:
    """The four pictures on one sheet; None without maps."""
    maps = pattern.maps
    if maps is None:
        return None
    pitch, helix = local_lines(maps)
    seen = maps.weight > SEEN
    fitted = [f.normal_pitch for f in pattern.families if f.normal_pitch is not None]
    k, unit, digits = (1 / 25.4, "in", 4) if inches else (1.0, "mm", 3)
    if fitted:
        mean = k * float(np.mean([q.value for q in fitted]))
        first = _panel(0, "local normal pitch", mean * pitch, seen, unit, digits, least=0.02 * mean)
    else:
        first = _panel(0, "local pitch over its mean", pitch, seen, "", 3, least=0.02)
    marks = [
        *first,
        *_panel(1, "helix less its mean", helix, seen, "°", 1, least=1.0),
        *_panel(2, "contrast of the pattern (1 = as fitted)", maps.gain, seen, "", 2, limits=(0.0, 1.25)),
        *_panel(3, "not explained by the pattern", maps.residual, seen, "", 2, limits=(0.0, 0.8)),
    ]
    title = "local pitch, helix, depth and residual of the zone, end 1 at the left, around from top to bottom"
    return Drawing(2 * WIDTH_MM, 2 * HEIGHT_MM, tuple(marks), title)


def _panel(
    index: int,
    title: str,
    values: Array,
    seen: NDArray[np.bool_],
    unit: str,
    digits: int,
    *,
    least: float = 0.0,
    limits: tuple[float, float] | None = None,
) -> list[Mark]:
    """One map with its title and bar; without `limits` the bar spans what is there, at least ± `least`."""
    x, y = (index % 2) * WIDTH_MM, (index // 2) * HEIGHT_MM
    low, high = limits if limits is not None else _span(values[seen], least)
    top, left, wide, high_mm = y + 7.0, x + 2.0, WIDTH_MM - 22.0, HEIGHT_MM - 10.0
    bar_x, bar_wide = left + wide + 3.0, 3.0
    tall = high_mm / BAR_STEPS
    bar: list[Mark] = [
        rectangle(bar_x, top + high_mm - (i + 1) * tall, bar_wide, tall + 0.05, _hex((i + 0.5) / BAR_STEPS))
        for i in range(BAR_STEPS)
    ]
    ticks = []
    for t in (0.0, 0.5, 1.0):
        words = f"{low + t * (high - low):.{digits}f}{_after_number(unit)}"
        ticks.append(Text(bar_x + bar_wide + 1.0, top + high_mm * (1 - t) + 0.9, words, 2.4))
    frame = Line(
        ((left, top), (left + wide, top), (left + wide, top + high_mm), (left, top + high_mm), (left, top)), 0.2
    )
    picture = Picture(left, top, wide, high_mm, _coloured((values - low) / (high - low), seen))
    return [Text(left, y + 5.0, title, 3.0, bold=True), picture, frame, *bar, *ticks]


def _after_number(unit: str) -> str:
    """A degree sign stands at the number, other units after a blank."""
    return unit if unit in ("", "°") else f" {unit}"


def _span(values: Array, least: float) -> tuple[float, float]:
    if not values.size:
        return -least, least
    low, high = (float(v) for v in np.percentile(values, [2, 98]))
    middle, half = (low + high) / 2, max((high - low) / 2, least)
    return middle - half, middle + half


def _coloured(share: Array, seen: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """(rows, columns, 3) red, green, blue."""
    import cv2

    grey = (np.clip(share, 0, 1) * 255).astype(np.uint8)
    colour = np.array(cv2.applyColorMap(grey, cv2.COLORMAP_CIVIDIS)[:, :, ::-1], np.uint8)
    colour[~seen] = 255
    return colour


def _hex(share: float) -> str:
    red, green, blue = _coloured(np.array([[share]]), np.ones((1, 1), np.bool_))[0, 0]
    return f"#{red:02x}{green:02x}{blue:02x}"
