"""The photo with the measurement drawn on it: outline, axis, zone, traced ridges, scale marks and the verdict.

Colours are those of Okabe and Ito, told apart with any colour vision; every line has a dark casing, so that it is seen
on bright metal and on a dark bench; every verdict has a word and a shape besides its colour.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from knurlsight.measuring import trace
from knurlsight.model import Family, Outline

Array = NDArray[np.float64]
Colour = tuple[int, int, int]  # red, green, blue

ORANGE: Colour = (230, 159, 0)
SKY: Colour = (86, 180, 233)
GREEN: Colour = (0, 158, 115)
YELLOW: Colour = (240, 228, 66)
VERMILION: Colour = (213, 94, 0)
PURPLE: Colour = (204, 121, 167)
WHITE: Colour = (255, 255, 255)
INK: Colour = (24, 24, 24)
SLATE: Colour = (70, 78, 88)

FAMILY_COLOURS: dict[str, Colour] = {"right": ORANGE, "left": SKY, "axial": ORANGE, "ring": SKY}
FAMILY_WORDS: dict[str, str] = {
    "right": "right-hand ridges",
    "left": "left-hand ridges",
    "axial": "axial ridges",
    "ring": "ring ridges",
}
VERDICT_COLOURS: dict[str | None, Colour] = {
    "pass": (0, 110, 80),
    "fail": (168, 60, 0),
    "cannot_tell": SLATE,
    None: (40, 70, 110),
}
VERDICT_WORDS: dict[str | None, str] = {
    "pass": "PASS",
    "fail": "FAIL",
    "cannot_tell": "CANNOT TELL",
    None: "MEASURED",
}
LONGEST_SIDE_PX = 2000
SHORTEST_SIDE_PX = 900
MOST_MARKS = 80
MOST_ROWS = 5


@dataclass(frozen=True)
class Numbered:
    """A fault to draw: its polygon (n, 2) px, empty where it is everywhere, under a number that the legend explains."""

    number: int
    words: str
    polygon_px: Array


@dataclass(frozen=True)
class Drawn:
    """One part to draw: its outline, its families, a name and a verdict (either may be empty)."""

    outline: Outline
    families: tuple[Family, ...] = ()
    name: str = ""
    verdict: str | None = None
    faults: tuple[Numbered, ...] = ()


@dataclass(frozen=True)
class Empty:
    """A place of a tray where a part is missing: what it says, its middle (x, y) px, and a radius."""

    words: str
    at_px: tuple[float, float]
    radius_px: float


def picture(
    colour: NDArray[np.uint8],
    parts: Sequence[Drawn],
    verdict: str | None,
    lines: Sequence[str],
    scale_px: Array | None = None,
    absent: Sequence[Empty] = (),
) -> NDArray[np.uint8]:
    """The whole photo, annotated, under a banner with the verdict and over a legend.

    Parameters
    ----------
    colour : (h, w, 3) uint8 array
        The photo, blue-green-red, upright.
    parts : sequence of Drawn
    verdict : "pass", "fail", "cannot_tell" or None
    lines : sequence of str
        What the banner says beside the verdict.
    scale_px : (n, 2) array, optional
        Marks of the scale that were found.
    absent : sequence of Empty
        Places of a tray where a part is missing.

    Returns
    -------
    (H, W, 3) uint8 array, blue-green-red.
    """
    height, width = colour.shape[:2]
    k = min(1.0, LONGEST_SIDE_PX / max(height, width))
    k = max(k, min(2.0, SHORTEST_SIDE_PX / max(height, width)))
    drawn = _draw(_resized(colour, k), k, (0.0, 0.0), parts, scale_px)
    drawn = _empty_places(drawn, k, absent)
    if len(parts) > 1 or absent:
        drawn = _labels(drawn, k, parts)
    drawn = _numbers(drawn, k, (0.0, 0.0), parts)
    strips = [_banner(drawn.shape[1], verdict, lines), drawn, _legend(drawn.shape[1], parts, scale_px)]
    return np.vstack([*strips, *_fault_list(drawn.shape[1], parts)])


def close_up(colour: NDArray[np.uint8], part: Drawn, longest_px: int = 1400) -> NDArray[np.uint8]:
    """The knurled zone alone, large enough to see whether the traced ridges lie on the real ones."""
    corners = trace.zone_border(part.outline)
    height, width = colour.shape[:2]
    margin = 0.06 * float(np.ptp(corners, axis=0).max()) + 4
    x0, y0 = np.floor(np.maximum(corners.min(axis=0) - margin, 0)).astype(int)
    x1, y1 = np.ceil(np.minimum(corners.max(axis=0) + margin, [width, height])).astype(int)
    if x1 - x0 < 2 or y1 - y0 < 2:
        return colour[:0, :0]
    k = min(3.0, longest_px / max(x1 - x0, y1 - y0))
    crop = np.ascontiguousarray(colour[y0:y1, x0:x1])
    corner = float(x0), float(y0)
    return _numbers(_draw(_resized(crop, k), k, corner, [part], None), k, corner, [part])


# --- drawing ---------------------------------------------------------------------------------------------------------


def _resized(image: NDArray[np.uint8], k: float) -> NDArray[np.uint8]:
    if k == 1.0:
        return image.copy()
    size = max(1, round(image.shape[1] * k)), max(1, round(image.shape[0] * k))
    how = cv2.INTER_AREA if k < 1 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(image, size, interpolation=how), np.uint8)


def _draw(
    canvas: NDArray[np.uint8], k: float, corner: tuple[float, float], parts: Sequence[Drawn], scale_px: Array | None
) -> NDArray[np.uint8]:
    """Overlay on a canvas that shows the photo from `corner` on, `k` canvas pixels to a photo pixel."""
    pen = max(1, round(max(canvas.shape[:2]) / 700))

    def line(points: Array, colour: Colour, thick: int = 1, closed: bool = False) -> None:
        # pixel centres: a factor k maps x to (x + 1/2) k - 1/2
        on_canvas = (np.asarray(points, np.float64).reshape(-1, 2) - corner + 0.5) * k - 0.5
        if not np.isfinite(on_canvas).all() or np.abs(on_canvas).max(initial=0) > 1e5:
            return
        fixed = np.round(on_canvas * 16).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(canvas, [fixed], closed, INK[::-1], thick + 2, cv2.LINE_AA, 4)
        cv2.polylines(canvas, [fixed], closed, colour[::-1], thick, cv2.LINE_AA, 4)

    for part in parts:
        for family in part.families:
            for ridge in trace.ridges(part.outline, family):
                line(ridge, FAMILY_COLOURS[family.hand], pen)
        # its two sides; where they end, they were no longer seen, which is not where the part ends
        for side in np.array_split(part.outline.part_px, 2):
            if len(side) >= 2:
                line(side, WHITE, pen)
        line(trace.zone_border(part.outline), YELLOW, 2 * pen, closed=True)
        for dash in _dashes(trace.axis_line(part.outline, overhang=0.25), 14 * pen / k):
            line(dash, WHITE, pen)
        for fault in part.faults:
            if len(fault.polygon_px) >= 2:
                line(fault.polygon_px, VERMILION, 2 * pen, closed=True)
    if scale_px is not None and len(scale_px):
        step = max(1, math.ceil(len(scale_px) / MOST_MARKS))
        for x, y in np.asarray(scale_px, np.float64).reshape(-1, 2)[::step]:
            arm = 3 * pen / k
            line(np.array([[x - arm, y], [x + arm, y]]), GREEN, pen)
            line(np.array([[x, y - arm], [x, y + arm]]), GREEN, pen)
    return canvas


def _dashes(ends: Array, dash: float) -> Iterable[Array]:
    """A dash-dot line, as drawings show an axis, in pieces."""
    a, b = ends
    length = float(np.linalg.norm(b - a))
    if not math.isfinite(length) or length <= 0 or dash <= 0:
        return
    direction, at, long = (b - a) / length, 0.0, True
    while at < length:
        piece = dash if long else dash / 6
        yield np.stack([a + direction * at, a + direction * min(at + piece, length)])
        at += piece + dash / 3
        long = not long


# --- words -----------------------------------------------------------------------------------------------------------


def font_of(px: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """The built-in font at a height."""
    return ImageFont.load_default(px)


def plain_letters(text: str) -> str:
    """The built-in font has Latin letters, ± and °; the rest is written with what it has."""
    for special, plain in (("–", "-"), ("×", "x"), ("≤", "at most "), ("≥", "at least "), ("ψ", "helix ")):
        text = text.replace(special, plain)
    return text


def wrapped_rows(
    draw: ImageDraw.ImageDraw, text: str, font: ImageFont.FreeTypeFont | ImageFont.ImageFont, room: float
) -> list[str]:
    """Words in rows that fit."""
    rows, row = [], ""
    for word in plain_letters(text).split():
        longer = f"{row} {word}".strip()
        if row and draw.textlength(longer, font=font) > room:
            rows.append(row)
            row = word
        else:
            row = longer
    return [*rows, row] if row else rows


def _banner(width: int, verdict: str | None, lines: Sequence[str]) -> NDArray[np.uint8]:
    """A strip with the verdict as shape and word, and up to three lines of why."""
    big, small = max(26, width // 22), max(15, width // 55)
    pad = big // 3
    big_font, font = font_of(big), font_of(small)
    probe = ImageDraw.Draw(Image.new("RGB", (1, 1)))
    word = VERDICT_WORDS[verdict]
    left = pad + big + pad + int(probe.textlength(word, font=big_font)) + 2 * pad
    beside = width - left - pad > 22 * small  # else the reasons go under the word
    start = left if beside else pad
    rows = [row for text in lines for row in wrapped_rows(probe, text, font, width - start - pad)]
    if len(rows) > MOST_ROWS:
        rows = [*rows[: MOST_ROWS - 1], f"{rows[MOST_ROWS - 1]} ..."]
    row_height = round(small * 1.3)
    top = pad if beside else 2 * pad + big
    height = max(2 * pad + round(1.15 * big), top + row_height * len(rows) + pad)
    strip = Image.new("RGB", (width, height), VERDICT_COLOURS[verdict])
    draw = ImageDraw.Draw(strip)
    verdict_shape(draw, verdict, pad, pad, big)
    draw.text((2 * pad + big, pad + big / 2), word, fill=WHITE, font=big_font, anchor="lm")
    if beside:
        top = (height - row_height * len(rows)) // 2
    for i, row in enumerate(rows):
        draw.text((start, top + i * row_height), row, fill=WHITE, font=font)
    return _bgr(strip)


def verdict_shape(draw: ImageDraw.ImageDraw, verdict: str | None, x: float, y: float, size: float) -> None:
    """A tick in a disc, a cross in a square, a bar in a triangle: told apart without colour, from across the room."""
    ink, thick = VERDICT_COLOURS[verdict], max(2, round(size / 8))
    if verdict == "pass":
        draw.ellipse((x, y, x + size, y + size), fill=WHITE)
        tick = [(0.22, 0.52), (0.43, 0.72), (0.78, 0.3)]
        draw.line([(x + a * size, y + b * size) for a, b in tick], fill=ink, width=thick, joint="curve")
    elif verdict == "fail":
        draw.rectangle((x, y, x + size, y + size), fill=WHITE)
        for a, b in (((0.22, 0.22), (0.78, 0.78)), ((0.22, 0.78), (0.78, 0.22))):
            draw.line([(x + a[0] * size, y + a[1] * size), (x + b[0] * size, y + b[1] * size)], fill=ink, width=thick)
    elif verdict == "cannot_tell":
        draw.polygon([(x + size / 2, y), (x + size, y + size), (x, y + size)], fill=WHITE)
        draw.line([(x + size / 2, y + 0.35 * size), (x + size / 2, y + 0.68 * size)], fill=ink, width=thick)
        dot = thick / 2
        draw.ellipse((x + size / 2 - dot, y + 0.82 * size - dot, x + size / 2 + dot, y + 0.82 * size + dot), fill=ink)
    else:
        draw.rectangle((x, y + 0.3 * size, x + size, y + 0.7 * size), fill=WHITE)
        for i in range(1, 6):
            tall = 0.25 if i % 2 else 0.15
            at = x + i * size / 6
            draw.line([(at, y + 0.3 * size), (at, y + (0.3 + tall) * size)], fill=ink, width=max(1, thick // 2))


def _legend(width: int, parts: Sequence[Drawn], scale_px: Array | None) -> NDArray[np.uint8]:
    """A strip that names the colours used."""
    entries: list[tuple[Colour, str]] = []
    if parts:
        entries += [(YELLOW, "knurled zone"), (WHITE, "outline and axis")]
        hands = dict.fromkeys(f.hand for p in parts for f in p.families)
        entries += [(FAMILY_COLOURS[h], FAMILY_WORDS[h] + " as measured") for h in hands]
        if any(len(f.polygon_px) for p in parts for f in p.faults):
            entries.append((VERMILION, "fault"))
    if scale_px is not None and len(scale_px):
        entries.append((GREEN, "scale marks found"))
    if not entries:
        entries.append((WHITE, "no knurled part found in this photo"))
    size = max(14, width // 70)
    font, pad = font_of(size), size // 2
    probe = ImageDraw.Draw(Image.new("RGB", (1, 1)))
    rows: list[list[tuple[float, Colour, str]]] = [[]]
    x = float(pad)
    for colour, text in entries:
        need = 2.6 * size + probe.textlength(text, font=font) + 2 * pad
        if rows[-1] and x + need > width:
            rows.append([])
            x = float(pad)
        rows[-1].append((x, colour, text))
        x += need
    strip = Image.new("RGB", (width, round(len(rows) * 1.5 * size + pad)), INK)
    draw = ImageDraw.Draw(strip)
    for i, row in enumerate(rows):
        y = pad + i * 1.5 * size + size / 2
        for x, colour, text in row:
            draw.line([(x, y), (x + 2 * size, y)], fill=colour, width=max(2, size // 5))
            draw.text((x + 2.5 * size, y), text, fill=WHITE, font=font, anchor="lm")
    return _bgr(strip)


def _labels(canvas: NDArray[np.uint8], k: float, parts: Sequence[Drawn]) -> NDArray[np.uint8]:
    """Name, shape and word of the verdict beside every part of a tray."""
    size = max(16, max(canvas.shape[:2]) // 80)
    image = Image.fromarray(np.ascontiguousarray(canvas[:, :, ::-1]))
    draw, font = ImageDraw.Draw(image), font_of(size)
    for part in parts:
        corners = (trace.zone_corners(part.outline) + 0.5) * k - 0.5
        x, y = corners[:, 0].mean(), max(float(size), corners[:, 1].min() - size)
        text = f"{part.name} {VERDICT_WORDS[part.verdict].lower()}" if part.verdict else part.name
        wide = draw.textlength(text, font=font)
        left = min(max(0.0, x - wide / 2 - size), max(0.0, canvas.shape[1] - wide - 2 * size))
        box = (left, y - 0.8 * size, left + wide + 2 * size, y + 0.8 * size)
        draw.rectangle(box, fill=VERDICT_COLOURS[part.verdict])
        verdict_shape(draw, part.verdict, left + 0.3 * size, y - 0.5 * size, size)
        draw.text((left + 1.6 * size, y), text, fill=WHITE, font=font, anchor="lm")
    return _bgr(image)


def _empty_places(canvas: NDArray[np.uint8], k: float, absent: Sequence[Empty]) -> NDArray[np.uint8]:
    """A broken ring with a word where a part is missing."""
    if not absent:
        return canvas
    size = max(16, max(canvas.shape[:2]) // 80)
    image = Image.fromarray(np.ascontiguousarray(canvas[:, :, ::-1]))
    draw, font = ImageDraw.Draw(image), font_of(size)
    for place in absent:
        x, y = ((c + 0.5) * k - 0.5 for c in place.at_px)
        r = place.radius_px * k
        for colour, pen in ((INK, size // 3), (WHITE, size // 6)):
            for start in range(0, 360, 30):
                draw.arc((x - r, y - r, x + r, y + r), start, start + 18, fill=colour, width=max(1, pen))
        wide = draw.textlength(place.words, font=font)
        draw.rectangle((x - wide / 2 - size / 2, y - 0.8 * size, x + wide / 2 + size / 2, y + 0.8 * size), fill=SLATE)
        draw.text((x, y), place.words, fill=WHITE, font=font, anchor="mm")
    return _bgr(image)


def _numbers(
    canvas: NDArray[np.uint8], k: float, corner: tuple[float, float], parts: Sequence[Drawn]
) -> NDArray[np.uint8]:
    """The number of every fault that has a place, at the upper end of its polygon, none over another."""
    faults = [f for p in parts for f in p.faults if len(f.polygon_px) >= 2]
    if not faults:
        return canvas
    size = max(15, max(canvas.shape[:2]) // 60)
    image = Image.fromarray(np.ascontiguousarray(canvas[:, :, ::-1]))
    draw, font = ImageDraw.Draw(image), font_of(size)
    taken: list[tuple[float, float]] = []
    for fault in faults:
        on_canvas = (np.asarray(fault.polygon_px, np.float64) - corner + 0.5) * k - 0.5
        x, y = on_canvas[on_canvas[:, 1].argmin()]
        y -= 0.9 * size
        while any(abs(x - a) < 1.6 * size and abs(y - b) < 1.6 * size for a, b in taken):
            x += 1.7 * size
        x, y = (float(np.clip(v, size, max(size, n - size))) for v, n in zip((x, y), image.size, strict=True))
        taken.append((x, y))
        r = 0.8 * size
        draw.ellipse((x - r, y - r, x + r, y + r), fill=VERMILION, outline=WHITE, width=max(1, size // 9))
        draw.text((x, y), str(fault.number), fill=WHITE, font=font, anchor="mm")
    return _bgr(image)


def _fault_list(width: int, parts: Sequence[Drawn]) -> list[NDArray[np.uint8]]:
    """A strip that says what the numbers mean; none without faults."""
    rows = [(str(f.number), f"{p.name}: {f.words}" if len(parts) > 1 else f.words) for p in parts for f in p.faults]
    if not rows:
        return []
    size = max(14, width // 70)
    font, pad = font_of(size), size // 2
    probe = ImageDraw.Draw(Image.new("RGB", (1, 1)))
    laid = [(number, wrapped_rows(probe, words, font, width - 4 * size - pad)) for number, words in rows]
    step = round(1.4 * size)
    strip = Image.new("RGB", (width, sum(step * len(w) + pad for _, w in laid) + pad), INK)
    draw = ImageDraw.Draw(strip)
    y = float(pad)
    for number, words in laid:
        middle = y + step / 2
        draw.ellipse((pad, middle - 0.75 * size, pad + 1.5 * size, middle + 0.75 * size), fill=VERMILION)
        draw.text((pad + 0.75 * size, middle), number, fill=WHITE, font=font, anchor="mm")
        for i, row in enumerate(words):
            draw.text((3 * size, y + i * step + step / 2), row, fill=WHITE, font=font, anchor="lm")
        y += step * len(words) + pad
    return [_bgr(strip)]


def _bgr(image: Image.Image) -> NDArray[np.uint8]:
    return np.ascontiguousarray(np.asarray(image, np.uint8)[:, :, ::-1])
